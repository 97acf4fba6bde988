"""adopt: write starter settings from a log's own headings, guesses marked as guesses."""

import argparse

from workbench.commands.permits import add_replace, permit_of
from workbench.printing import json_text, say

HELP = "write starter settings (season.toml) from a log's own headings, guesses marked"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file")
    parser.add_argument("--out", metavar="FILE.toml", help="where to write; season.toml beside the log when not given")
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Write the settings; an existing file is never written over."""
    from workbench.filing import check_target, write_file
    from workbench.log.adoption import default_target, starter_settings

    permit = permit_of(args)
    text = starter_settings(args.log)
    target = check_target(args.out or default_target(args.log), (".toml",), permit)
    write_file(target, text.encode("utf-8"), permit)
    guesses = text.count("# guess:")
    if args.json:
        say(json_text({"file": str(target), "guesses": guesses}))
    else:
        say(f"{target} written with {guesses} guesses to confirm; then: workbench check {args.log} --settings {target}")
    return 0
