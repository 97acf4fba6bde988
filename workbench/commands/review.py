"""review: a season's log into a review that can be shown: deck, slides, summary, findings and lists of rows."""

import argparse
import time

from workbench.commands.counting import add_step, columns_to_keep, counted
from workbench.commands.permits import add_replace
from workbench.printing import json_text, say, say_aside

HELP = "write the review of a season: HTML deck, slides, one-page summary, findings and lists of rows"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder")
    parser.add_argument("--out", metavar="DIR", required=True, help="folder to write to; made when missing")
    parser.add_argument("--previous", metavar="P", help="last season's log, or the findings.json of its review")
    add_step(parser)
    parser.add_argument(
        "--locations", action="store_true", help="let positions, notes and photographs appear in the outputs"
    )
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Write the review; 1 when --strict was given and rows were set aside or findings withheld."""
    from workbench.report.making import review

    started = time.monotonic()

    def progress(step: str) -> None:
        seconds = time.monotonic() - started
        if seconds > 1:
            say_aside(f"{seconds:4.0f} s  {step}")

    written = review(
        counted(args, columns_to_keep()) or args.log,
        args.out,
        settings=args.settings,
        mission=args.mission,
        seed=args.seed,
        previous=args.previous,
        locations=args.locations,
        replace_others=args.replace,
        progress=progress,
    )
    for sentence in written.withheld:
        say_aside(f"withheld: {sentence}")
    files = [written.html, written.summary, written.pptx, written.findings, written.set_aside, written.ledger]
    if args.json:
        say(
            json_text(
                {
                    "notes": list(written.said_first),
                    "files": [str(path) for path in files],
                    "findings": len(written.claims),
                    "withheld": list(written.withheld),
                    "set_aside": written.rows_set_aside,
                }
            )
        )
    else:
        say("\n".join([*written.said_first, *(str(path) for path in files)]))
    return 1 if args.strict and (written.withheld or written.rows_set_aside) else 0
