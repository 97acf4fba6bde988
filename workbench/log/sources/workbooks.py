"""Workbooks: the sheets of an xlsx file as true values with their cells; formulas, merged and hidden cells are said."""

import datetime as dt
import io
import re
import warnings
import zipfile
import zlib
from collections import Counter
from pathlib import Path
from typing import Any

from workbench.errors import LogError
from workbench.log.cells import Cell, Flaw, RawSheet, column_letters

__all__ = ["MOST_EXPANDED_BYTES", "check_archive", "read_workbook"]

MOST_EXPANDED_BYTES = 100_000_000
"""A workbook that expands beyond this is refused: a log of a season takes a few million bytes."""

_MOST_FOLD, _FREE_BYTES = 50, 20_000_000
"""How many times its size a workbook may expand, once it is larger than a log; real sheets expand 5 to 25 times."""

UNREADABLE = (
    *(KeyError, ValueError, TypeError, AttributeError, IndexError, EOFError, OSError, SyntaxError, RuntimeError),
    *(zipfile.BadZipFile, zlib.error),
)
"""What the workbook libraries raise on damaged files."""

_MOST_SPANNED = 300_000
"""Cells that merged ranges and links of a workbook may cover: opening it makes an object of each, 70,000 a second."""

_SPANNING = re.compile(rb"""<(?:\w+:)?(?:mergeCell|hyperlink)\s[^>]*?\bref\s*=\s*["']([^"':]+):([^"']+)["']""")
_CORNER = re.compile(rb"\$?([A-Za-z]{1,3})\$?(\d{1,7})\Z")
_ZEROS = re.compile(r"0{2,}\Z")
_MOST_LISTED = 5


def check_archive(data: bytes, name: str) -> None:
    """Refuse what is no workbook archive, or expands too far."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            expanded = sum(info.file_size for info in archive.infolist())
    except UNREADABLE:
        raise LogError(f"{name} is damaged and cannot be opened as a workbook; save it again or use a copy") from None
    if expanded > MOST_EXPANDED_BYTES:
        raise LogError(
            f"{name} expands to {expanded / 1e6:,.0f} MB, over the limit of {MOST_EXPANDED_BYTES / 1e6:.0f} MB; "
            "save the log's sheet alone, or as .csv"
        )
    if expanded > max(_FREE_BYTES, _MOST_FOLD * len(data)):
        raise LogError(
            f"{name} expands to {expanded / 1e6:,.0f} MB, {expanded // len(data)} times its size, which no log does; "
            "delete empty rows and columns past the log, or save it as .csv"
        )


def read_workbook(path: Path, data: bytes) -> list[RawSheet]:
    """Read every sheet of an xlsx workbook."""
    check_archive(data, path.name)
    _refuse_wide_spans(data, path.name)
    book = _load(data, path.name, values=False)
    has_formula = any(cell.data_type == "f" for sheet in book.worksheets for cell in sheet._cells.values())
    stored = _load(data, path.name, values=True) if has_formula else book
    notes = []
    if book.epoch.year == 1904:
        notes.append(f"{path.name}: the workbook counts dates from 1904; true date cells are read accordingly.")
    sheets = [_raw_sheet(path.name, sheet, stored[sheet.title], notes=tuple(notes)) for sheet in book.worksheets]
    return [sheet for sheet in sheets if sheet.rows]


def _refuse_wide_spans(data: bytes, name: str) -> None:
    """Refuse a workbook whose merged ranges or links cover so many cells that opening it would take minutes."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            found = [_SPANNING.findall(archive.read(part)) for part in archive.namelist()]
    except UNREADABLE:
        raise LogError(f"{name} is damaged and cannot be opened as a workbook; save it again or use a copy") from None
    for spans in found:
        corners = [(_CORNER.match(one), _CORNER.match(two)) for one, two in spans]
        areas = {f"{one[0].decode()}:{two[0].decode()}": _area(one, two) for one, two in corners if one and two}
        if sum(areas.values()) > _MOST_SPANNED:
            widest = max(areas, key=lambda span: areas[span])
            raise LogError(
                f"{name}: merged cells or links such as {widest} cover {sum(areas.values()):,} cells, more than the "
                f"{_MOST_SPANNED:,} that a log can need; unmerge what lies past the log, save it and retry"
            )


def _area(one: re.Match[bytes], two: re.Match[bytes]) -> int:
    high = abs(int(one[2]) - int(two[2])) + 1
    return high * (abs(_column_number(one[1]) - _column_number(two[1])) + 1)


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = 26 * number + letter - 64
    return number


