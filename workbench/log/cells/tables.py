"""Table: a sheet whose headings are understood, and the address of every cell in it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from typing import Any

from workbench.log.cells.sheets import Cell, RawSheet, column_letters

__all__ = ["Address", "Table", "turned"]


_BLOCK = 1000
"""Rows that are turned into columns at a time, so that they stay in the processor's cache."""


def turned(rows: Iterable[Sequence[Any]], wide: int) -> list[list[Any]]:
    """Return rows of so many cells as columns.

    Examples
    --------
    >>> turned([(1, "a"), (2, "b"), (3, "c")], 2)
    [[1, 2, 3], ['a', 'b', 'c']]
    """
    columns: list[list[Any]] = [[] for _ in range(wide)]
    left = iter(rows)
    while block := tuple(islice(left, _BLOCK)):
        for column, part in zip(columns, zip(*block, strict=True), strict=True):
            column.extend(part)
    return columns


@dataclass(frozen=True, kw_only=True)
class Address:
    """Where a value stands: file, sheet, row, heading as in the file, cell name in workbooks."""

    source: str
    sheet: str
    row: int
    column: str = ""
    cell: str = ""
    file: int = 0

    @property
    def row_key(self) -> tuple[int, str, int]:
        """What makes a row one row: file, sheet and number."""
        return self.file, self.sheet, self.row

    @property
    def short(self) -> str:
        """Cell name, or row and heading; row 0 is one whose number is not known."""
        row = f"row {self.row}" if self.row else ""
        column = f"column {self.column!r}" if self.column else ""
        return self.cell or ", ".join(part for part in (row, column) if part) or "another row"

    @property
    def full(self) -> str:
        """As short, with file and sheet before it."""
        return f"{self.source}, {f'sheet {self.sheet!r}, ' if self.sheet else ''}{self.short}"


@dataclass(frozen=True, kw_only=True, eq=False)
class Table:
    """One table whose headings are understood.

    Attributes
    ----------
    raw : RawSheet
        Where it comes from.
    header_row : int
        Row number of the headings.
    headings : tuple of str
        As in the file, one a column.
    fields : tuple of str
        Name of each column, "" where it is not used.
    ignored : frozenset of int
        Numbers (from 0) of columns that the settings ask to leave alone.
    rows : tuple of (int, tuple of Cell)
        The rows below the headings with any content.
    notes : tuple of str
        What was assumed.
    """

    raw: RawSheet
    header_row: int
    headings: tuple[str, ...]
    fields: tuple[str, ...]
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    ignored: frozenset[int] = frozenset()
    notes: tuple[str, ...] = ()

    @cached_property
    def places(self) -> Mapping[str, int]:
        """Return the column number of each field."""
        return {name: index for index, name in enumerate(self.fields) if name}

    @cached_property
    def unused(self) -> tuple[tuple[int, str], ...]:
        """Return the columns with a heading that is not understood, a heading given twice once."""
        found: dict[str, int] = {}
        for index, (heading, field) in enumerate(zip(self.headings, self.fields, strict=True)):
            if heading and not field and index not in self.ignored:
                found.setdefault(heading, index)
        return tuple((index, heading) for heading, index in found.items())

    def columns(self) -> list[list[Cell]]:
        """Return the cells below each heading, None where a row is too short."""
        wide = len(self.headings)
        rows = (row if len(row) == wide else (*row[:wide], *[None] * (wide - len(row))) for _, row in self.rows)
        return turned(rows, wide)

    def address(self, row: int, field: str = "") -> Address:
        """Return where a field of a row stands."""
        index = self.places.get(field)
        if index is None:
            return self._address(row)
        return self.address_at(row, index)

    def address_at(self, row: int, index: int) -> Address:
        """Return where the cell of a row and column number stands."""
        heading = self.headings[index] if index < len(self.headings) else ""
        name = f"{column_letters(index)}{row}" if self.raw.kind == "workbook" else ""
        return self._address(row, heading, name)

    def _address(self, row: int, column: str = "", cell: str = "") -> Address:
        raw = self.raw
        number = row if raw.numbered else 0
        return Address(source=raw.source, sheet=raw.sheet, row=number, column=column, cell=cell, file=raw.file)
