"""compare: levels of one choice side by side, share lasting the mission and days before any test."""

import argparse
import math
from typing import TYPE_CHECKING, Any

from workbench.commands.counting import add_step, check_named, counted
from workbench.commands.permits import add_replace, permit_of
from workbench.printing import Grid, Part, Words, json_text, progress, say, say_aside, show_answer
from workbench.wording import NOT_KNOWN, percent_text, points_text, signed_points

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from workbench.filing import Permit
    from workbench.report.basis import ChoiceComparison, SeasonData

RAW_ANSWER = (
    "Raw comparison of the units that carried each level: what goes together need not be cause and effect. 'rank' asks "
    "another question and may give other shares: what the whole fleet would do had every unit carried the level, the "
    "rest held equal, by a curve that also runs through spans in which nobody looked."
)

MOST_HEADLINES = 3
"""Levels against the reference in the answer; all of them stand in the table."""

HELP = "compare the levels of one choice: share lasting the mission, days, differences and a test"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder")
    parser.add_argument(
        "--by", metavar="COLUMN", required=True, help="choice to compare, such as lid_seal, or its heading"
    )
    parser.add_argument("--within", metavar="COLUMN", help="repeat the test inside each value of this column")
    add_step(parser)
    parser.add_argument("--figure", metavar="FILE.png", help="write the curves as a picture")
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Print the comparison; 1 when rows were set aside and --strict was given."""
    from workbench.filing import check_target

    permit = permit_of(args)
    if args.figure:
        check_target(args.figure, (".png",), permit)
    with progress("reading the log") as tell:
        choice, data = _compared(args, tell)
    if args.figure:
        _write_figure(args.figure, choice, data, permit=permit)
    if args.json:
        say(json_text(_as_json(choice, data)))
    else:
        show_answer(_blocks(choice, data, args), everything=args.everything)
    return 1 if args.strict and data.log.rows_set_aside else 0


def _compared(args: argparse.Namespace, tell: "Callable[[str], None]") -> "tuple[ChoiceComparison, SeasonData]":
    from workbench.errors import EstimateError
    from workbench.log.dictionary import column_named
    from workbench.log.sources import settings_for
    from workbench.report.basis import FEWEST_UNITS, compare_choice
    from workbench.report.making import season_data

    settings, _ = settings_for(args.log, args.settings)
    args.by, args.within = (name and column_named(name, settings) for name in (args.by, args.within))
    columns = [name for name in (args.by, args.within) if name]
    log = counted(args, lambda roles: columns) or args.log
    data = season_data(log, settings=args.settings, mission=args.mission, seed=args.seed)
    check_named(columns, data, "column")
    if len(data.levels(args.by)) < 2:
        raise EstimateError(
            f"{args.by} has fewer than two levels carried by at least {FEWEST_UNITS} units each; read another season "
            f"with this one, or give rare levels one name: [levels.{args.by}] words in the settings"
        )
    tell(f"comparing {args.by}")
    return compare_choice(data, args.by, within=args.within), data


def _write_figure(path: str, choice: "ChoiceComparison", data: "SeasonData", *, permit: "Permit") -> None:
    from workbench.filing import check_target, write_file
    from workbench.report.figures import draw, figure_png, new_axes, theme

    with theme():
        ax = new_axes()
        names = {level: share.name for level, share in choice.shares.items()}
        draw(choice.curve, ax, mission=data.mission, labels=names)
        png = figure_png(ax.figure.get_figure(root=True))
    write_file(check_target(path, (".png",), permit), png, permit)
    say_aside(f"figure written: {path}")


def _number(value: Any) -> float | None:
    return float(value) if math.isfinite(float(value)) else None


def _difference(level: str, choice: "ChoiceComparison") -> dict[str, Any]:
    found: dict[str, Any] = {"level": level, "reference": choice.reference}
    # failures that nobody can place on either side of the mission leave limits and no estimate, as in the text
    is_open = any(choice.shares[name].may_have for name in (level, choice.reference))
    for name, source in (("share", choice.differences), ("days", choice.days)):
        estimate, lower, upper = (_number(v) for v in source[level])
        found |= {f"{name}_difference": None if is_open else estimate, f"{name}_lower": lower, f"{name}_upper": upper}
    adjusted = choice.test.adjusted.get(level, math.nan)
    inside = choice.inside.get(level)
    for name in ("difference", "lower", "upper"):
        found[f"share_{name}_within"] = None if inside is None else _number(getattr(inside, name))
    return found | {"p_adjusted": _number(adjusted)}


def _as_json(choice: "ChoiceComparison", data: "SeasonData") -> dict[str, Any]:
    from workbench.report.words import share_sentence

    means = choice.means.table.set_index("group")
    groups = []
    for level, share in choice.shares.items():
        days = {k: _number(means.loc[level, c]) for k, c in
                (("days", "restricted_mean"), ("days_lower", "lower"), ("days_upper", "upper"))}  # fmt: skip
        groups.append(
            {
                "level": level,
                "units": share.units,
                "failures": share.failures,
                "may_have_failed": share.may_have,
                "share": None if share.may_have else _number(share.share),
                "lower": _number(share.lower),
                "upper": _number(share.upper),
                **days,
                **({"days": None} if share.may_have else {}),
                "say": share_sentence(share, data.mission_text, data.confidence),
            }
        )
    tests = {"all": choice.test, "within": choice.within}
    return {
        "by": choice.column,
        "mission": data.mission,
        "confidence": data.confidence,
        "reference": choice.reference,
        "groups": groups,
        "differences": [_difference(level, choice) for level in choice.levels if level != choice.reference],
        "tests": {k: {"method": t.method, "p_value": _number(t.p_value)} for k, t in tests.items() if t is not None},
        "left_out": list(choice.left_out),
        "notes": [*data.said_first, *choice.notes],
    }


def _blocks(choice: "ChoiceComparison", data: "SeasonData", args: argparse.Namespace) -> list[Part]:
    """The answer and what may make it wrong, then the levels side by side; sentences in full are details."""
    from workbench.log.season_log import said_first
    from workbench.report.words import detectable_sentence, share_sentence
    from workbench.wording import count_of

    base, (units, failures) = choice.shares[choice.reference], choice.counts
    others = [level for level in choice.levels if level != choice.reference]
    aside = [f"{count_of(choice.unrecorded, 'unit')} without a value left out."] if choice.unrecorded else []
    aside += [f"Too few units to compare: {', '.join(choice.left_out)}."] if choice.left_out else []
    unknown = [s for s in choice.shares.values() if s.failures == 0 or s.may_have]
    seen = [share_sentence(s, data.mission_text, data.confidence) for s in unknown]
    first = [choice.overall(data.mission_text), *(_headline(choice, data, level) for level in others[:MOST_HEADLINES])]
    return [
        Part(sentences=[[(sentence, "warning")] for sentence in data.last_good_said]),
        Part(sentences=[*said_first(data.log), *first, [(_where(choice, data, args), "warning")]]),
        Part(grid=_grid(choice, data)),
        Part(sentences=[*seen, *aside, detectable_sentence(failures, base.units / units)]),
        Part(title="In full", sentences=_in_full(choice, data, others), is_detail=True),
        Part(title="Inside each place", sentences=_inside(choice, data, args.within), is_detail=True),
        Part(title="Notes", sentences=[*choice.shown_notes, _tested(choice), RAW_ANSWER], is_detail=True),
    ]


def _tested(choice: "ChoiceComparison") -> str:
    return f"How the levels were tested: {choice.test.method}."


def _headline(choice: "ChoiceComparison", data: "SeasonData", level: str) -> Words:
    """One level against the reference, in points of the share lasting the mission."""
    from workbench.report.words import association_words, difference_sentence

    share, base = choice.shares[level], choice.shares[choice.reference]
    estimate, lower, upper = choice.differences[level]
    if share.may_have or base.may_have or not (math.isfinite(lower) and math.isfinite(upper)):
        return difference_sentence(
            share, base, choice.differences[level], mission=data.mission_text, confidence=data.confidence
        )
    limits = f"({signed_points(lower)} to {signed_points(upper)})"
    told = "faint" if lower <= 0 <= upper else "good"
    head = f"{share.name[:1].upper()}{share.name[1:]} over {base.name}: {points_text(estimate)} {limits} lasting "
    return [f"{head}{data.mission_text}; ", (association_words(lower, upper), told), "."]


def _where(choice: "ChoiceComparison", data: "SeasonData", args: argparse.Namespace) -> str:
    """Whether the levels stood in different places, and the command that holds places equal."""
    import pandas as pd

    from workbench.report.basis import place_gap
    from workbench.report.words import shown_name

    pointer = f"'workbench rank {args.log}' holds places equal and may give another answer."
    covariates = choice.lives.covariates
    column = args.within or next((name for name in ("environment", "site") if name in covariates), None)
    if column is None or column == choice.column:
        return f"Places are not held equal here. {pointer}"
    units = pd.Series(choice.lives.weight).groupby(
        [covariates[choice.column].astype(str), covariates[column].astype(str)]
    )
    counts = units.sum()
    gaps = {level: place_gap(counts[level], counts[choice.reference]) for level in choice.levels[1:]}
    widest = max(filter(None, gaps.values()), key=lambda gap: abs(gap.ours - gap.theirs), default=None)
    if widest is None:
        return f"The levels stood in much the same places; {pointer}"
    level = next(level for level, gap in gaps.items() if gap == widest)
    return (
        f"The levels stood in different places: {percent_text(widest.ours)} of the units with "
        f"{choice.shares[level].name} in {shown_name(widest.place)}, against {percent_text(widest.theirs)} of those "
        f"with {choice.shares[choice.reference].name}. {pointer}"
    )


def _grid(choice: "ChoiceComparison", data: "SeasonData") -> Grid:
    means = choice.means.table.set_index("group")
    rows = []
    for level, share in choice.shares.items():
        mean, low, high = (float(means.loc[level, c]) for c in ("restricted_mean", "lower", "upper"))
        is_open = bool(share.may_have)
        lasted = _range(share.share, share.lower, share.upper, scale=100, sign=" %", is_open=is_open)
        days = _range(mean, low, high, scale=1, is_open=is_open)
        name = f"{share.name} (reference)" if level == choice.reference else share.name
        rows.append((name, f"{share.units:,}", f"{share.failures:,}", lasted, days))
    return Grid(
        headings=("level", "units", "failed", f"lasted {data.mission_text}", "mean days worked"),
        rows=rows,
        right=(1, 2, 3, 4),
    )


def _in_full(choice: "ChoiceComparison", data: "SeasonData", others: "Sequence[str]") -> list[str]:
    from workbench.report.words import days_sentence, difference_sentence

    mission, base = data.mission_text, choice.shares[choice.reference]
    lines = []
    for level in others:
        share = choice.shares[level]
        lines += [
            difference_sentence(share, base, choice.differences[level], mission=mission, confidence=data.confidence),
            days_sentence(share, base, choice.days[level], horizon=mission, confidence=data.confidence),
        ]
    return lines


def _inside(choice: "ChoiceComparison", data: "SeasonData", within: str | None) -> list[str]:
    from workbench.report.words import inside_sentence, shown_name

    if choice.within is None:
        return []
    base, place = choice.shares[choice.reference], shown_name(within or "environment")
    return [
        choice.overall(data.mission_text, inside=True),
        *(
            inside_sentence(choice.shares[level], base, inside, within=place, confidence=data.confidence)
            for level, inside in choice.inside.items()
        ),
    ]


def _range(value: float, lower: float, upper: float, *, scale: float, sign: str = "", is_open: bool = False) -> str:
    """A value with its limits; with only its limits where failures may lie on either side of the mission."""
    if not math.isfinite(value):
        return NOT_KNOWN
    shown = "?" if is_open else f"{scale * value:.0f}"
    return f"{shown} ({scale * lower:.0f} to {scale * upper:.0f}){sign}"
