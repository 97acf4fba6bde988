"""Theirs: the tables of a foreign log with their headings and cells, before anything is understood."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.errors import LogError
from workbench.log.cells import Cell, RawSheet, cell_text, is_blank
from workbench.log.dictionary import Vocabulary, fit_of
from workbench.log.rules import tidy
from workbench.log.sources import find_files, read_file

__all__ = ["TheirTable", "their_tables"]

_ROWS_SEARCHED = 40
_LONGEST_CELL = 500


@dataclass(frozen=True, kw_only=True, eq=False)
class TheirTable:
    """One table: the cells below each heading, row by row, and the names of all sheets of its file."""

    path: Path
    sheet: str
    sheets: tuple[str, ...]
    cells: Mapping[str, tuple[Cell, ...]]


def their_tables(path: Any, vocabulary: Vocabulary) -> list[TheirTable]:
    """Read the best sheet of every file that a path stands for."""
    files, is_folder = find_files(path)
    tables = []
    for file in files:
        sheets, _ = read_file(file, lambda sheet: _fit(sheet, vocabulary)[0])
        best = max(sheets, key=lambda sheet: _fit(sheet, vocabulary)[0])
        if not best.rows and not is_folder:
            raise LogError(f"{best.place} has no cell with any content; give a log with a line of headings")
        if best.rows:
            names = tuple(sheet.sheet for sheet in sheets)
            tables.append(
                TheirTable(path=file, sheet=best.sheet, sheets=names, cells=_cells(best, _fit(best, vocabulary)[1]))
            )
    return tables


def _fit(sheet: RawSheet, vocabulary: Vocabulary) -> tuple[int, int]:
    """Known headings of the best row; where none is known, the fullest of the first rows is taken for the headings."""
    known, place = fit_of(sheet, vocabulary)
    if known > 1:
        return 100 * known, place
    filled = [sum(not is_blank(cell) for cell in row) for _, row in sheet.rows[:_ROWS_SEARCHED]]
    return max(filled, default=0), filled.index(max(filled)) if filled else 0


def _cells(sheet: RawSheet, place: int) -> dict[str, tuple[Cell, ...]]:
    headings = {tidy(cell_text(cell)): index for index, cell in enumerate(sheet.rows[place][1]) if not is_blank(cell)}
    below = [cells for _, cells in sheet.rows[place + 1 :] if not all(is_blank(cell) for cell in cells)]
    return {h: tuple(_start(c[i]) if i < len(c) else None for c in below) for h, i in headings.items() if h}


def _start(cell: Cell) -> Cell:
    """The cell, a text no longer than what could be a word, a number or a date."""
    return cell[:_LONGEST_CELL] if isinstance(cell, str) else cell
