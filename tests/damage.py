"""Damaged logs: a seeded mutator spoils a good log as people, programs, disks and attackers do; what must then hold.

`write_damaged(seed, folder)` writes one file; `examine(path)` reads it and asserts what holds for any file: it
is read or refused in one sentence, rows read = used + set aside, and every address named exists in the file.
"""

import csv
import datetime as dt
import functools
import io
import re
import signal
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import openpyxl
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.utils import get_column_letter
from openpyxl.utils.cell import column_index_from_string, coordinate_from_string

from workbench.errors import LogError, UsageError, WorkbenchError
from workbench.log.adopt import starter_settings
from workbench.log.marked import write_marked
from workbench.log.reading import read_log
from workbench.log.record import Log
from workbench.log.settings import read_settings

__all__ = ["ODS_HEAD", "ODS_TAIL", "SECONDS_A_FILE", "TooSlow", "examine", "time_limit", "write_damaged"]

SAMPLE = Path(__file__).parents[1] / "sample_data" / "lantern_moor_2025.csv"
SECONDS_A_FILE = 15
TODAY = dt.date(2026, 1, 31)
SETTINGS: tuple[dict[str, Any] | None, ...] = (
    None,
    {"date_format": "%d/%m/%Y", "decimal": ","},
    {"window": ["2025-03-01", "2025-12-31"], "mission_days": 180},
    {"missing_words": ["", "-", "0"], "roles": {"ignore": ["notes", "cause"]}},
)
FORMATS = ("csv", "csv", "csv", "xlsx", "xlsx", "ods", "parquet", "tsv")

Grid = list[list[Any]]
Chance = np.random.Generator

DEEP_FORMULA = "=" + "IF(" * 3000 + "1" + ",1,0)" * 3000
JUNK: tuple[Any, ...] = (
    "", " ", "-", "?", "NaN", "inf", "-inf", "1e400", "1e-400", "-5", "12,5", "1 000", "50 %", "TRUE", "None", "NULL",
    "31/02/2025", "2025-13-45", "0000-00-00", "10000-01-01", "2025-06-01T25:61:00", "05/09/2025", "45800", "1899-12-31",
    "99999999999999999999", "9" * 5000, "0x1F", "²", "١٢٣", "１２", "½", "IP99", "IP6", "IPX", "IP67K", "C9", "failed?",
    "=1+1", "=cmd|' /C calc'!A0", "@SUM(A1)", '=HYPERLINK("https://bad.example","x")', "#REF!", "#N/A", "+49", "-",
    "<script>alert(1)</script>", "../../etc/passwd", "C:\\Windows\\x", "file:///etc/passwd", "{0}%s$x$", "${HOME}",
    "\u202eesrever", "zero\u200bwidth", "\ufeffmark", "\u2028line", "e\u0301", "😀", "\x07bell", "\x1b[31m", "\x85",
    "\x0b", "total", "Sum", "unit_id", "deployed_on", "EXAMPLE LM-001", "a\nb", 'q"uote', "semi;colon", "tab\there",
    "x" * 40_000, True, False, 0, -1, 10**30, 0.1, -0.0, 1e308, 45_800, 2_958_466, dt.date(2025, 7, 1),
    dt.date(1, 1, 1), dt.datetime(2025, 7, 1, 13, 5), dt.datetime(9999, 12, 31, 23, 59, 59), dt.time(12, 0),
    dt.timedelta(days=400), None, DEEP_FORMULA,
)  # fmt: skip


class TooSlow(BaseException):
    """A file took more processor time than its limit."""


@contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """Raise TooSlow when the block takes more processor time, so that a busy machine does not decide."""

    def stop(*_: Any) -> None:
        raise TooSlow(f"longer than {seconds} s")

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


# --- damage to the table, whatever its file -------------------------------------------------------------------------


def _place(grid: Grid, chance: Chance, *, head: bool = False) -> tuple[int, int]:
    row = int(chance.integers(0 if head else 1, max(len(grid), 2)))
    row = min(row, len(grid) - 1)
    return row, int(chance.integers(max(len(grid[row]), 1)))


def _put(grid: Grid, row: int, column: int, value: Any) -> None:
    if column < len(grid[row]):
        grid[row][column] = value


def swap_cells(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 12))):
        (r, c), (s, d) = _place(grid, chance), _place(grid, chance)
        if c < len(grid[r]) and d < len(grid[s]):
            grid[r][c], grid[s][d] = grid[s][d], grid[r][c]


