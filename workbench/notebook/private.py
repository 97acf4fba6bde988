"""What is made in a season folder is its owner's alone: logs name people and places."""

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from workbench.errors import WorkbenchError
from workbench.filing import Permit, write_file

__all__ = ["PRIVATE_FOLDER", "PRIVATE_UMASK", "recalled", "remember", "write_private"]

PRIVATE_FOLDER = 0o700
PRIVATE_UMASK = 0o077

_OWN = Permit(replace=True, private=True, listed=False)


def write_private(path: Path, data: bytes) -> None:
    """Write a file whole or not at all, readable by its owner alone unless it had other permissions."""
    write_file(path, data, _OWN)


def remember(path: Path, state: Mapping[str, Any]) -> None:
    """Keep how a panel was left; where nothing may be written, nothing is kept."""
    with suppress(OSError, WorkbenchError):
        write_private(path, json.dumps(dict(state)).encode())


def recalled(path: Path) -> dict[str, Any]:
    """Return how a panel was left; nothing where that is not known or cannot be read."""
    with suppress(OSError, ValueError):
        known = json.loads(path.read_text(encoding="utf-8"))
        return known if isinstance(known, dict) else {}
    return {}
