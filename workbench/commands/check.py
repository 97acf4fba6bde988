"""check: read a log and name every problem with its cell, its reason and what to do."""

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from workbench.commands.counting import add_step, counted
from workbench.commands.permits import add_replace, permit_of
from workbench.printing import Part, Words, json_text, progress, say, say_aside, show_answer
from workbench.wording import count_of

if TYPE_CHECKING:
    from workbench.fleet import Fleet
    from workbench.log.season_log import Log

HELP = "check a log: every bad cell at once, with reason and remedy"

SCOPES = {"row": "Rows set aside", "value": "Single values not used (their rows are used)"}
MOST_KINDS = 5
"""Kinds of problems of which one is shown without --all."""
_LONGEST_VALUE = 60


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder")
    parser.add_argument(
        "--marked",
        metavar="FILE.xlsx",
        help="write a copy of the log with bad cells filled and commented; of a counted log the rows set aside, to "
        "FILE.csv or FILE.parquet",
    )
    add_step(parser)
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Print what was found; 1 when no row can be used, or rows were set aside and --strict was given."""
    from workbench.filing import check_target
    from workbench.log.season_log import read_log

    log: Log | Fleet
    if args.marked:
        check_target(args.marked, (".xlsx", ".csv", ".parquet"), permit_of(args))
    with progress("reading the log"):
        fleet = counted(args, None, args.marked)
        if fleet:
            log, problems = fleet, _reasons(fleet)
        else:
            log = kept = read_log(args.log, args.settings)
            problems = [problem.as_dict() for problem in kept.all_problems]
            if args.marked:
                from workbench.log.writing import write_marked

                write_marked(args.log, kept, args.marked, permit=permit_of(args))
    if args.marked:
        say_aside(f"{'rows set aside' if fleet else 'marked copy'} written: {args.marked}")
    said, photos = _said_first(log, args.mission), [] if fleet else _missing_photos(args.log, kept)
    if args.json:
        counts = {"file": args.log, "rows": log.rows, "used": log.used, "set_aside": log.rows_set_aside}
        coloured = [line for _, line in getattr(log, "unsaid_ends", ())]
        told = [*said, *log.notes, *log.translations, *log.marks, *coloured, *photos]
        say(json_text({**counts, "problems": problems, "notes": told}))
    else:
        blocks = _blocks(args, log, problems, photos=photos)
        show_answer([Part(sentences=[[(line, "warning")] for line in said]), *blocks], everything=args.everything)
    return 1 if log.used == 0 or (args.strict and log.rows_set_aside) else 0


def _said_first(log: "Log | Fleet", mission: float | None) -> tuple[str, ...]:
    """What stands before the answer; estimates take a second to load, so only where there is a doubt."""
    import numpy as np

    from workbench.log.season_log import unsaid_gaps

    if not log.used or not np.isfinite(unsaid_gaps(log)).any():
        return ()
    from workbench.report.basis import said_of_last_good

    return said_of_last_good(log, mission)


def _missing_photos(path: str, log: "Log") -> list[str]:
    """Photographs that the log names and that do not lie beside it."""
    named = log.columns_of("photo")
    if not named:
        return []
    from workbench.filing import home_of
    from workbench.teardown.sheets import missing_photos

    return missing_photos(log.records[["unit_id", *named]].to_dict("records"), home_of(path))


def _reasons(fleet: "Fleet") -> list[dict[str, Any]]:
    """Problems of a counted log: one entry a reason, with one row as example."""
    tables = {"row": fleet.set_aside, "value": fleet.problems}
    return [{**line, "scope": scope} for scope, table in tables.items() for line in table.to_dict("records")]


def _blocks(
    args: argparse.Namespace, log: "Log | Fleet", problems: list[dict[str, Any]], *, photos: list[str]
) -> list[Part]:
    """The count of rows, then one problem of each kind; every problem, and what was understood, are details."""
    counts = f"{args.log}: {log.rows} rows read = {log.used} used + {log.rows_set_aside} set aside"
    parts: list[tuple[str, list[dict[str, Any]]]] = [
        (title, [problem for problem in problems if problem["scope"] == scope]) for scope, title in SCOPES.items()
    ]
    counted_rows = bool(problems) and "rows" in problems[0]
    marked = "every row set aside" if counted_rows else "a copy of the log with every bad cell filled and commented"
    target = "FILE.csv or FILE.parquet" if counted_rows else "FILE.xlsx"
    hint = [f"For {marked}: add --marked {target}"] if problems and not args.marked else []
    coloured = [said for _, said in getattr(log, "unsaid_ends", ())]
    blocks: list[Part] = [Part(sentences=[counts, *([] if problems else [[("No problem was found.", "good")]])])]
    for title, found in parts:
        kinds = _kinds(found)
        few = kinds[:MOST_KINDS]
        every = args.everything or counted_rows
        lines = [line for kind in ([[p] for p in found] if every else few) for line in _problem_lines(kind)]
        left = sum(len(kind) for kind in kinds[MOST_KINDS:])
        more = [[(f"and {left} more with --all", "faint")]] if left and not every else []
        blocks.append(Part(title=title, sentences=[*lines, *more]))
    return [
        *blocks,
        Part(title="Rows whose colour says more than their cells", sentences=_few(coloured)),
        Part(title="Photographs not found", sentences=photos),
        Part(sentences=hint),
        Part(title="Words understood", sentences=log.translations, is_detail=True),
        Part(title="Comments and colours", sentences=[*log.marks, *coloured[MOST_KINDS:]], is_detail=True),
        Part(title="Notes", sentences=log.notes, is_detail=True),
    ]


def _few(lines: Sequence[str]) -> list[Words]:
    """The first of several lines, and how many more there are."""
    more: list[Words] = [[(f"and {len(lines) - MOST_KINDS} more with --all", "faint")]]
    return [*lines[:MOST_KINDS], *(more if len(lines) > MOST_KINDS else [])]


def _kinds(problems: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Problems by kind: the same column and the same thing to do; one list per kind, the first problem first."""
    kinds: dict[tuple[Any, Any], list[dict[str, Any]]] = {}
    for problem in problems:
        kinds.setdefault((problem.get("field"), problem["advice"]), []).append(problem)
    return list(kinds.values())


def _problem_lines(kind: list[dict[str, Any]]) -> list[Words]:
    """The first problem of a kind with what to do, and how many more there are."""
    problem = kind[0]
    value = problem["value"]
    value = value if len(value) <= _LONGEST_VALUE else value[:_LONGEST_VALUE] + "…"
    shown = f" [{' '.join(value.split())}]" if value.strip() else ""
    to_do: Words = [("  to do: ", "faint"), problem["advice"]]
    if "rows" in problem:
        unit = f"unit {problem['unit_id']}{shown}: " if problem["unit_id"] else ""
        also = f" (and {problem['also']} more that have a problem before it)" if problem["also"] else ""
        count = f"{count_of(problem['rows'], 'time' if problem['scope'] == 'value' else 'row')}{also}"
        return [f"{count}: {problem['reason']}", f"  such as {unit}{problem['example']}", to_do]
    sheet = f", sheet {problem['sheet']!r}" if problem["sheet"] else ""
    column = f", column {problem['column']!r}" if problem["column"] else ""
    place = problem["cell"] or f"row {problem['row']}{column}"
    more = [[(f"  and {len(kind) - 1} more like it with --all", "faint")]] if len(kind) > 1 else []
    return [f"{problem['source']}{sheet}, {place}{shown}: {problem['reason']}", to_do, *more]