def wrong_types(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 40))):
        _put(grid, *_place(grid, chance), JUNK[chance.integers(len(JUNK))])


def wrong_columns(grid: Grid, chance: Chance) -> None:
    """One kind of rubbish all the way down a column."""
    _, column = _place(grid, chance)
    value = JUNK[chance.integers(len(JUNK))]
    for row in range(1, len(grid)):
        _put(grid, row, column, value)


def odd_headings(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 4))):
        _put(grid, 0, int(chance.integers(len(grid[0]))), JUNK[chance.integers(len(JUNK))])


def duplicate_column(grid: Grid, chance: Chance) -> None:
    _, column = _place(grid, chance)
    other = "" if chance.random() < 0.5 else " copy"
    for number, row in enumerate(grid):
        if column < len(row):
            row.insert(int(column), f"{row[column]}{other}" if number == 0 else row[column])


def shift_columns(grid: Grid, chance: Chance) -> None:
    """A cell too many or too few, in the headings, in one row or in all rows."""
    way, where = chance.integers(2), chance.integers(3)
    rows = {0: grid[:1], 1: [grid[_place(grid, chance)[0]]], 2: grid[1:]}[int(where)]
    for row in rows:
        place = int(chance.integers(len(row) + 1))
        if way:
            row.insert(place, "")
        elif len(row) > 1:
            del row[min(place, len(row) - 1)]


def merge_headings(grid: Grid, chance: Chance) -> None:
    column = int(chance.integers(max(len(grid[0]) - 1, 1)))
    if chance.random() < 0.5 and column + 1 < len(grid[0]):
        grid[0][column : column + 2] = [f"{grid[0][column]} {grid[0][column + 1]}", ""]
    else:
        words = [str(h).rpartition("_") for h in grid[0]]
        grid[:1] = [[w[0] for w in words], [w[2] for w in words]]


def titles_above(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 45))):
        grid.insert(0, ["Season log", "", "2025"][: chance.integers(1, 4)])


def lose_cells(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 100))):
        _put(grid, *_place(grid, chance, head=True), "")


def lose_columns(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 4))):
        column = int(chance.integers(len(grid[0]) or 1))
        for row in grid:
            if len(row) > 1 and column < len(row):
                del row[column]


def lose_rows(grid: Grid, chance: Chance) -> None:
    del grid[int(chance.integers(len(grid))) :]


def repeat_rows(grid: Grid, chance: Chance) -> None:
    for _ in range(int(chance.integers(1, 6))):
        row = list(grid[_place(grid, chance, head=True)[0]])
        if chance.random() < 0.5 and row:
            row[int(chance.integers(len(row)))] = JUNK[chance.integers(len(JUNK))]
        grid.insert(int(chance.integers(len(grid) + 1)), row)


def huge_cell(grid: Grid, chance: Chance) -> None:
    size = int(chance.choice([33_000, 131_072, 140_000, 600_000]))
    _put(grid, *_place(grid, chance, head=True), str(chance.choice(["x", "9", "=", "\n", "é"])) * size)


def hostile_marks(grid: Grid, chance: Chance) -> None:
    marks = ("\u200b", "\u202e", "\u2066", "\ufeff", "\u00ad", "\x01", "\x7f", "\x9f", "\u0000"[:0], "\ud7ff", "\u2029")
    for _ in range(int(chance.integers(1, 30))):
        row, column = _place(grid, chance, head=True)
        if column < len(grid[row]):
            text, mark = str(grid[row][column] or ""), marks[chance.integers(len(marks))]
            place = int(chance.integers(len(text) + 1))
            grid[row][column] = text[:place] + mark + text[place:]


def wide_rows(grid: Grid, chance: Chance) -> None:
    row, _ = _place(grid, chance)
    grid[row] += ["x"] * int(chance.choice([1, 50, 3000]))


GRID_DAMAGE: tuple[Callable[[Grid, Chance], None], ...] = (
    *(swap_cells, wrong_types, wrong_types, wrong_columns, odd_headings, duplicate_column, shift_columns),
    *(
        merge_headings,
        titles_above,
        lose_cells,
        lose_columns,
        lose_rows,
        repeat_rows,
        huge_cell,
        hostile_marks,
        wide_rows,
    ),
)


# --- damage to the bytes of a text file -----------------------------------------------------------------------------


