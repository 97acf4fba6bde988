"""RawSheet: the cells of one table as they stand in a file, each with its row number, before anything is understood."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

__all__ = ["Cell", "Flaw", "RawSheet", "cell_text", "column_letters", "is_blank", "shown"]


class Flaw(NamedTuple):
    """A cell whose value cannot be known: what stands there, why, and what to do."""

    text: str
    reason: str
    advice: str


Cell = str | bool | int | float | dt.date | dt.datetime | Flaw | None
"""Text as typed, or the true number, date or Boolean of a workbook; None where nothing stands."""


@dataclass(frozen=True, kw_only=True, eq=False)
class RawSheet:
    """One table of one file.

    Attributes
    ----------
    source : str
        Name of the file, for reading.
    file : int
        Number of the file among those read, from 0: two files may have one name.
    sheet : str
        Name of the sheet, "" for files without sheets.
    rows : tuple of (int, tuple of Cell)
        Row number in the file (first line 1; 0 for the column names of a file without a heading line) and its cells.
        Rows without any content may be absent.
    kind : str
        text, workbook or columnar.
    hidden : frozenset of int
        Numbers of hidden rows.
    notes : tuple of str
        What was assumed while reading.
    numbered : bool
        Whether row numbers mean anything to people; those of an engine's result do not.
    comments : mapping of (int, int) to str
        Comment of a cell, by row number and column (from 0).
    fills : mapping of int to str
        Colour of most of the filled cells of a row.
    """

    source: str
    file: int = 0
    sheet: str = ""
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    kind: str
    hidden: frozenset[int] = frozenset()
    notes: tuple[str, ...] = ()
    numbered: bool = True
    comments: Mapping[tuple[int, int], str] = field(default_factory=dict)
    fills: Mapping[int, str] = field(default_factory=dict)

    @property
    def key(self) -> tuple[int, str]:
        """What makes a sheet one sheet: file and sheet."""
        return self.file, self.sheet

    @property
    def place(self) -> str:
        """How people find it: file, and sheet where there is one."""
        return f"{self.source}, sheet {self.sheet!r}" if self.sheet else self.source


def cell_text(cell: Cell) -> str:
    """Return what a cell holds as text.

    Examples
    --------
    >>> cell_text(3.0), cell_text(True), cell_text(dt.datetime(2025, 3, 1, 14, 5)), cell_text(None)
    ('3', 'TRUE', '2025-03-01 14:05:00', '')
    """
    if isinstance(cell, str):
        return cell
    if cell is None:
        return ""
    if isinstance(cell, Flaw):
        return cell.text
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, float):
        return f"{cell:.0f}" if cell.is_integer() and abs(cell) < 1e15 else f"{cell:.15g}"
    if isinstance(cell, dt.datetime) and cell.time() == dt.time():
        return cell.date().isoformat()
    return str(cell)


def is_blank(cell: Cell) -> bool:
    """Whether a cell holds nothing but white space."""
    return cell is None or (isinstance(cell, str) and not cell.strip())


def column_letters(index: int) -> str:
    """Return the letters of a column as spreadsheet programs count them.

    Examples
    --------
    >>> column_letters(0), column_letters(25), column_letters(26), column_letters(702)
    ('A', 'Z', 'AA', 'AAA')
    """
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def shown(text: str, most: int = 60) -> str:
    """Return a text in quotes for a sentence, cut when long, control characters made visible.

    Examples
    --------
    >>> shown("31/02/2026"), shown("x" * 100, 5)
    ("'31/02/2026'", "'xxxxx…'")
    """
    return repr(text if len(text) <= most else text[:most] + "…")
