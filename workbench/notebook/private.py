"""Private files: written whole or not at all, and readable by their owner alone unless they had other permissions."""

import os
import stat
from contextlib import suppress
from pathlib import Path

from workbench.errors import UsageError

__all__ = ["PRIVATE_FOLDER", "PRIVATE_UMASK", "write_private"]

_PRIVATE_FILE = 0o600
PRIVATE_FOLDER = 0o700
PRIVATE_UMASK = 0o077
"""What is made in a season folder is its owner's alone: logs name people and places."""


def write_private(path: Path, data: bytes) -> None:
    """Write a file aside and move it into place, so that an interruption leaves the earlier one whole."""
    aside = path.with_name(f".{path.name}.part")
    try:
        mode = stat.S_IMODE(path.stat().st_mode) if path.exists() else _PRIVATE_FILE
        aside.unlink(missing_ok=True)
        with os.fdopen(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _PRIVATE_FILE), "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        with suppress(PermissionError):  # a disk may know no permissions
            aside.chmod(mode)
        aside.replace(path)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written ({error.strerror or error}); what was there before is unchanged"
        ) from None
    finally:
        with suppress(OSError):  # a disk that refuses this too must not hide why
            aside.unlink(missing_ok=True)
