"""Marked copy: the log again as a workbook, bad cells filled and commented, with a sheet that lists every problem."""

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from workbench.errors import UsageError
from workbench.filing import Permit, check_target
from workbench.log.cells import Cell, Flaw, Table
from workbench.log.dictionary import log_vocabulary, word_key
from workbench.log.rules import PROBLEM_COLUMNS, Problem
from workbench.log.season_log import Log, read_tables
from workbench.log.sources import find_files
from workbench.log.writing.sheetwriting import put, save_workbook

__all__ = ["SET_ASIDE_SHEET", "write_marked"]

SET_ASIDE_SHEET = "Set aside"
_ROW_COLOUR = "F4B6B0"
_VALUE_COLOUR = "FFE7A3"
_MOST_ROWS, _MOST_COLUMNS = 1_048_576, 16_384
_BARRED = re.compile(r"[\[\]:*?/\\]")

Marks = dict[tuple[int, int], list[tuple[str, str]]]
"""Row and column (from 1): scope and comment of each problem there."""


def write_marked(path: Any, log: Log, target: str | Path, *, permit: Permit | None = None) -> Path:
    """Write a copy of the log in which every bad cell is filled and says what is wrong and what to do."""
    files, _ = find_files(path)
    given = permit or Permit()
    given = replace(given, inputs=(*given.inputs, *files))
    goal = check_target(target, (".xlsx",), given)
    chosen, _ = read_tables(path, log_vocabulary(log.settings), log.settings)
    tables = [*chosen.logs, *chosen.visits]
    if len(files) == 1 and files[0].suffix.lower() == ".xlsx":
        book = _copy_of(files[0])
        sheets = {table.raw.sheet: table for table in tables}
        pairs = [(book[name], table, 0) for name, table in sheets.items()]
    else:
        book, pairs = _rebuilt(tables)
    for sheet, table, shift in pairs:
        _mark(sheet, _marks(table, log.all_problems, shift))
    _list_problems(book, log.all_problems)
    save_workbook(book, goal, given)
    return goal


def _copy_of(path: Path) -> Any:
    import warnings

    from openpyxl import load_workbook

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # as when reading: styling that is left out is not needed
        return load_workbook(path)


def _rebuilt(tables: Sequence[Table]) -> tuple[Any, list[tuple[Any, Table, int]]]:
    """Make a workbook of the tables, each row under its own number (one lower where the file has no heading line)."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    pairs = []
    for table in tables:
        _refuse_too_large(table)
        plain = _BARRED.sub(" ", f"{table.raw.source} {table.raw.sheet}".strip())[:31]
        sheet = book.create_sheet(plain)  # a name given twice gets a number from the library
        shift = 1 if table.raw.kind == "columnar" else 0
        for number, row in table.raw.rows:
            for index, cell in enumerate(row, start=1):
                put(sheet.cell(number + shift, index), _plain(cell))
        pairs.append((sheet, table, shift))
    return book, pairs


def _refuse_too_large(table: Table) -> None:
    rows, columns = table.raw.rows[-1][0], max(len(row) for _, row in table.raw.rows)
    if columns > _MOST_COLUMNS or rows >= _MOST_ROWS:
        raise UsageError(
            f"{table.raw.place} has {rows:,} rows and {columns:,} columns, more than a workbook holds "
            f"({_MOST_ROWS:,} and {_MOST_COLUMNS:,}); without --marked, check lists every problem"
        )


def _plain(cell: Cell) -> Any:
    return cell.text if isinstance(cell, Flaw) else cell


def _marks(table: Table, problems: Sequence[Problem], shift: int) -> Marks:
    place = table.raw.key
    marks: Marks = defaultdict(list)
    for problem in problems:
        text = f"{problem.reason}. To do: {problem.advice}."
        if (problem.file, problem.sheet) == place:
            index = _index(table, problem.field, problem.column)
            marks[problem.row + shift, index + 1].append((problem.scope, text))
        for other in problem.others:
            if (other.file, other.sheet) == place and other.column:
                index = _index(table, "", other.column)
                marks[other.row + shift, index + 1].append(
                    (problem.scope, f"See {problem.cell or problem.row}: {text}")
                )
    return marks


def _index(table: Table, field: str, column: str) -> int:
    if field in table.places:
        return table.places[field]
    if column in table.headings:
        return table.headings.index(column)
    return table.places.get("unit_id", 0)


def _mark(sheet: Any, marks: Marks) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import PatternFill

    for (row, column), said in marks.items():
        cell = _writable(sheet, row, column)
        colour = _ROW_COLOUR if any(scope == "row" for scope, _ in said) else _VALUE_COLOUR
        cell.fill = PatternFill("solid", start_color=colour, end_color=colour)
        texts = [cell.comment.text] if cell.comment else []
        comment = Comment("\n".join(dict.fromkeys([*texts, *(text for _, text in said)])), "check")
        comment.width, comment.height = 360, 60 + 40 * len(said)
        cell.comment = comment


def _writable(sheet: Any, row: int, column: int) -> Any:
    """The cell itself, or the first cell of the merged range that covers it."""
    for area in sheet.merged_cells.ranges:
        if area.min_row <= row <= area.max_row and area.min_col <= column <= area.max_col:
            return sheet.cell(area.min_row, area.min_col)
    return sheet.cell(row, column)


def _list_problems(book: Any, problems: Sequence[Problem]) -> None:
    from openpyxl.styles import Font

    for name in [n for n in book.sheetnames if word_key(n) == word_key(SET_ASIDE_SHEET)]:
        book.remove(book[name])
    sheet = book.create_sheet(SET_ASIDE_SHEET)
    for index, name in enumerate(PROBLEM_COLUMNS, start=1):
        put(sheet.cell(1, index), name)
        sheet.cell(1, index).font = Font(bold=True)
    for number, problem in enumerate(problems, start=2):
        for index, value in enumerate(problem.as_dict().values(), start=1):
            put(sheet.cell(number, index), value)
    sheet.freeze_panes = "A2"
    for letter, width in zip("ABCDEFGHIJ", (24, 12, 6, 18, 18, 8, 18, 60, 60, 8), strict=True):
        sheet.column_dimensions[letter].width = width
