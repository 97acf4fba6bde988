"""Output: several files that appear together or not at all; an interruption leaves what was there before."""

import os
import shutil
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from workbench.errors import UsageError, WorkbenchError

__all__ = ["check_output", "write_together"]

_ASIDE = ".review-"
_LEFT_BEHIND = 3600.0


def check_output(out: Any) -> Path:
    """Return the output folder when something can be written there; nothing is left behind by asking."""
    folder = Path(out)
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file; give a folder to write the review to")
    try:
        there = next(place for place in (folder, *folder.absolute().parents) if place.exists())
        with tempfile.TemporaryFile(dir=there):
            pass
    except OSError as error:
        raise UsageError(f"cannot write to {folder}: {error.strerror or error}; choose another folder") from None
    return folder


def write_together(folder: Path, contents: Mapping[str, bytes]) -> dict[str, Path]:
    """Write all files aside, then move them into place; what was there comes back if a move fails."""
    aside = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _sweep(folder)
        aside = Path(tempfile.mkdtemp(prefix=_ASIDE, dir=folder))
        for name, data in contents.items():
            with open(aside / name, "wb") as target:
                target.write(data)
                target.flush()
                os.fsync(target.fileno())
        _move_into_place(aside, folder, list(contents))
    except OSError as error:
        reason = error.strerror or str(error)
        raise WorkbenchError(
            f"the review could not be written to {folder}: {reason}; what was there before is unchanged"
        ) from None
    finally:
        if aside is not None:
            shutil.rmtree(aside, ignore_errors=True)
    return {name: folder / name for name in contents}


def _sweep(folder: Path) -> None:
    """Remove what a review left behind that was killed; one that may still be running is let alone."""
    for left in folder.glob(f"{_ASIDE}*"):
        if time.time() - left.stat().st_mtime > _LEFT_BEHIND:
            shutil.rmtree(left, ignore_errors=True)


def _move_into_place(aside: Path, folder: Path, names: list[str]) -> None:
    kept = aside / "before"
    kept.mkdir()
    moved: list[str] = []
    done = False
    try:
        for name in names:
            moved.append(name)
            if (folder / name).exists():
                os.replace(folder / name, kept / name)
            os.replace(aside / name, folder / name)
        done = True
    finally:  # also after an interruption from the keyboard
        for name in [] if done else moved:
            if (kept / name).exists():
                os.replace(kept / name, folder / name)
            elif not (aside / name).exists():
                (folder / name).unlink(missing_ok=True)
