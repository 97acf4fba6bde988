"""settings: every key of season.toml with its meaning, default and an example."""

import argparse
from dataclasses import asdict
from textwrap import shorten

from workbench.printing import Grid, Part, json_text, say, show_answer

HELP = "print every key of season.toml with its meaning, default and an example"
COMMON_OPTIONS = False

_WIDTH = 54
"""Characters of a meaning that fit on one line beside the longest key."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("key", metavar="KEY", nargs="?", help="one key, such as mission_days")
    parser.add_argument(
        "--all", action="store_true", dest="everything", help="print every key with default and example"
    )
    parser.add_argument("--json", action="store_true", help="machine-readable result on stdout, nothing else")


def run(args: argparse.Namespace) -> int:
    """Print the keys with their meaning, or the reference of one, or of all."""
    from workbench.checks import check_columns
    from workbench.log.dictionary import setting_keys, settings_reference

    keys = setting_keys()
    if args.key:
        check_columns(args.key, [key.key for key in keys], "settings key")
        keys = tuple(key for key in keys if key.key == args.key)
    if args.json:
        say(json_text([asdict(key) for key in keys]))
    elif args.everything or args.key:
        say(settings_reference(keys).rstrip("\n"))
    else:
        rows = [(key.key, shorten(key.meaning, _WIDTH, placeholder=" …")) for key in keys]
        first = "Settings stand in season.toml beside the log; every key may be left out."
        more = "Default and example: workbench settings KEY, or --all for every key."
        show_answer(
            [Part(sentences=[first, more]), Part(grid=Grid(headings=("key", "meaning"), rows=rows))], everything=True
        )
    return 0