def truncated(data: bytes, chance: Chance) -> bytes:
    return data[: chance.integers(len(data) + 1)]


def flipped(data: bytes, chance: Chance) -> bytes:
    spoilt = bytearray(data)
    for _ in range(int(chance.integers(1, 30))):
        if spoilt:
            spoilt[chance.integers(len(spoilt))] = chance.integers(256)
    return bytes(spoilt)


def filled(data: bytes, chance: Chance) -> bytes:
    """A block of zeros, as a failing disk leaves it."""
    start = int(chance.integers(len(data) + 1))
    return data[:start] + bytes(min(512, len(data) - start)) + data[start + 512 :]


def other_encoding(data: bytes, chance: Chance) -> bytes:
    encoding = chance.choice(["utf-16", "utf-16-le", "utf-8-sig", "cp1252", "utf-32", "cp437"])
    return data.decode("utf-8", errors="replace").encode(str(encoding), errors="replace")


def other_lines(data: bytes, chance: Chance) -> bytes:
    return data.replace(b"\r\n", [b"\r", b"\n", b"\r\r\n", b"\n\n", b"\x0b", b"\xe2\x80\xa8"][chance.integers(6)])


def stray_quotes(data: bytes, chance: Chance) -> bytes:
    place = int(chance.integers(len(data) + 1))
    return data[:place] + [b'"', b'""', b"'", b'","'][chance.integers(4)] + data[place:]


def twice(data: bytes, chance: Chance) -> bytes:
    return data + data


TEXT_DAMAGE = (truncated, flipped, filled, other_encoding, other_encoding, other_lines, stray_quotes, twice)
ARCHIVE_DAMAGE = (truncated, flipped, filled)


# --- writing each kind of file --------------------------------------------------------------------------------------


@functools.cache
def _sample() -> tuple[tuple[str, ...], ...]:
    with SAMPLE.open(encoding="utf-8", newline="") as lines:
        return tuple(map(tuple, csv.reader(lines)))


def _grid(chance: Chance) -> Grid:
    head, *rows = _sample()
    needed = {"unit_id", "deployed_on", "outcome", "found_on", "last_good_on"}
    share = chance.choice([0.1, 0.5, 1.0])
    kept = [i for i, name in enumerate(head) if name in needed or chance.random() < share]
    start = int(chance.integers(len(rows) - 24))
    return [[row[i] for i in kept] for row in (head, *rows[start : start + int(chance.integers(1, 24))])]


def _as_text(grid: Grid, chance: Chance, delimiter: str) -> bytes:
    target = io.StringIO()
    writer = csv.writer(target, delimiter=delimiter)
    writer.writerows([["" if v is None else str(v) for v in row] for row in grid])
    data = target.getvalue().encode("utf-8", errors="replace")
    if chance.random() < 0.5:
        data = TEXT_DAMAGE[chance.integers(len(TEXT_DAMAGE))](data, chance)
    return data


def _typed(value: Any, chance: Chance) -> Any:
    """Dates and numbers as true ones, as a spreadsheet program keeps them, mostly."""
    if isinstance(value, str) and chance.random() < 0.8:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", value):
            try:
                return dt.date.fromisoformat(value)
            except ValueError:
                return value
        if re.fullmatch(r"-?\d{1,9}(\.\d+)?", value):
            return float(value) if "." in value else int(value)
    return value


def _as_workbook(grid: Grid, chance: Chance) -> bytes:
    book = openpyxl.Workbook()
    if chance.random() < 0.1:
        book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    sheet = book.active
    sheet.title = str(chance.choice(["Log", "Sheet 1", "=1+1", "<b>", "\u202egoL"]))
    for number, row in enumerate(grid, start=1):
        for index, value in enumerate(row[:200], start=1):
            value = _typed(value, chance)
            if isinstance(value, str):
                value = ILLEGAL_CHARACTERS_RE.sub("", value)[:32_767]
            try:
                sheet.cell(number, index).value = value
            except ValueError:
                sheet.cell(number, index).value = str(value)
    wide, high = len(grid[0]) or 1, len(grid)
    if chance.random() < 0.4:
        row, column = int(chance.integers(1, high + 1)), int(chance.integers(1, wide + 1))
        sheet.merge_cells(start_row=row, end_row=row + int(chance.integers(5)), start_column=column,
                          end_column=column + int(chance.integers(4)))  # fmt: skip
    if chance.random() < 0.3:
        for number in chance.integers(1, high + 1, size=3):
            sheet.row_dimensions[int(number)].hidden = True
    if chance.random() < 0.3:
        other = book.create_sheet(
            str(chance.choice(["Log 2", "Visits", "Set aside", "Notes"])), int(chance.integers(2))
        )
        other.append(["unit_id", "visited_on", "state"] if chance.random() < 0.5 else ["free", "words"])
        other.append([ILLEGAL_CHARACTERS_RE.sub("", str(grid[-1][0])) if grid[-1] else "x", "2025-06-01", "working"])
    target = io.BytesIO()
    book.save(target)
    data = target.getvalue()
    if chance.random() < 0.5:
        data = _spoil_archive(data, chance)
    return data


