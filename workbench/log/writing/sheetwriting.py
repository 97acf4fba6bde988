"""How is text written into a sheet so that no spreadsheet program runs it as a formula?"""

import tempfile
from io import BytesIO
from pathlib import Path
from typing import Any

from workbench.errors import UsageError
from workbench.filing import Permit, write_file
from workbench.printing import visible

__all__ = ["inert_text", "put", "save_workbook"]

_LONGEST_CELL = 32_767
_ROOM, _CELL = 1 << 20, 64
"""Bytes that a sheet takes while it is written: to begin with, and more than each cell."""


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


def save_workbook(book: Any, path: Path, permit: Permit) -> None:
    """Save a workbook whole or not at all."""
    from lxml.etree import SerialisationError

    buffer = BytesIO()
    try:
        largest = max(sheet.max_row * sheet.max_column for sheet in book.worksheets)
        # the library writes each sheet there, and leaves half of one when it cannot
        with tempfile.TemporaryFile() as probe:
            probe.write(bytes(_ROOM + _CELL * largest))
        book.save(buffer)
    except (OSError, SerialisationError) as error:
        raise UsageError(
            f"{visible(path)} cannot be made ({getattr(error, 'strerror', None) or error}): the folder for temporary "
            "files is full, or files may not be that large; make room and retry"
        ) from None
    write_file(path, buffer.getvalue(), permit)
