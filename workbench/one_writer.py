"""One writer: how do two runs that write to one folder keep from mixing their files?

The folder itself is locked while files move into place, so nothing lies about that a killed run could leave locked.
"""

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from workbench.errors import UsageError
from workbench.printing import visible

__all__ = ["writing_alone"]

PATIENCE = 30.0
"""Seconds to wait for another run; files move into place in far less."""

_PAUSE = 0.02


@contextmanager
def writing_alone(folder: Path) -> Iterator[None]:
    """Wait until no other run writes to a folder, and keep others waiting meanwhile; not where no lock can be had."""
    handle = _handle_of(folder)
    try:
        if handle is not None:
            _wait_for(handle, folder)
        yield
    finally:
        if handle is not None:
            os.close(handle)


def _handle_of(folder: Path) -> int | None:
    try:
        return os.open(folder, os.O_RDONLY)
    except OSError:  # Windows opens no folders; a disk may refuse
        return None


def _wait_for(handle: int, folder: Path) -> None:
    try:
        import fcntl
    except ImportError:
        return
    ends = time.monotonic() + PATIENCE
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return
        except BlockingIOError:
            if time.monotonic() > ends:
                raise UsageError(
                    f"another run has been writing to {visible(folder)} for {PATIENCE:.0f} seconds; nothing was "
                    "written there: wait until it has ended, or name another folder"
                ) from None
            time.sleep(_PAUSE)
        except OSError:  # a disk without locks
            return
