"""settings: every key of season.toml with its meaning, default and an example."""

import argparse
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict
from textwrap import shorten
from typing import TYPE_CHECKING

from workbench.printing import Grid, Part, json_text, say, show_answer

if TYPE_CHECKING:
    from workbench.log.dictionary import SettingKey

HELP = "print every key of season.toml: meaning, default, example"
COMMON_OPTIONS = False

_WIDTH = 54
"""Characters of a meaning that fit on one line beside the longest key."""
_MANY = 5
"""A table of more keys than this is one row of the short list."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("key", metavar="KEY", nargs="?", help="one key or table, such as mission_days or plan")
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
        tables = [key.key.partition(".")[0] for key in keys if "." in key.key]
        check_columns(args.key, [*(key.key for key in keys), *dict.fromkeys(tables)], "settings key")
        keys = tuple(key for key in keys if key.key == args.key or key.key.startswith(f"{args.key}."))
    if args.json:
        say(json_text([asdict(key) for key in keys]))
    elif args.everything or args.key:
        say(settings_reference(keys).rstrip("\n"))
    else:
        rows = [(name, shorten(meaning, _WIDTH, placeholder=" …")) for name, meaning in _rows(keys)]
        first = "Settings stand in season.toml beside the log; every key may be left out."
        more = "Default and example: workbench settings KEY, or --all for every key."
        show_answer(
            [Part(sentences=[first, more]), Part(grid=Grid(headings=("key", "meaning"), rows=rows))], everything=True
        )
    return 0


def _rows(keys: "Sequence[SettingKey]") -> list[tuple[str, str]]:
    """Keys with their meaning; a table of many keys is one row that names them."""
    of_table = Counter(key.key.partition(".")[0] for key in keys if "." in key.key)
    rows: dict[str, str] = {}
    for key in keys:
        table, _, name = key.key.partition(".")
        if of_table[table] > _MANY:
            rows[f"{table}.…"] = f"{rows[f'{table}.…']}, {name}" if f"{table}.…" in rows else name
        else:
            rows[key.key] = key.meaning
    return list(rows.items())
