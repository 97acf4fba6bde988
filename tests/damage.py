"""Damaged logs: what must hold of any file or folder, whatever was done to it, and how long reading it may take.

It is read or refused in one sentence, rows read = used + set aside, and every address named exists in the file.
"""

import datetime as dt
import json
import re
import signal
import warnings
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import openpyxl
from openpyxl.utils.cell import column_index_from_string, coordinate_from_string

from workbench.errors import LogError, SettingsError, UsageError, WorkbenchError
from workbench.log.adoption.adopt import starter_settings
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log.reading import read_log
from workbench.log.season_log.record import Log
from workbench.log.writing.marked import write_marked

__all__ = ["SECONDS_A_FILE", "TooSlow", "examine", "examine_settings", "time_limit"]

SECONDS_A_FILE = 15
TODAY = dt.date(2026, 1, 31)
SETTINGS: tuple[dict[str, Any] | None, ...] = (
    None,
    {"date_format": "%d/%m/%Y", "decimal": ","},
    {"window": ["2025-03-01", "2025-12-31"], "mission_days": 180},
    {"missing_words": ["", "-", "0"], "roles": {"ignore": ["notes", "cause"]}},
)
LINE_ENDS = re.compile(r"\r\n|[\n\r\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029]")
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"


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


def examine(path: Path, settings_number: int = 0, *, whole: bool = True) -> str:
    """Read a file or folder and assert what must hold; return refused, unusable or read."""
    settings = SETTINGS[settings_number % len(SETTINGS)]
    names = [path.name, *(p.name for p in path.iterdir())] if path.is_dir() else [path.name]
    if whole:
        _examine_adoption(path, names)
    try:
        log = read_log(path, settings, today=TODAY)
    except SettingsError as error:  # settings that do not fit the damaged log; they name their own key
        assert "\n" not in str(error)
        return "refused"
    except (LogError, UsageError) as error:
        _one_sentence(str(error), names)
        return "refused"
    _examine_counts(log)
    _examine_addresses(log, path)
    if whole:
        marked = write_marked(path, log, path.with_name("marked.xlsx"))
        with zipfile.ZipFile(marked) as archive:
            assert b'name="Set aside"' in archive.read("xl/workbook.xml")
    return "read" if log.used else "unusable"


def examine_settings(path: Path) -> str:
    """Read a settings file and assert what must hold; return refused or read."""
    try:
        settings = read_settings(path)
    except SettingsError as error:
        _one_sentence(str(error), [path.name])
        return "refused"
    echo = settings.as_dict()
    assert json.loads(json.dumps(echo)) == echo
    assert read_settings({k: v for k, v in echo.items() if v is not None}) == settings
    return "read"


def _one_sentence(message: str, names: list[str]) -> None:
    assert message.strip() and "\n" not in message and "\r" not in message, repr(message)
    assert len(message) < 1500, f"{len(message)} characters: {message[:300]}"
    assert any(name in message for name in names), message


def _examine_adoption(path: Path, names: list[str]) -> None:
    try:
        text = starter_settings(path)
    except WorkbenchError as error:
        _one_sentence(str(error), names)
        return
    target = path.with_name("season.toml")
    target.write_text(text, encoding="utf-8")
    read_settings(target)


# --- counts ---------------------------------------------------------------------------------------------------------


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


# --- addresses ------------------------------------------------------------------------------------------------------


def _examine_addresses(log: Log, path: Path) -> None:
    """Every cell named lies in its file, under the heading that is named, and holds the value that is shown."""

    @cache
    def places(source: str) -> Callable[[Any, str | None], None]:
        file = path / source if path.is_dir() else path
        assert file.is_file() and source == file.name, source
        suffix = file.suffix.lower()
        return (
            _workbook_places(file) if suffix in (".xlsx", ".xlsm")
            else _opendocument_places(file) if suffix == ".ods"
            else _columnar_places(file) if suffix == ".parquet"
            else _text_places(file)
        )  # fmt: skip

    for problem in log.all_problems:
        assert problem.scope in ("row", "value")
        places(problem.source)(problem, problem.value if problem.cell else None)
        for other in problem.others:
            places(other.source)(other, None)


