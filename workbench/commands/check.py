"""check: read a log and name every problem with its cell, its reason and what to do."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.commands.counting import add_step, counted
from workbench.commands.permits import add_replace, permit_of
from workbench.printing import json_text, say, say_aside
from workbench.wording import count_of

if TYPE_CHECKING:
    from workbench.fleet import Fleet
    from workbench.log.season_log import Log

HELP = "check a log: every problem at once, each with its cell, its reason and what to do"

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
    from workbench.report.basis import said_of_last_good

    log: Log | Fleet
    if args.marked:
        check_target(args.marked, (".xlsx", ".csv", ".parquet"), permit_of(args))
    fleet = counted(args, lambda roles: [], args.marked)
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
    said, photos = said_of_last_good(log, args.mission), [] if fleet else _missing_photos(args.log, kept)
    if args.json:
        counts = {"file": args.log, "rows": log.rows, "used": log.used, "set_aside": log.rows_set_aside}
        told = [*said, *log.notes, *log.translations, *log.marks, *photos]
        say(json_text({**counts, "problems": problems, "notes": told}))
    else:
        lines = _lines(args.log, log, problems, marked=bool(args.marked))
        lines += ["", "Photographs not found:", *(f"  {line}" for line in photos)] if photos else []
        say("\n".join([*said, *([""] if said else []), *lines]))
    return 1 if log.used == 0 or (args.strict and log.rows_set_aside) else 0


def _missing_photos(path: str, log: "Log") -> list[str]:
    """Photographs that the log names and that do not lie beside it."""
    from workbench.teardown.sheets import missing_photos

    place = Path(path)
    return missing_photos(log.records.to_dict("records"), place if place.is_dir() else place.parent)


def _reasons(fleet: "Fleet") -> list[dict[str, Any]]:
    """Problems of a counted log: one entry a reason, with one row as example."""
    tables = {"row": fleet.set_aside, "value": fleet.problems}
    return [{**line, "scope": scope} for scope, table in tables.items() for line in table.to_dict("records")]


def _lines(path: str, log: "Log | Fleet", problems: list[dict[str, Any]], *, marked: bool) -> list[str]:
    lines = [f"{path}: {log.rows} rows read = {log.used} used + {log.rows_set_aside} set aside"]
    for scope, title in (("row", "Rows set aside"), ("value", "Single values not used (their rows are used)")):
        found = [problem for problem in problems if problem["scope"] == scope]
        if found:
            lines += ["", f"{title}:", *(line for problem in found for line in _problem_lines(problem))]
    for title, sentences in (("Words understood", log.translations), ("Comments and colours", log.marks)):
        if sentences:
            lines += ["", f"{title}:", *(f"  {sentence}" for sentence in sentences)]
    if log.notes:
        lines += ["", "Notes:", *(f"  {note}" for note in log.notes)]
    if not problems:
        lines += ["", "No problem was found."]
    elif not marked and "rows" in problems[0]:
        lines += ["", "For a file of all rows set aside: add --marked FILE.csv or FILE.parquet"]
    elif not marked:
        lines += ["", "For a copy with every bad cell filled and commented: add --marked FILE.xlsx"]
    return lines


def _problem_lines(problem: dict[str, Any]) -> list[str]:
    value = problem["value"]
    value = value if len(value) <= _LONGEST_VALUE else value[:_LONGEST_VALUE] + "…"
    shown = f" [{' '.join(value.split())}]" if value.strip() else ""
    to_do = f"      to do: {problem['advice']}"
    if "rows" in problem:
        unit = f"unit {problem['unit_id']}{shown}: " if problem["unit_id"] else ""
        also = f" (and {problem['also']} more that have a problem before it)" if problem["also"] else ""
        count = f"  {count_of(problem['rows'], 'time' if problem['scope'] == 'value' else 'row')}{also}"
        return [f"{count}: {problem['reason']}", f"      such as {unit}{problem['example']}", to_do]
    sheet = f", sheet {problem['sheet']!r}" if problem["sheet"] else ""
    column = f", column {problem['column']!r}" if problem["column"] else ""
    place = problem["cell"] or f"row {problem['row']}{column}"
    return [f"  {problem['source']}{sheet}, {place}{shown}: {problem['reason']}", to_do]
