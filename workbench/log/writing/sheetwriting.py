"""Sheet writing: text that no spreadsheet program runs as a formula, and files written whole or not at all."""

import os
import tempfile
from collections.abc import Iterable
from os import PathLike
from pathlib import Path
from typing import Any

from workbench.errors import UsageError

__all__ = ["check_target", "inert_text", "put", "save_workbook", "write_whole"]

_LONGEST_CELL = 32_767


def inert_text(text: str) -> str:
    """Return a text as a CSV cell that no spreadsheet program runs: an apostrophe before what could be a formula.

    Examples
    --------
    >>> inert_text("=1+1"), inert_text("  @SUM(A1)"), inert_text("IP67")
    ("'=1+1", "'  @SUM(A1)", 'IP67')
    """
    text = text.replace("\x00", "")
    runs = text.lstrip().startswith(("=", "+", "-", "@")) or text.startswith(("\t", "\r", "\n"))
    return f"'{text}" if runs else text


def put(cell: Any, value: Any) -> None:
    """Write a value into a cell; text stays text, whatever it begins with."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    if not isinstance(value, str):
        cell.value = value
        return
    text = ILLEGAL_CHARACTERS_RE.sub("", value)[:_LONGEST_CELL]
    cell.value = text
    if cell.data_type in ("f", "e"):
        cell.data_type = "s"
    if text.startswith(("=", "+", "-", "@")):
        cell.quotePrefix = True


def check_target(target: str | PathLike[str], suffix: str, *, never: Iterable[Path] = (), fresh: bool = False) -> Path:
    """Return the path to write to when it may be written."""
    path = Path(target)
    if path.suffix.lower() != suffix:
        raise UsageError(f"{path} must end in {suffix}")
    if not path.parent.is_dir():
        raise UsageError(f"there is no folder {path.parent}; make it first")
    if path.is_dir():
        raise UsageError(f"{path} is a folder; name a file in it")
    if any(path.exists() and other.exists() and path.samefile(other) for other in never):
        raise UsageError(f"{path} is the log itself, which is never written over; name another file")
    if fresh and path.exists():
        raise UsageError(f"{path} exists already and is not written over; name another file, or move it away")
    return path


def save_workbook(book: Any, path: Path) -> None:
    """Save a workbook whole or not at all."""
    from io import BytesIO

    buffer = BytesIO()
    book.save(buffer)
    write_whole(path, buffer.getvalue())


def write_whole(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    handle, name = None, ""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.stem}-", suffix=path.suffix)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        os.chmod(name, 0o666 & ~_umask())
        os.replace(name, path)
    except OSError as error:
        if name and os.path.exists(name):
            os.unlink(name)
        raise UsageError(
            f"{path} cannot be written ({error.strerror or error}); close it where it is open, or name another place"
        ) from None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
