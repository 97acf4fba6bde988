"""review: a season's log into a review that can be shown: deck, slides, summary, findings and lists of rows."""

import argparse
from typing import TYPE_CHECKING

from workbench.commands.counting import add_step, columns_to_keep, counted
from workbench.commands.permits import add_replace
from workbench.printing import Grid, Part, json_text, progress, say, say_aside, show_answer

if TYPE_CHECKING:
    from workbench.report.making import Review

FILES = {
    "html": "the talk with its appendix, for any browser",
    "summary": "one page to hand out",
    "pptx": "the talk as slides to edit",
    "findings": "every claim with its figures, for programs",
    "set_aside": "rows that were not used, and why",
    "ledger": "the life made of each row",
}

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

    with progress("reading the log") as tell:
        written = review(
            counted(args, columns_to_keep()) or args.log,
            args.out,
            settings=args.settings,
            mission=args.mission,
            seed=args.seed,
            previous=args.previous,
            locations=args.locations,
            replace_others=args.replace,
            progress=tell,
        )
    for sentence in written.withheld:
        say_aside(f"withheld: {sentence}", "warning")
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
        show_answer(_blocks(written), everything=args.everything)
    return 1 if args.strict and (written.withheld or written.rows_set_aside) else 0


def _blocks(written: "Review") -> list[Part]:
    """What the talk says, headline by headline, and where it is written."""
    said = [f"{number:2d}  {headline}" for number, headline in enumerate(written.headlines, start=1)]
    rows = [(str(getattr(written, name)), what) for name, what in FILES.items()]
    every = [f"{claim.id}: {claim.statement}" for claim in written.claims]
    return [
        Part(sentences=[*written.said_first, *said]),
        Part(grid=Grid(headings=("written", "what it is"), rows=rows)),
        Part(title="All findings", sentences=every, is_detail=True),
    ]
