"""What is made in a season folder is its owner's alone: logs name people and places."""

from pathlib import Path

from workbench.filing import Permit, write_file

__all__ = ["PRIVATE_FOLDER", "PRIVATE_UMASK", "write_private"]

PRIVATE_FOLDER = 0o700
PRIVATE_UMASK = 0o077

_OWN = Permit(replace=True, private=True, listed=False)


def write_private(path: Path, data: bytes) -> None:
    """Write a file whole or not at all, readable by its owner alone unless it had other permissions."""
    write_file(path, data, _OWN)
