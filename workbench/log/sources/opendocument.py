"""OpenDocument sheets: the tables of an ods file as true values, read from its content with a hardened XML parser."""

import datetime as dt
import io
import zipfile
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from workbench.errors import LogError
from workbench.log.cells import Cell, Flaw, RawSheet
from workbench.log.sources.workbooks import UNREADABLE, check_archive

__all__ = ["read_opendocument"]

_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"
_STYLE = "{urn:oasis:names:tc:opendocument:xmlns:style:1.0}"
_COLOUR = "{urn:oasis:names:tc:opendocument:xmlns:xsl-fo-compatible:1.0}background-color"
_ERROR_TYPE = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}value-type"

_MOST_REPEATED = 20_000
"""Rows or cells with content that one element may stand for; beyond it the file is refused."""

_MOST_COLUMNS = 16_384
"""Cells of a row, as many as spreadsheet programs know; beyond it the file is refused."""


def read_opendocument(path: Path, data: bytes) -> list[RawSheet]:
    """Read every table of an OpenDocument spreadsheet.

    References
    ----------
    Cell attributes: OASIS Open Document Format 1.3, part 3, sections 9 and 19.
    """
    from defusedxml import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    check_archive(data, path.name)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            root = fromstring(archive.read("content.xml"))
        colours = _colours_of(root)
        sheets = [_raw_sheet(path.name, table, colours) for table in root.iter(f"{_TABLE}table")]
    except LogError:
        raise
    except (*UNREADABLE, DefusedXmlException):
        raise LogError(
            f"{path.name} cannot be read as an OpenDocument spreadsheet (damaged, or protected by a password); "
            "save it again without a password"
        ) from None
    return [sheet for sheet in sheets if sheet.rows]


def _colours_of(root: Any) -> dict[str, str]:
    """The background colour of each style of cells that has one."""
    found = {}
    for style in root.iter(f"{_STYLE}style"):
        properties = style.find(f"{_STYLE}table-cell-properties")
        colour = "transparent" if properties is None else properties.get(_COLOUR, "transparent")
        if colour != "transparent":
            found[style.get(f"{_STYLE}name", "")] = colour
    return found


