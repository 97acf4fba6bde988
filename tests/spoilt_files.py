"""Spoiled files: one seed gives one damaged log (text, workbook, OpenDocument, Parquet, or a folder)."""

import csv
import datetime as dt
import functools
import io
import re
import zipfile
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import openpyxl
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

from tests.spoiling import ARCHIVE_DAMAGE, GRID_DAMAGE, SETTINGS_DAMAGE, TEXT_DAMAGE, Chance, Grid

__all__ = ["FORMATS", "ODS_HEAD", "ODS_TAIL", "write_damaged", "write_damaged_settings"]

SAMPLE = Path(__file__).parents[1] / "sample_data" / "lantern_moor_2025.csv"
FORMATS = ("csv", "csv", "csv", "xlsx", "xlsx", "ods", "parquet", "tsv", "txt", "folder")
STATES = ("working", "working", "working", "failed", "absent", "not_checked", "refit")


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


def _visits(chance: Chance) -> Grid:
    """Visits to some units of the sample, most after they were deployed."""
    head, *rows = _sample()
    unit, deployed = head.index("unit_id"), head.index("deployed_on")
    visits: Grid = [["unit_id", "visited_on", "state", "by", "notes"]]
    for i in chance.integers(len(rows), size=int(chance.integers(1, 12))):
        try:
            start = dt.date.fromisoformat(rows[i][deployed])
        except ValueError:
            continue
        for days in sorted(chance.integers(-20, 250, size=int(chance.integers(1, 5)))):
            day = start + dt.timedelta(days=int(days))
            visits.append([rows[i][unit], day.isoformat(), STATES[chance.integers(len(STATES))], "bench", ""])
    return visits


def _spoilt(grid: Grid, chance: Chance, most: int = 3) -> list[str]:
    done = []
    for _ in range(int(chance.integers(1, most + 1))):
        damage = GRID_DAMAGE[chance.integers(len(GRID_DAMAGE))]
        damage(grid, chance)
        done.append(damage.__name__)
        if not grid:
            grid.append(["unit_id"])
    return done


def _as_text(grid: Grid, chance: Chance, delimiter: str) -> bytes:
    target = io.StringIO()
    writer = csv.writer(target, delimiter=delimiter)
    writer.writerows([["" if v is None else str(v) for v in row] for row in grid])
    data = target.getvalue().encode("utf-8", errors="surrogatepass")
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


def _sound(value: Any) -> Any:
    """A value as the workbook library can write it."""
    if not isinstance(value, str):
        return value
    return ILLEGAL_CHARACTERS_RE.sub("", value.encode("utf-8", "replace").decode())[:32_767]


def _fill(sheet: Any, grid: Grid, chance: Chance) -> None:
    for number, row in enumerate(grid, start=1):
        for index, value in enumerate(row[:200], start=1):
            try:
                sheet.cell(number, index).value = _sound(_typed(value, chance))
            except ValueError:
                sheet.cell(number, index).value = str(value)


def _as_workbook(grid: Grid, chance: Chance) -> bytes:
    book = openpyxl.Workbook()
    if chance.random() < 0.1:
        book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    sheet = book.active
    sheet.title = str(chance.choice(["Log", "Sheet 1", "=1+1", "<b>", "\u202egoL"]))
    _fill(sheet, grid, chance)
    wide, high = len(grid[0]) or 1, len(grid)
    for _ in range(int(chance.integers(3)) if chance.random() < 0.5 else 0):
        row = 1 if chance.random() < 0.3 else int(chance.integers(1, high + 1))  # headings too
        column = int(chance.integers(1, wide + 1))
        sheet.merge_cells(start_row=row, end_row=row + int(chance.integers(5)), start_column=column,
                          end_column=column + int(chance.integers(4)))  # fmt: skip
    if chance.random() < 0.3:
        for number in chance.integers(1, high + 1, size=3):
            sheet.row_dimensions[int(number)].hidden = True
    if chance.random() < 0.4:
        other = book.create_sheet(
            str(chance.choice(["Log 2", "Visits", "Set aside", "Notes"])), int(chance.integers(2))
        )
        visits = _visits(chance)
        if chance.random() < 0.6:
            _spoilt(visits, chance, 2)
        _fill(other, visits if chance.random() < 0.8 else [["free", "words"], *visits[1:3]], chance)
    target = io.BytesIO()
    book.save(target)
    return _spoil_archive(target.getvalue(), chance) if chance.random() < 0.5 else target.getvalue()


