"""notebooks: run a season folder's notebooks, verify them against accepted outputs, or accept the present ones."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from workbench.printing import json_text, say, say_aside, visible

HELP = "run the notebooks of a season folder, verify them against accepted outputs, or accept the present ones"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("folder", metavar="DIR", help="season folder")
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument("--verify", action="store_true", help="run again and compare; changes nothing")
    choice.add_argument(
        "--accept", action="store_true", help="show what changed, then make the present outputs the accepted ones"
    )
    parser.add_argument(
        "--trust",
        action="store_true",
        help="run notebooks that came from elsewhere: programs, whose code you have read",
    )


def run(args: argparse.Namespace) -> int:
    """Run, verify or accept; 1 when something failed or differs."""
    folder = Path(args.folder)
    if args.verify:
        from workbench.notebook import verify_notebooks

        verdicts = verify_notebooks(folder, say=_progress, trust=args.trust)
        return _report([(v.name, v.same, v.sentences) for v in verdicts], as_json=args.json)
    if args.accept:
        from workbench.notebook import accept_notebooks

        accepted = accept_notebooks(folder)
        _report(
            [(v.name, True, v.sentences if not v.same else (f"{v.name}: accepted.",)) for v in accepted],
            as_json=args.json,
        )
        return 0
    from workbench.notebook import run_notebooks

    runs = run_notebooks(folder, say=_progress, trust=args.trust)
    lines = [
        (r.name, not r.problem, (f"{r.name}: {r.problem or f'{r.checks} checks held'} ({r.seconds:.0f} s)",))
        for r in runs
    ]
    return _report(lines, as_json=args.json)


def _progress(text: str) -> None:
    say_aside(visible(text))


def _report(lines: Sequence[tuple[str, bool, Sequence[str]]], *, as_json: bool) -> int:
    if as_json:
        say(json_text([{"notebook": n, "as_accepted": same, "sentences": list(s)} for n, same, s in lines]))
    else:
        for _, _, sentences in lines:
            say("\n".join(visible(sentence) for sentence in sentences))
    return 0 if all(same for _, same, _ in lines) else 1
