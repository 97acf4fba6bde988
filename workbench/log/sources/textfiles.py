"""Text files: csv, tsv and txt as rows of text with line numbers; encodings and delimiters are tried in turn."""

import codecs
import csv
import io
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from workbench.errors import LogError
from workbench.log.cells import RawSheet

__all__ = [
    "CODECS",
    "DELIMITERS",
    "HAS_NUL",
    "NO_TEXT",
    "best_delimiter",
    "decode",
    "encodings_of",
    "how_read",
    "read_text_file",
    "rows_of",
    "with_characters",
]

DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
"""In the order in which they are tried; the one whose headings fit the dictionary best wins."""

CODECS = {"UTF-8": "utf-8-sig", "UTF-16": "utf-16", "cp1252": "cp1252"}
"""Encodings that are tried, as people and as Python call them."""

NO_TEXT = "{} is neither UTF-8 nor cp1252 text; save it as CSV (UTF-8)"
HAS_NUL = "{} is no text table: line {} holds a NUL character; export it again as CSV (UTF-8)"

NO_CHARACTERS = dict.fromkeys(("\ufffe", "\uffff"), "\ufffd")
"""Code points that are no characters and that no workbook or slide can hold, each with the mark that replaces it."""

_PROBE_ROWS = 60
_EMPTY = "{} is empty; a log needs a line of headings and one line per deployment"


def decode(data: bytes, name: str) -> tuple[str, str]:
    """Return the text of a file and the encoding it was read with."""
    for encoding in encodings_of(data):
        try:
            text = data.decode(CODECS[encoding])
        except UnicodeDecodeError:
            continue
        if not text.strip():
            raise LogError(_EMPTY.format(name))
        if "\0" in text:
            raise LogError(HAS_NUL.format(name, text[: text.index("\0")].count("\n") + 1))
        return with_characters(text), encoding
    raise LogError(NO_TEXT.format(name))


def with_characters(text: str) -> str:
    """Return a text with a mark in place of each code point that is no character."""
    for point, mark in NO_CHARACTERS.items():
        text = text.replace(point, mark)
    return text


def encodings_of(data: bytes) -> tuple[str, ...]:
    """Return the encodings that a file may have, in the order in which they are tried."""
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    return ("UTF-16",) if wide else ("UTF-8", "cp1252")


def read_text_file(path: Path, data: bytes, fit: Callable[[RawSheet], int]) -> RawSheet:
    """Read a text table with the delimiter whose headings fit best."""
    text, encoding = decode(data, path.name)
    best = best_delimiter(text, path.name, fit)
    rows = tuple(rows_of(io.StringIO(text, newline=""), best, path.name))
    return RawSheet(source=path.name, rows=rows, kind="text", notes=(how_read(path.name, encoding, best),))


def how_read(name: str, encoding: str, delimiter: str) -> str:
    """Return the note on what was tried and taken."""
    how = "read as UTF-8" if encoding == "UTF-8" else f"not UTF-8, read as {encoding} (check letters with accents)"
    return f"{name}: {how}, columns separated by {DELIMITERS[delimiter]}."


def best_delimiter(text: str, name: str, fit: Callable[[RawSheet], int]) -> str:
    """Return the delimiter whose headings fit best."""
    best, best_rank = ",", (-1, -1)
    for delimiter in DELIMITERS:
        head = _head(text, delimiter, name)
        rank = (fit(RawSheet(source=name, rows=head, kind="text")), max((len(r) for _, r in head), default=0))
        if rank > best_rank:
            best, best_rank = delimiter, rank
    return best


def _head(text: str, delimiter: str, name: str) -> tuple[tuple[int, tuple[str, ...]], ...]:
    """The first rows, up to one that cannot be split: the headings above it still tell the delimiter."""
    rows = rows_of(io.StringIO(text, newline=""), delimiter, name)
    head: list[tuple[int, tuple[str, ...]]] = []
    try:
        while len(head) < _PROBE_ROWS:
            head.append(next(rows))
    except (LogError, StopIteration):
        return tuple(head)
    return tuple(head)


def rows_of(lines: Iterable[str], delimiter: str, name: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Split a text into rows of cells; equal cells are one text, which is quicker to look up again."""
    same: dict[str, str] = {}
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    start = 1
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise LogError(f"{name}, line {start}: {_plain_words(error)}") from None
        if any(cell.strip() for cell in row) or len(row) > 1:
            yield start, tuple(map(same.setdefault, row, row))
        start = reader.line_num + 1


def _plain_words(error: csv.Error) -> str:
    message = str(error)
    if "unexpected end of data" in message:
        return "a cell opens with a quotation mark that is never closed; close it or remove it"
    if "field larger" in message:
        return f"a cell is longer than {csv.field_size_limit():,} characters; a quotation mark may be missing"
    if "expected after" in message:
        return "a quoted cell goes on after its closing quotation mark; double the marks inside it"
    return f"cannot be split into cells ({message})"
