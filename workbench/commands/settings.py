"""settings: every key of season.toml with its meaning, default and an example."""

import argparse
from dataclasses import asdict

from workbench.printing import json_text, say

HELP = "print every key of season.toml with its meaning, default and an example"
COMMON_OPTIONS = False


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("--json", action="store_true", help="machine-readable result on stdout, nothing else")


def run(args: argparse.Namespace) -> int:
    """Print the reference."""
    from workbench.log.dictionary import setting_keys, settings_reference

    say(json_text([asdict(key) for key in setting_keys()]) if args.json else settings_reference().rstrip("\n"))
    return 0