def _load(data: bytes, name: str, *, values: bool) -> Any:
    from openpyxl import load_workbook

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the library warns of styling that it leaves out, which nothing here needs
            return load_workbook(io.BytesIO(data), data_only=values, keep_links=False)
    except UNREADABLE as error:
        said = " ".join(str(error).split())[:80]
        raise LogError(
            f"{name} cannot be read as a workbook ({said}); open it, save it again as .xlsx and retry"
        ) from None


def _raw_sheet(source: str, sheet: Any, stored: Any, *, notes: tuple[str, ...]) -> RawSheet:
    # the cells that exist, not the sheet's extent: one stray format in the last row would make a million rows
    cells: dict[tuple[int, int], Cell] = {}
    if min((row for row, _ in sheet._cells), default=1) < 1:
        raise LogError(f"{source} is damaged (a row has a number below 1); save it again or use a copy")
    for (row, column), cell in sheet._cells.items():
        value = _value(cell, stored)
        if value is not None:
            cells[row, column] = value
    said = [*notes, *_spread_merged(source, sheet, cells)]
    if sheet.sheet_state != "visible":
        said.append(f"{source}: sheet {sheet.title!r} is hidden and was read.")
    by_row: dict[int, dict[int, Cell]] = {}
    for (row, column), value in cells.items():
        by_row.setdefault(row, {})[column] = value
    rows = tuple(
        (row, tuple(by_row[row].get(column) for column in range(1, max(by_row[row]) + 1))) for row in sorted(by_row)
    )
    hidden = frozenset(number for number, row in sheet.row_dimensions.items() if row.hidden and number in by_row)
    return RawSheet(
        source=source,
        sheet=sheet.title,
        rows=rows,
        kind="workbook",
        hidden=hidden,
        notes=tuple(said),
        comments={
            (row, column - 1): " ".join(str(cell.comment.text).split())
            for (row, column), cell in sheet._cells.items()
            if cell.comment is not None
        },
        fills=_fills(sheet, by_row),
    )


def _fills(sheet: Any, rows: dict[int, dict[int, Cell]]) -> dict[int, str]:
    """The colour of a row that most of its cells with content carry."""
    fills = {}
    for number, cells in rows.items():
        colours = Counter(_colour(sheet._cells[number, column]) for column in cells if (number, column) in sheet._cells)
        colour, count = colours.most_common(1)[0] if colours else ("", 0)
        if colour and 2 * count > len(cells):
            fills[number] = colour
    return fills


def _colour(cell: Any) -> str:
    fill = cell.fill
    if fill is None or fill.fill_type != "solid":
        return ""
    shade = fill.fgColor
    return f"{shade.type} {getattr(shade, str(shade.type), '')} {shade.tint}"


def _value(cell: Any, stored: Any) -> Cell:
    value = cell.value
    if cell.data_type == "f":
        text = str(getattr(value, "text", value))
        value = stored[cell.coordinate].value
        if value is None:
            return Flaw(
                text,
                "is a formula without a stored value",
                "open the workbook in a spreadsheet program and save it, or type the value",
            )
        if stored[cell.coordinate].data_type == "e":
            return _error_value(str(value))
    elif cell.data_type == "e":
        return _error_value(str(value))
    if isinstance(value, dt.time | dt.timedelta):
        return str(value)
    if isinstance(value, int) and not isinstance(value, bool) and value >= 0 and _ZEROS.match(cell.number_format or ""):
        return str(value).zfill(len(cell.number_format))
    if value is None or isinstance(value, str | bool | int | float | dt.date):
        return value
    return str(value)


def _error_value(text: str) -> Flaw:
    return Flaw(text, f"holds the error value {text}", "mend the formula or type the value")


def _spread_merged(source: str, sheet: Any, cells: dict[tuple[int, int], Cell]) -> list[str]:
    """Give every cell of a merged range the value of its first cell; say which."""
    spread = []
    last_row, last_column = (max((place[way] for place in cells), default=0) for way in (0, 1))
    for area in sheet.merged_cells.ranges:
        value = cells.get((area.min_row, area.min_col))
        if value is None:
            continue
        for row in range(area.min_row, min(area.max_row, last_row) + 1):
            for column in range(area.min_col, min(area.max_col, last_column) + 1):
                cells[row, column] = value
        spread.append((area.min_row, f"{column_letters(area.min_col - 1)}{area.min_row}:{area.coord.split(':')[-1]}"))
    if not spread:
        return []
    names = [name for _, name in sorted(spread)]
    listed = ", ".join(names[:_MOST_LISTED]) + (
        f" and {len(names) - _MOST_LISTED} more" if len(names) > _MOST_LISTED else ""
    )
    return [f"{source}, sheet {sheet.title!r}: merged cells {listed}; the value holds for every cell they cover."]
