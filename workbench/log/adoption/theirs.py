"""Theirs: the tables of a foreign log with their headings and cells, before anything is understood."""

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.errors import LogError
from workbench.log.cells import Cell, RawSheet, cell_text, is_blank
from workbench.log.dictionary import Vocabulary, fit_of, headings_at, headings_of, word_key
from workbench.log.rules import TOTALS, tidy
from workbench.log.sources import find_files, read_file

__all__ = ["TheirFile", "TheirTable", "their_files"]

_ROWS_SEARCHED = 40
_LONGEST_CELL = 500
_ALIKE = 0.75
_KNOWN = 100
"""What a known heading counts beside a word that could be one."""


@dataclass(frozen=True, kw_only=True, eq=False)
class TheirTable:
    """One table: the cells below each heading, row by row, and the names of the sheets that it was put together of."""

    path: Path
    sheets: tuple[str, ...]
    cells: Mapping[str, tuple[Cell, ...]]


@dataclass(frozen=True, kw_only=True, eq=False)
class TheirFile:
    """One file: its sheets with any content, the best of them, and those with the same headings as that one."""

    path: Path
    sheets: Mapping[str, Mapping[str, tuple[Cell, ...]]]
    best: str
    alike: tuple[str, ...]

    def table(self, chosen: Sequence[str]) -> TheirTable:
        """Return the rows of some sheets one below the other."""
        found = [self.sheets[name] for name in chosen]
        headings = dict.fromkeys(heading for cells in found for heading in cells)
        rows = [max(map(len, cells.values()), default=0) for cells in found]
        joined = {
            heading: tuple(
                cell for cells, n in zip(found, rows, strict=True) for cell in cells.get(heading, (None,) * n)
            )
            for heading in headings
        }
        return TheirTable(path=self.path, sheets=tuple(chosen), cells=joined)


def their_files(path: Any, vocabulary: Vocabulary) -> list[TheirFile]:
    """Read every file that a path stands for."""
    files, is_folder = find_files(path)
    found = []
    for file in files:
        sheets, _ = read_file(file, lambda sheet: _fit(sheet, vocabulary)[0])
        best = max(sheets, key=lambda sheet: _fit(sheet, vocabulary)[0])
        if not best.rows and not is_folder:
            raise LogError(f"{best.place} has no cell with any content; give a log with a line of headings")
        if best.rows:
            cells = {sheet.sheet: _cells(sheet, vocabulary) for sheet in sheets if sheet.rows}
            alike = tuple(name for name, own in cells.items() if _are_alike(set(own), set(cells[best.sheet])))
            found.append(TheirFile(path=file, sheets=cells, best=best.sheet, alike=alike))
    return found


def _are_alike(one: Set[str], other: Set[str]) -> bool:
    """Whether two sheets have nearly the same headings, in whatever order."""
    return len(one & other) >= _ALIKE * len(one | other)


def _fit(sheet: RawSheet, vocabulary: Vocabulary) -> tuple[int, int]:
    """Known headings of the best row; where none is known, the row with most different words is taken for headings."""
    known, place = fit_of(sheet, vocabulary)
    if known > 1:
        return _KNOWN * known, place
    words = [len({text for cell in row if (text := _word(cell))}) for _, row in sheet.rows[:_ROWS_SEARCHED]]
    return max(words, default=0), words.index(max(words)) if words else 0


def _word(cell: Cell) -> str:
    """A cell that can be a heading: a text without a figure, cut short."""
    text = tidy(cell)[:_LONGEST_CELL] if isinstance(cell, str) else ""
    return "" if any(c.isdigit() for c in text) else text


def _cells(sheet: RawSheet, vocabulary: Vocabulary) -> dict[str, tuple[Cell, ...]]:
    headings: dict[str, int] = {}
    score, place = _fit(sheet, vocabulary)
    names = headings_of(sheet, vocabulary) if score >= _KNOWN else headings_at(sheet, place)
    for index, heading in enumerate(names):
        headings.setdefault(tidy(heading), index)
    below = [cells for _, cells in sheet.rows[place + 1 :] if not all(map(is_blank, cells)) and not _is_totals(cells)]
    return {h: tuple(_start(c[i]) if i < len(c) else None for c in below) for h, i in headings.items() if h}


def _is_totals(cells: Sequence[Cell]) -> bool:
    """Whether a row begins with the word for a total, so that its figures are no words of the columns."""
    first = next(tidy(cell_text(cell)) for cell in cells if not is_blank(cell))
    return word_key(first[:_LONGEST_CELL]) in TOTALS


def _start(cell: Cell) -> Cell:
    """The cell, a text no longer than what could be a word, a number or a date."""
    return cell[:_LONGEST_CELL] if isinstance(cell, str) else cell