def _parts(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def _pack(parts: dict[str, bytes]) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return target.getvalue()


@functools.cache
def _bomb() -> bytes:
    """A part of 210 MB of blanks, packed: under a megabyte."""
    target = io.BytesIO()
    with (
        zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open("xl/worksheets/sheet1.xml", "w") as part,
    ):
        for _ in range(210):
            part.write(b" " * 1_000_000)
    return target.getvalue()


XML_BEFORE_END = (
    b'<mergeCells count="1"><mergeCell ref="A1:XFD1048576"/></mergeCells>',
    b'<mergeCells count="2"><mergeCell ref="B2:B900000"/><mergeCell ref="A1:C3"/></mergeCells>',
    b'<mergeCells count="1"><mergeCell ref="ZZZZ9:A0"/></mergeCells>',
    b'<hyperlinks><hyperlink ref="A1:XFD1048576" location="x"/></hyperlinks>',
    b'<dataValidations count="1"><dataValidation type="list" sqref="A1:XFD1048576"/></dataValidations>',
)


def _spoil_archive(data: bytes, chance: Chance) -> bytes:
    kind = int(chance.integers(10))
    if kind <= 1:
        return ARCHIVE_DAMAGE[chance.integers(len(ARCHIVE_DAMAGE))](data, chance)
    if kind == 2 and chance.random() < 0.2:
        return _bomb()
    parts = _parts(data)
    sheet = next(n for n in parts if n.endswith(("sheet1.xml", "content.xml")))
    name = sheet if chance.random() < 0.6 else list(parts)[chance.integers(len(parts))]
    if kind == 3:
        del parts[name]
    elif kind == 4:
        parts[sheet] = parts[sheet].replace(
            b"</sheetData>", b"</sheetData>" + XML_BEFORE_END[chance.integers(len(XML_BEFORE_END))]
        )
    elif kind == 5:
        bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + b"".join(
            b'<!ENTITY %c "%s">' % (98 + i, b"&%c;" % (97 + i) * 10) for i in range(9)
        )
        cut = parts[name].find(b"?>") + 2
        parts[name] = parts[name][:cut] + bomb + b"]>" + parts[name][cut:].replace(b"Log", b"&j;", 1)
    elif kind == 6:
        parts[name] = parts[name].replace(b"<", b"<", 1) + b"<a>" * 5000
    elif kind == 7:
        old, new = [
            (b' t="s"', b' t="d"'), (b' t="s"', b' t="b"'), (b' t="n"', b' t="s"'), (b'r="A2"', b'r="A0"'),
            (b'r="B2"', b'r="A1"'), (b'r="3"', b'r="2000000"'), (b'r="4"', b'r="-4"'), (b"<v>", b"<v>9e99"),
            (b' s="', b' s="999'), (b"number-columns-repeated", b"x"), (b'value-type="float"', b'value-type="date"'),
            (b'value-type="string"', b'value-type="float"'),
        ][chance.integers(12)]  # fmt: skip
        parts[name] = parts[name].replace(old, new, int(chance.choice([1, 5, -1])))
    else:
        parts[name] = flipped(parts[name], chance) if kind == 8 else truncated(parts[name], chance)
    return _pack(parts)


ODS_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?><office:document-content '
    'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" office:version="1.3">'
    '<office:body><office:spreadsheet><table:table table:name="Log">'
)
ODS_TAIL = "</table:table></office:spreadsheet></office:body></office:document-content>"
ODS_FILL = '<table:table-cell table:number-columns-repeated="{}"/>'