# --- archives -------------------------------------------------------------------------------------------------------


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
def _bomb(name: str) -> bytes:
    """A part of 210 MB of blanks, packed: under a megabyte."""
    target = io.BytesIO()
    with (
        zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open(name, "w") as part,
    ):
        for _ in range(210):
            part.write(b" " * 1_000_000)
    return target.getvalue()


def _bombs(name: str, chance: Chance) -> bytes:
    """An archive that expands too far; one that hides how far; one of ten thousand parts."""
    kind = chance.integers(3)
    if kind == 2:
        return _pack({f"xl/worksheets/sheet{i}.xml": b"<a/>" for i in range(10_000)})
    bomb = _bomb(name)
    size = (210_000_000).to_bytes(4, "little")
    return bomb if kind == 0 else bomb.replace(size, (1000).to_bytes(4, "little"))


XML_BEFORE_END = (
    b'<mergeCells count="1"><mergeCell ref="A1:XFD1048576"/></mergeCells>',
    b'<mergeCells count="2"><mergeCell ref="B2:B900000"/><mergeCell ref="A1:C3"/></mergeCells>',
    b'<mergeCells count="1"><mergeCell ref="ZZZZ9:A0"/></mergeCells>',
    b'<mergeCells count="2"><mergeCell ref="A1:C2"/><mergeCell ref="B1:D3"/></mergeCells>',
    b'<hyperlinks><hyperlink ref="A1:XFD1048576" location="x"/></hyperlinks>',
    b'<dataValidations count="1"><dataValidation type="list" sqref="A1:XFD1048576"/></dataValidations>',
)
XML_CHANGES = (
    (b' t="s"', b' t="d"'), (b' t="s"', b' t="b"'), (b' t="n"', b' t="s"'), (b'r="A2"', b'r="A0"'),
    (b'r="B2"', b'r="A1"'), (b'r="3"', b'r="2000000"'), (b'r="4"', b'r="-4"'), (b"<v>", b"<v>9e99"),
    (b' s="', b' s="999'), (b"number-columns-repeated", b"x"), (b'value-type="float"', b'value-type="date"'),
    (b'value-type="string"', b'value-type="float"'), (b"<v>", b"<f>" + b"(" * 20_000 + b"</f><v>"),
    (b"<v>", b"<v>" + b"9" * 6000), (b"<t>", b"<t>&#0;"), (b"<t>", b"<t>&#xD800;"), (b"<t>", b"<t>_xD800__x0000_"),
    (b"<text:p>", b"<text:p>" + b"<text:s text:c='999999999'/>" * 9), (b' t="n"', b' t="e"'),
)  # fmt: skip


def _spoil_archive(data: bytes, chance: Chance) -> bytes:
    kind = int(chance.integers(12))
    if kind <= 1:
        return ARCHIVE_DAMAGE[chance.integers(len(ARCHIVE_DAMAGE))](data, chance)
    parts = _parts(data)
    sheet = next(n for n in parts if n.endswith(("sheet1.xml", "content.xml")))
    if kind == 2 and chance.random() < 0.3:
        return _bombs(sheet, chance)
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
        outside = b'<!DOCTYPE x [<!ENTITY j SYSTEM "file:///etc/hostname">'
        cut = parts[name].find(b"?>") + 2
        head = parts[name][:cut] + (bomb if chance.random() < 0.7 else outside) + b"]>"
        parts[name] = head + parts[name][cut:].replace(b"Log", b"&j;", 1)
    elif kind == 6:
        parts[name] += b"<a>" * 5000
    elif kind == 7:
        parts[name] = b"<a>" * 100_000 + b"</a>" * 100_000
    elif kind <= 9:
        old, new = XML_CHANGES[chance.integers(len(XML_CHANGES))]
        parts[name] = parts[name].replace(old, new, int(chance.choice([1, 5, -1])))
    else:
        parts[name] = flipped_or_cut(parts[name], chance)
    return _pack(parts)


def flipped_or_cut(part: bytes, chance: Chance) -> bytes:
    return ARCHIVE_DAMAGE[chance.integers(2)](part, chance)


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
        place, way = int(chance.integers(len(rows))), str(chance.choice(["columns", "rows"]))
        spanned = f'<table:table-cell table:number-{way}-spanned="{chance.choice(["2", "3", "2000000", "-1"])}"'
        rows[place] = rows[place].replace("<table:table-cell", spanned, 1)
    data = _pack({"mimetype": b"application/vnd.oasis.opendocument.spreadsheet",
                  "content.xml": (ODS_HEAD + "".join(rows) + ODS_TAIL).encode()})  # fmt: skip
    return _spoil_archive(data, chance) if chance.random() < 0.5 else data


