"""How is text written into a sheet so that no spreadsheet program runs it as a formula?"""

from io import BytesIO
from pathlib import Path
from typing import Any

from workbench.filing import Permit, write_file

__all__ = ["inert_text", "put", "save_workbook"]

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


def save_workbook(book: Any, path: Path, permit: Permit) -> None:
    """Save a workbook whole or not at all."""
    buffer = BytesIO()
    book.save(buffer)
    write_file(path, buffer.getvalue(), permit)