def _ods_cell(value: Any) -> str:
    if value is None or value == "":
        return "<table:table-cell/>"
    if isinstance(value, bool):
        return f'<table:table-cell office:value-type="boolean" office:boolean-value="{str(value).lower()}"/>'
    if isinstance(value, int | float):
        shown = f"<text:p>{value}</text:p>"
        return f'<table:table-cell office:value-type="float" office:value="{value}">{shown}</table:table-cell>'
    if isinstance(value, dt.date):
        return (
            f'<table:table-cell office:value-type="date" office:date-value="{value.isoformat()}"><text:p>x</text:p>'
            "</table:table-cell>"
        )
    text = escape(re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]", "", str(value)))
    return f'<table:table-cell office:value-type="string"><text:p>{text}</text:p></table:table-cell>'


def _as_opendocument(grid: Grid, chance: Chance) -> bytes:
    rows = []
    for row in grid:
        cells = [_ods_cell(_typed(v, chance)) for v in row]
        if chance.random() < 0.02:
            cells.insert(int(chance.integers(len(cells) + 1)), ODS_FILL.format(chance.choice([3, 16_384, 10**9])))
        some = chance.choice(["1", "1", "1", "2", "30000", "-3", "x"]) if chance.random() < 0.03 else "1"
        rows.append(f'<table:table-row table:number-rows-repeated="{some}">{"".join(cells)}</table:table-row>')
    if chance.random() < 0.1:
        rows.insert(1, f"<table:table-row>{ODS_FILL.format(20_000) * 5000}{_ods_cell('x')}</table:table-row>")
    if chance.random() < 0.3 and len(rows) > 2:
        rows[2] = rows[2].replace("<table:table-cell", '<table:table-cell table:number-columns-spanned="2"', 1)
    data = _pack({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet",
                  "content.xml": (ODS_HEAD + "".join(rows) + ODS_TAIL).encode()})  # fmt: skip
    return _spoil_archive(data, chance) if chance.random() < 0.5 else data


def _as_parquet(grid: Grid, chance: Chance) -> bytes:
    import pyarrow as pa
    from pyarrow import parquet

    wide = len(grid[0])
    names = [str(h) for h in grid[0]]
    if chance.random() < 0.8:
        names = [n if n not in names[:i] else f"{n}.{i}" for i, n in enumerate(names)]
    columns = []
    for i in range(wide):
        values = [_typed(row[i], chance) if i < len(row) else None for row in grid[1:]]
        try:
            columns.append(pa.array(values))
        except (pa.ArrowException, OverflowError, UnicodeEncodeError, TypeError, ValueError):
            columns.append(
                pa.array([None if v is None else str(v).encode("utf-8", "replace").decode() for v in values])
            )
    if wide and chance.random() < 0.3:
        columns[0] = pa.array([[1, 2]] * (len(grid) - 1)) if chance.random() < 0.5 else columns[0].cast(
            pa.string(), safe=False
        ).dictionary_encode()  # fmt: skip
    target = io.BytesIO()
    parquet.write_table(pa.Table.from_arrays(columns, names=names), target)
    data = target.getvalue()
    return ARCHIVE_DAMAGE[chance.integers(3)](data, chance) if chance.random() < 0.4 else data


def write_damaged(seed: int, folder: Path) -> tuple[Path, str]:
    """Write one damaged log and say what was done to it."""
    chance = np.random.default_rng(seed)
    grid = _grid(chance)
    done = []
    for _ in range(int(chance.integers(1, 4))):
        damage = GRID_DAMAGE[chance.integers(len(GRID_DAMAGE))]
        damage(grid, chance)
        done.append(damage.__name__)
        if not grid:
            grid = [["unit_id"]]
    kind = FORMATS[chance.integers(len(FORMATS))]
    if kind in ("csv", "tsv"):
        delimiter = "\t" if kind == "tsv" else str(chance.choice([",", ",", ";", "|", ":"]))
        data = _as_text(grid, chance, delimiter)
    else:
        write = {"xlsx": _as_workbook, "ods": _as_opendocument, "parquet": _as_parquet}[kind]
        data = write(grid, chance)
    suffix = kind if chance.random() < 0.97 else str(chance.choice(["csv", "xlsx", "ods", "parquet", "txt", "xlsm"]))
    path = folder / f"damaged {seed}.{suffix}"
    path.write_bytes(data)
    return path, " + ".join([*done, kind])


# --- what must hold -------------------------------------------------------------------------------------------------


