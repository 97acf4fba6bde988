"""Which files does a command read, and which may it therefore never replace?"""

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from workbench.filing import Permit

__all__ = ["add_replace", "permit_of"]

_READ = ("log", "settings", "evidence", "previous", "records", "entries")


def add_replace(parser: argparse.ArgumentParser) -> None:
    """Add the option that lets a command replace files which it did not write."""
    parser.add_argument(
        "--replace",
        action="store_true",
        help="replace a file that this workbench did not write; never one that is read",
    )


def permit_of(args: argparse.Namespace) -> "Permit":
    """Return what this run may replace: everything that it reads is barred, by path and by what the path leads to."""
    from workbench.filing import Permit, files_read

    named = [value for value in (getattr(args, name, None) for name in _READ) if value]
    return Permit(inputs=files_read(*named), replace=bool(getattr(args, "replace", False)))
