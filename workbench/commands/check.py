"""check: read a log and name every problem with its cell, its reason and what to do."""

import argparse
import json
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from workbench.log.problems import Problem
    from workbench.log.record import Log

HELP = "check a log: every problem at once, each with its cell, its reason and what to do"

_LONGEST_VALUE = 60


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder")
    parser.add_argument(
        "--marked", metavar="FILE.xlsx", help="write a copy of the log with bad cells filled and commented"
    )


def run(args: argparse.Namespace) -> int:
    """Print what was found; 1 when no row can be used, or rows were set aside and --strict was given."""
    from workbench.log.reading import read_log

    log = read_log(args.log, args.settings)
    if args.marked:
        from workbench.log.marked import write_marked

        print(f"marked copy written: {write_marked(args.log, log, args.marked)}", file=sys.stderr)
    if args.json:
        print(json.dumps(_as_json(args.log, log), ensure_ascii=False, indent=2))
    else:
        print("\n".join(_lines(args.log, log, marked=bool(args.marked))))
    return 1 if log.used == 0 or (args.strict and log.rows_set_aside) else 0


def _as_json(path: str, log: "Log") -> dict[str, object]:
    return {
        "file": path,
        "rows": log.rows,
        "used": log.used,
        "set_aside": log.rows_set_aside,
        "problems": [problem.as_dict() for problem in log.all_problems],
        "notes": list(log.notes),
    }


def _lines(path: str, log: "Log", *, marked: bool) -> list[str]:
    lines = [f"{path}: {log.rows} rows read = {log.used} used + {log.rows_set_aside} set aside"]
    for scope, title in (("row", "Rows set aside"), ("value", "Single values not used (their rows are used)")):
        found = [problem for problem in log.all_problems if problem.scope == scope]
        if found:
            lines += ["", f"{title}:", *(line for problem in found for line in _problem_lines(problem))]
    if log.notes:
        lines += ["", "Notes:", *(f"  {note}" for note in log.notes)]
    if not log.all_problems:
        lines += ["", "No problem was found."]
    elif not marked:
        lines += ["", "For a copy with every bad cell filled and commented: add --marked FILE.xlsx"]
    return lines


def _problem_lines(problem: "Problem") -> list[str]:
    sheet = f", sheet {problem.sheet!r}" if problem.sheet else ""
    place = problem.cell or f"row {problem.row}" + (f", column {problem.column!r}" if problem.column else "")
    value = problem.value if len(problem.value) <= _LONGEST_VALUE else problem.value[:_LONGEST_VALUE] + "…"
    shown = f" [{' '.join(value.split())}]" if value.strip() else ""
    return [f"  {problem.source}{sheet}, {place}{shown}: {problem.reason}", f"      to do: {problem.advice}"]
