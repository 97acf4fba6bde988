"""blank: write an empty log, or an empty teardown sheet, to fill in."""

import argparse

from workbench.commands.permits import add_replace, permit_of
from workbench.printing import json_text, say

HELP = "write an empty log with drop-downs to fill in, or with --teardown a blank teardown sheet to print"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("file", metavar="FILE", help="workbook to write (.xlsx, or .html with --teardown)")
    parser.add_argument("--teardown", action="store_true", help="write a blank teardown sheet (.html) instead of a log")
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Write what was asked for."""
    if args.teardown:
        from workbench.teardown.sheets import write_blank_sheet as write_blank_teardown

        written = write_blank_teardown(args.file, permit=permit_of(args))
    else:
        from workbench.log.writing import write_blank

        written = write_blank(args.file, args.settings, permit=permit_of(args))
    if args.json:
        say(json_text({"file": str(written)}))
        return 0
    say(f"{written} written")
    if not args.teardown:
        say("One row per deployment; unit_id, deployed_on, outcome and a date of its end are needed, the rest helps.")
        say(f"Then: workbench check {written}")
    return 0
