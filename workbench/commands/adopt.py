"""adopt: write starter settings from a log's own headings, guesses marked as guesses."""

import argparse
import json

HELP = "write starter settings (season.toml) from a log's own headings, guesses marked"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file")
    parser.add_argument("--out", metavar="FILE.toml", help="where to write; season.toml beside the log when not given")


def run(args: argparse.Namespace) -> int:
    """Write the settings; an existing file is never written over."""
    from workbench.log.adoption import default_target, starter_settings
    from workbench.log.writing import check_target, write_whole

    text = starter_settings(args.log)
    target = check_target(args.out or default_target(args.log), ".toml", fresh=True)
    write_whole(target, text.encode("utf-8"))
    guesses = text.count("# guess:")
    if args.json:
        print(json.dumps({"file": str(target), "guesses": guesses}))
    else:
        print(
            f"{target} written with {guesses} guesses to confirm; then: workbench check {args.log} --settings {target}"
        )
    return 0