def _marks_of(row: Any, colours: Mapping[str, str]) -> tuple[dict[int, str], str]:
    """The comment of each cell of a row by its column, and the colour that most cells with content carry, or ""."""
    comments: dict[int, str] = {}
    seen: list[str] = []
    column = 0
    for element in row:
        if element.tag not in (f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell"):
            continue
        note = element.find(f"{_OFFICE}annotation")
        if note is not None:
            comments[column] = " ".join(" ".join(_paragraph(p) for p in note.findall(f"{_TEXT}p")).split())
        repeat = _number(element, "columns-repeated")
        if _value(element) is not None:
            seen += [colours.get(element.get(f"{_TABLE}style-name", ""), "")] * min(repeat, _MOST_REPEATED)
        column += repeat
    colour, number = Counter(seen).most_common(1)[0] if seen else ("", 0)
    return comments, colour if 2 * number > len(seen) else ""


def _raw_sheet(source: str, table: Any, colours: Mapping[str, str]) -> RawSheet:
    name = table.get(f"{_TABLE}name", "")
    comments: dict[tuple[int, int], str] = {}
    fills: dict[int, str] = {}
    rows: list[tuple[int, tuple[Cell, ...]]] = []
    hidden: set[int] = set()
    covering: dict[int, tuple[int, Cell]] = {}  # column: rows that the merged cell above still covers, its value
    merged = 0
    number = 0
    for element in _row_elements(table):
        cells, spans = _cells_of(element, covering, f"{source}, sheet {name!r}")
        merged += len(spans)
        repeat = _number(element, "rows-repeated")
        covering = {c: (left - 1, value) for c, (left, value) in (covering | spans).items() if left > 1}
        if not any(cell is not None for cell in cells):
            number += repeat
            continue
        _refuse_many(repeat, f"{source}, sheet {name!r}")
        said, colour = _marks_of(element, colours)
        comments |= {(number + 1, column): text for column, text in said.items() if text}
        for _ in range(repeat):
            number += 1
            rows.append((number, tuple(cells)))
            if colour:
                fills[number] = colour
            if element.get(f"{_TABLE}visibility", "visible") != "visible":
                hidden.add(number)
    notes = []
    if merged:
        notes.append(f"{source}, sheet {name!r}: merged cells; the value holds for every cell they cover.")
    return RawSheet(
        source=source,
        sheet=name,
        rows=tuple(rows),
        kind="workbook",
        hidden=frozenset(hidden),
        notes=tuple(notes),
        comments=comments,
        fills=fills,
    )


def _row_elements(element: Any) -> Iterator[Any]:
    for child in element:
        if child.tag == f"{_TABLE}table-row":
            yield child
        elif child.tag in (f"{_TABLE}table-header-rows", f"{_TABLE}table-row-group", f"{_TABLE}table-rows"):
            yield from _row_elements(child)


def _cells_of(
    row: Any, covering: dict[int, tuple[int, Cell]], place: str
) -> tuple[list[Cell], dict[int, tuple[int, Cell]]]:
    """Return the cells of a row, and for cells that span rows: column to (rows covered, value)."""
    cells: list[Cell] = []
    spans: dict[int, tuple[int, Cell]] = {}
    across: tuple[int, Cell] = (0, None)
    for element in row:
        repeat = _number(element, "columns-repeated")
        if len(cells) > _MOST_COLUMNS and any(cell is not None for cell in (cells[-1], _value(element))):
            raise LogError(f"{place}: a row has content past column {_MOST_COLUMNS:,}; delete what lies past the log")
        if element.tag == f"{_TABLE}covered-table-cell":
            for _ in range(min(repeat, _MOST_REPEATED)):
                column = len(cells)
                left, value = across
                across = (left - 1, value)
                cells.append(value if left > 0 else covering.get(column, (0, None))[1])
            continue
        if element.tag != f"{_TABLE}table-cell":
            continue
        value = _value(element)
        if value is not None:
            _refuse_many(repeat, place)
        wide, high = _number(element, "columns-spanned"), _number(element, "rows-spanned")
        across = (wide - 1, value)
        if high > 1 or wide > 1:
            spans |= {len(cells) + i: (high, value) for i in range(min(wide, _MOST_REPEATED))}
        cells += [value] * (min(repeat, _MOST_REPEATED) if len(cells) <= _MOST_COLUMNS else 1)
    while cells and cells[-1] is None:
        cells.pop()
    return cells, spans


def _number(element: Any, what: str) -> int:
    """How often an element stands, or how far it spans; anything but a number from 1 on is damage."""
    number = int(element.get(f"{_TABLE}number-{what}", 1))
    if number < 1:
        raise ValueError(f"{what} is {number}")
    return number


def _refuse_many(repeat: int, place: str) -> None:
    if repeat > _MOST_REPEATED:
        raise LogError(
            f"{place}: one entry is repeated {repeat:,} times; delete the filled rows or columns past the log"
        )


def _value(element: Any) -> Cell:
    text = "\n".join(_paragraph(p) for p in element.findall(f"{_TEXT}p"))
    if element.get(_ERROR_TYPE) == "error":
        return Flaw(text, f"holds the error value {text}", "mend the formula or type the value")
    try:
        return _true_value(element, text)
    except (TypeError, ValueError):
        return Flaw(text, "holds a value that does not fit its kind", "type the value again")


def _true_value(element: Any, text: str) -> Cell:
    kind = element.get(f"{_OFFICE}value-type")
    if kind in ("float", "percentage", "currency"):
        number = float(element.get(f"{_OFFICE}value"))
        zeros = text.isdigit() and text.startswith("0") and len(text) > 1 and float(text) == number
        return text if zeros else int(number) if number.is_integer() else number
    if kind == "date":
        stamp = dt.datetime.fromisoformat(element.get(f"{_OFFICE}date-value"))
        return stamp if stamp.time() != dt.time() else stamp.date()
    if kind == "boolean":
        return bool(element.get(f"{_OFFICE}boolean-value") == "true")
    formula = element.get(f"{_TABLE}formula")
    if formula and not text:
        advice = "open the file in a spreadsheet program and save it, or type the value"
        return Flaw(formula, "is a formula without a stored value", advice)
    return text or None


def _paragraph(element: Any) -> str:
    parts = [element.text or ""]
    for child in element:
        if child.tag == f"{_TEXT}s":
            parts.append(" " * min(int(child.get(f"{_TEXT}c", 1)), 1000))
        elif child.tag == f"{_TEXT}tab":
            parts.append("\t")
        elif child.tag == f"{_TEXT}line-break":
            parts.append("\n")
        elif not child.tag.startswith(_OFFICE):  # an annotation is no content of the cell
            parts.append(_paragraph(child))
        parts.append(child.tail or "")
    return "".join(parts)