def _as_parquet(grid: Grid, chance: Chance) -> bytes:
    import pyarrow as pa
    from pyarrow import parquet

    wide = len(grid[0])
    names = [str(h).encode("utf-8", "replace").decode() for h in grid[0]]
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
        odd = chance.random()
        texts = pa.array([b"LM-001 \xed\xa0\x80"] * (len(grid) - 1), pa.binary())
        columns[0] = (
            pa.array([[1, 2]] * (len(grid) - 1)) if odd < 0.3
            else texts if odd < 0.5
            else pa.StringArray.from_buffers(len(texts), texts.buffers()[1], texts.buffers()[2]) if odd < 0.7
            else columns[0].cast(pa.string(), safe=False).dictionary_encode()
        )  # fmt: skip
    target = io.BytesIO()
    parquet.write_table(pa.Table.from_arrays(columns, names=names), target)
    data = target.getvalue()
    return ARCHIVE_DAMAGE[chance.integers(3)](data, chance) if chance.random() < 0.4 else data


# --- what is written ------------------------------------------------------------------------------------------------


def _written(grid: Grid, kind: str, path: Path, chance: Chance) -> Path:
    if kind in ("csv", "tsv", "txt"):
        delimiter = "\t" if kind == "tsv" else str(chance.choice([",", ",", ";", "|", ":"]))
        data = _as_text(grid, chance, delimiter)
    else:
        write = {"xlsx": _as_workbook, "ods": _as_opendocument, "parquet": _as_parquet}[kind]
        data = write(grid, chance)
    path.write_bytes(data)
    return path


def _write_folder(folder: Path, chance: Chance) -> None:
    """A damaged log beside others, sound or damaged, visits, and what else lies about in a folder."""
    folder.mkdir()
    for number in range(int(chance.integers(1, 4))):
        kind, grid = FORMATS[chance.integers(len(FORMATS) - 1)], _grid(chance)
        if chance.random() < 0.6:
            _spoilt(grid, chance, 2)
        _written(grid, kind, folder / f"part {number}.{kind}", chance)
    if chance.random() < 0.6:
        visits = _visits(chance)
        if chance.random() < 0.6:
            _spoilt(visits, chance, 2)
        kind = str(chance.choice(["csv", "xlsx"]))
        _written(visits, kind, folder / f"visits.{kind}", chance)
    odd = int(chance.integers(12))
    if odd == 0:
        (folder / "gone.csv").symlink_to(folder / "nowhere.csv")
    elif odd == 1:
        (folder / "inner.csv").mkdir()
    elif odd == 2:
        (folder / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(99))
    elif odd == 3:
        (folder / "empty.tsv").write_bytes(b"")
    elif odd == 4:
        (folder / "~$part 0.xlsx").write_bytes(b"lock")
    elif odd == 5:
        (folder / "notes.txt").write_text("Bring spare seals, and the long ladder.\n")
    elif odd == 6:
        (folder / "\u202eevil=1+1.csv").write_text("unit_id,deployed_on,outcome,found_on\nA,2025-03-01,working,x\n")


def write_damaged(seed: int, folder: Path) -> tuple[Path, str]:
    """Write one damaged log, or a folder of logs, and say what was done to it; the kind stands last."""
    chance = np.random.default_rng(seed)
    kind = FORMATS[chance.integers(len(FORMATS))]
    if kind == "folder":
        _write_folder(folder / f"damaged {seed}", chance)
        return folder / f"damaged {seed}", kind
    grid = _grid(chance)
    done = _spoilt(grid, chance)
    suffix = kind if chance.random() < 0.97 else str(chance.choice(["csv", "xlsx", "ods", "parquet", "txt", "xlsm"]))
    path = _written(grid, kind, folder / f"damaged {seed}.{suffix}", chance)
    return path, " + ".join([*done, kind])


def write_damaged_settings(seed: int, folder: Path) -> Path:
    """Write the sample season's settings with a few lines spoiled, and in a share of them the bytes too."""
    chance = np.random.default_rng([seed, 1])
    text = SAMPLE.with_suffix(".toml").read_text(encoding="utf-8")
    for _ in range(int(chance.integers(1, 4))):
        text = SETTINGS_DAMAGE[chance.integers(len(SETTINGS_DAMAGE))](text, chance)
    data = text.encode("utf-8", errors="surrogatepass")
    if chance.random() < 0.2:
        data = TEXT_DAMAGE[chance.integers(len(TEXT_DAMAGE))](data, chance)
    path = folder / f"settings {seed}.toml"
    path.write_bytes(data)
    return path