def _text_places(path: Path) -> Callable[[Any, str | None], None]:
    data = path.read_bytes()
    encodings = ("utf-16",) if data.startswith((b"\xff\xfe", b"\xfe\xff")) else ("utf-8-sig", "cp1252")
    texts = []
    for encoding in encodings:
        try:
            texts.append(data.decode(encoding))
        except UnicodeDecodeError:
            continue
    lines = LINE_ENDS.split(texts[0])

    def check(at: Any, value: str | None) -> None:
        assert 1 <= at.row <= len(lines), at
        assert not at.cell, at

    return check


def _columnar_places(path: Path) -> Callable[[Any, str | None], None]:
    from pyarrow import parquet

    with parquet.ParquetFile(path) as file:
        table = file.read()
    rows = table.num_rows
    heads = [table.column_names, *(row.values() for row in table.slice(0, 60).to_pylist())]  # headings may stand lower
    names = {" ".join(str(name).split()) for head in heads for name in head}

    def check(at: Any, value: str | None) -> None:
        assert 1 <= at.row <= rows, at
        assert at.column in names or not at.column, at

    return check


def _workbook_places(path: Path) -> Callable[[Any, str | None], None]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        book = openpyxl.load_workbook(path, keep_links=False)

    def text(sheet: Any, row: int, column: int) -> str:
        cell = sheet.cell(row, column)
        for area in sheet.merged_cells.ranges:
            if cell.coordinate in area:
                cell = sheet.cell(area.min_row, area.min_col)
        value = cell.value
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        return " ".join(str("" if value is None else value).split())

    def check(at: Any, value: str | None) -> None:
        sheet = book[at.sheet]
        assert 1 <= at.row <= sheet.max_row, at
        if not at.cell:
            return
        letters, row = coordinate_from_string(at.cell)
        column = column_index_from_string(letters)
        assert row == at.row and column <= sheet.max_column, at
        if at.column:
            top = [text(sheet, above, column) for above in range(1, min(row, 60))]
            assert at.column in top, (at, top[:3])
        held = sheet[at.cell].value
        if value is not None and isinstance(held, str) and not held.startswith(("=", "#")):
            assert value == held, at

    return check


def _opendocument_places(path: Path) -> Callable[[Any, str | None], None]:
    """Rows and cells counted again, by the repeats that the elements declare; spans are left to the product."""
    with zipfile.ZipFile(path) as archive:
        root = ET.fromstring(archive.read("content.xml"))
    tables = {table.get(f"{_TABLE}name", ""): table for table in root.iter(f"{_TABLE}table")}

    @cache
    def rows(name: str) -> list[tuple[int, int, Any]]:
        found, number = [], 0
        for element in tables[name].iter(f"{_TABLE}table-row"):
            repeat = int(element.get(f"{_TABLE}number-rows-repeated", 1))
            found.append((number + 1, number + repeat, element))
            number += repeat
        return found

    def check(at: Any, value: str | None) -> None:
        element = next((e for first, last, e in rows(at.sheet) if first <= at.row <= last), None)
        assert element is not None, at
        if not at.cell:
            return
        letters, row = coordinate_from_string(at.cell)
        assert row == at.row, at
        column = 0
        for cell in element:
            column += int(cell.get(f"{_TABLE}number-columns-repeated", 1))
            if column >= column_index_from_string(letters):
                held = "".join(cell.find(f"{_TEXT}p").itertext()) if cell.find(f"{_TEXT}p") is not None else ""
                typed = any(key.endswith("value-type") and kind == "string" for key, kind in cell.attrib.items())
                if value is not None and typed and len(cell) == 1 and not cell.find(f"{_TEXT}p"):
                    assert value == held, (at, held[:80])
                return

    return check