def examine(path: Path, settings_number: int = 0, *, whole: bool = True) -> str:
    """Read a file and assert what must hold; return refused, unusable or read."""
    settings = SETTINGS[settings_number % len(SETTINGS)]
    if whole:
        _examine_adoption(path)
    try:
        log = read_log(path, settings, today=TODAY)
    except (LogError, UsageError) as error:
        _one_sentence(str(error), path)
        return "refused"
    _examine_counts(log)
    _examine_addresses(log, path)
    if whole:
        marked = write_marked(path, log, path.with_name("marked.xlsx"))
        book = openpyxl.load_workbook(marked, read_only=True)
        assert "Set aside" in book.sheetnames
        book.close()
    return "read" if log.used else "unusable"


def _one_sentence(message: str, path: Path) -> None:
    assert message.strip() and "\n" not in message and "\r" not in message, repr(message)
    assert len(message) < 1500, f"{len(message)} characters: {message[:300]}"
    assert path.name in message, message


def _examine_adoption(path: Path) -> None:
    try:
        text = starter_settings(path)
    except WorkbenchError as error:
        _one_sentence(str(error), path)
        return
    target = path.with_name("season.toml")
    target.write_text(text, encoding="utf-8")
    read_settings(target)


def _examine_counts(log: Log) -> None:
    aside = {p.row_key for p in log.all_problems if p.scope == "row"}
    of_log = {k for k in aside if (k[0], k[1]) in _places_of(log) or not log.used}
    assert log.rows == log.used + log.rows_set_aside
    assert log.rows_set_aside <= len(aside), "a row is set aside without a reason"
    kept = {(s, t, r) for s, t, r in zip(log.records["source"], log.records["sheet"], log.records["row"], strict=True)}
    assert not kept & of_log, "a row is both used and set aside"
    assert len(log.records) == len(log.ledger) == log.used
    ledger = log.ledger
    assert (ledger["lower"] <= ledger["upper"]).all() and (ledger["entry"] >= 0).all()
    assert (log.set_aside["reason"].str.len() > 0).all() and (log.problems["advice"].str.len() > 0).all()
    try:
        lives = log.lives()
        assert len(lives) == log.used and log.mission()[0] >= 1
    except LogError:
        assert log.used == 0


def _places_of(log: Log) -> set[tuple[str, str]]:
    return set(zip(log.records["source"], log.records["sheet"], strict=True))


def _examine_addresses(log: Log, path: Path) -> None:
    suffix = path.suffix.lower()
    exists = _workbook_places(path) if suffix in (".xlsx", ".xlsm") else None
    lines = re.split(rb"\r\n|\r|\n|\x0b|\x0c|\x1c|\x1d|\x1e|\x85|\xe2\x80\xa8|\xe2\x80\xa9", path.read_bytes())
    for problem in log.all_problems:
        assert problem.source == path.name
        assert problem.scope in ("row", "value")
        for at in (problem, *problem.others):
            if suffix in (".csv", ".tsv", ".txt"):
                assert 1 <= at.row <= len(lines), at
            assert at.row >= (1 if suffix != ".parquet" else 0)
            if at.cell:
                letters, row = coordinate_from_string(at.cell)
                assert row == at.row, at
                if exists is not None:
                    exists(at.sheet, row, column_index_from_string(letters), at.column)
        if exists is not None and problem.cell:
            exists.value(problem)


class _workbook_places:
    """Whether a cell lies within its sheet, below the heading that is named for it, and holds what is said."""

    def __init__(self, path: Path) -> None:
        self.book = openpyxl.load_workbook(path, keep_links=False)

    def __call__(self, sheet: str, row: int, column: int, heading: str) -> None:
        found = self.book[sheet]
        assert row <= found.max_row and column <= found.max_column, (sheet, row, column)
        if heading:
            top = [self._text(found, above, column) for above in range(1, min(row, 60))]
            assert heading in top, (heading, get_column_letter(column), top[:3])

    def value(self, problem: Any) -> None:
        found = self.book[problem.sheet]
        value = found[problem.cell].value
        if isinstance(value, str) and not value.startswith(("=", "#")):
            assert problem.value == value, problem

    def _text(self, sheet: Any, row: int, column: int) -> str:
        cell = sheet.cell(row, column)
        for area in sheet.merged_cells.ranges:
            if cell.coordinate in area:
                cell = sheet.cell(area.min_row, area.min_col)
        value = cell.value
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        return " ".join(str("" if value is None else value).split())
