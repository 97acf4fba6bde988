"""Counting: a log too large to be kept row by row is read as a fleet by the commands that work on counts."""

import argparse
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from workbench.printing import say_aside

if TYPE_CHECKING:
    from workbench.fleet import Fleet
    from workbench.report.basis import SeasonData

MOST_ROWS = 50_000
"""Rows of a log that is still kept row by row; reading then takes 4 s and a ranking 5 s."""
STEPS = range(30, 6, -1)

Columns = Callable[[Mapping[str, str]], Sequence[str]]


def add_step(parser: argparse.ArgumentParser) -> None:
    """Add the option that rounds the days of a counted log."""
    parser.add_argument(
        "--step", metavar="DAYS", type=int,
        help=f"count alike lives, days rounded outwards to so many, as is done by itself above {MOST_ROWS:,} rows",
    )  # fmt: skip


def refuse_many_rows(path: str, work: str) -> None:
    """Refuse a log that is too large for work which needs single rows."""
    from workbench.errors import LogError
    from workbench.fleet import has_more_rows

    if has_more_rows(path, MOST_ROWS):
        raise LogError(
            f"{path} has more than {MOST_ROWS:,} rows, and {work} needs each row by itself; "
            "give one season, or some of the sites, as a log of its own"
        )


def is_counted(args: argparse.Namespace) -> bool:
    """Whether a log is counted: it has many rows, or --step was given."""
    from workbench.fleet import has_more_rows

    return args.step is not None or has_more_rows(args.log, MOST_ROWS)


def counted(args: argparse.Namespace, columns: Columns | None, set_aside_to: str | None = None) -> "Fleet | None":
    """Read a large log, or one with --step, as counts, and say on stderr what this leaves out; None for others.

    Columns gets the role of each column that could be kept apart, and returns those that are; None where lives are not
    asked for.
    """
    from workbench.fleet import read_fleet
    from workbench.log.sources import settings_for

    if not is_counted(args):
        return None
    settings, _ = settings_for(args.log, args.settings)
    mission = args.mission or settings.mission_days
    step = args.step or next((days for days in STEPS if mission and mission % days == 0), STEPS[0])
    kept: list[str] = []

    def keep(roles: Mapping[str, str]) -> Sequence[str]:
        kept.extend(columns(roles) if columns else ())
        return kept

    fleet = read_fleet(
        args.log,
        settings,
        covariates=keep,
        step=step,
        set_aside_to=set_aside_to,
        replace_others=bool(getattr(args, "replace", False)),
    )
    days = f"days rounded outwards to {step} (--step 1 keeps them), " if columns else ""
    apart = f"kept apart: {', '.join(kept)}; " if kept else ""
    say_aside(
        f"{fleet.name} was counted, not kept row by row: {days}{apart}deployments of one unit count as units of their "
        "own, and what needs single rows (teardowns, costs of units) is left out"
    )
    return fleet


def columns_to_keep(choices: Sequence[str] = (), adjust: Sequence[str] = ()) -> Columns:
    """Keep the named choices and exposures apart, or all there are; and the site and the season."""

    def keep(roles: Mapping[str, str]) -> Sequence[str]:
        named = [*choices] or [name for name, role in roles.items() if role == "protection"]
        named += [*adjust] or [name for name, role in roles.items() if role == "exposure"]
        return list(dict.fromkeys([*named, *(name for name in ("site", "season") if name in roles)]))

    return keep


def check_named(names: Sequence[str], data: "SeasonData", what: str) -> None:
    """Refuse a column that the lives lack; one that the log has and knows nothing of is told how to get a role."""
    from workbench.checks import check_columns
    from workbench.errors import UsageError
    from workbench.log.dictionary import quoted, word_key

    held = getattr(data.log, "records", data.lives.covariates).columns
    headings = {word_key(str(column)): str(column) for column in held if column not in data.lives.covariates}
    for name in names:
        heading = headings.get(word_key(name))
        if name not in data.lives.covariates and heading is not None and heading not in data.log.roles:
            raise UsageError(
                f"the column {heading!r} of the log has no role yet, so nothing can be compared by it; add to the "
                f"settings: [roles] protection = [{quoted(heading)}], or exposure"
            )
    check_columns(names, data.lives.covariates.columns, what)
