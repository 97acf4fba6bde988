"""Text tables of a fleet: looked through once, then copied by DuckDB to Parquet files of texts; no row is lost."""

import codecs
import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from workbench.errors import LogError
from workbench.log.cells import RawSheet
from workbench.log.sources import CODECS, HAS_NUL, NO_TEXT, best_delimiter, encodings_of, how_read, rows_of

__all__ = ["Staged", "stage_text"]

_CHUNK = 1 << 22
_HEAD = 1 << 16
_BROKEN_CELLS = "quoted new lines"
"""In DuckDB's refusal to read line breaks inside cells with several threads; with one it loses rows without a word."""
TOO_LONG = "the row has more cells than the headings"


@dataclass(frozen=True, kw_only=True)
class Staged:
    """Text tables as Parquet files.

    Attributes
    ----------
    files : tuple of str
        Paths, in order.
    unreadable : mapping of str to (int, str)
        Rows that could not be split into the columns: reason to count and an example.
    notes : tuple of str
        How each table was read.
    """

    files: tuple[str, ...]
    unreadable: dict[str, tuple[int, str]]
    notes: tuple[str, ...]


def stage_text(connection: Any, paths: list[Path], spill: Path, *, fit: Callable[[RawSheet], int]) -> Staged:
    """Copy text tables once into Parquet files of texts, so that every later look at a column is cheap.

    A table that is not UTF-8, or holds cells with line breaks or faulty quotation marks, is first read as a field log
    is, which finds the fault or leaves a plain copy.
    """
    files, notes, long, example = [], [], 0, ""
    for number, path in enumerate(paths):
        look = _look(path, fit)
        notes.append(how_read(path.name, look.encoding, look.delimiter))
        target = spill / f"part-{number}.parquet"
        rows, more, line = _copied(connection, path, look, target=target) or _rewritten(
            connection, path, look, target=target
        )
        if more and not rows:
            raise LogError(
                f"{path.name}: every row has a cell too many, or the heading line one too few, so the columns may be "
                "shifted: mend the file where it was exported"
            )
        files.append(str(target))
        example = example or (f"{path.name}, line {line}" if more else "")
        long += more
    return Staged(files=tuple(files), unreadable={TOO_LONG: (long, example)} if long else {}, notes=tuple(notes))


@dataclass(frozen=True)
class _Look:
    """What a first look at a text table shows."""

    encoding: str
    delimiter: str
    names: tuple[str, ...]


def _look(path: Path, fit: Callable[[RawSheet], int]) -> _Look:
    encoding = _encoding(path)
    with path.open(encoding=CODECS[encoding], newline="") as text:
        head = text.read(_HEAD)
    if not head.strip():
        raise LogError(f"{path.name} is empty; a log needs a line of headings and one line per deployment")
    delimiter = best_delimiter(head, path.name, fit)
    line, cells = next(rows_of(io.StringIO(head, newline=""), delimiter, path.name))
    names = tuple(cell.strip() for cell in cells)
    blank = next((i for i, name in enumerate(names) if not name), None)
    twice = next((name for i, name in enumerate(names) if name in names[:i]), None)
    if line > 1 or not fit(RawSheet(source=path.name, rows=((line, cells),), kind="text")):
        raise LogError(
            f"{path.name}: line 1 holds no heading of a log; a table that is counted begins with its headings"
        )
    if blank is not None:
        raise LogError(f"{path.name}: column {blank + 1} has no heading; give it one")
    if twice:
        raise LogError(f"{path.name}: two columns are headed {twice!r}; rename one")
    return _Look(encoding, delimiter, names)


def _encoding(path: Path) -> str:
    """The first encoding that holds to the end of the file."""
    with path.open("rb") as data:
        tries = encodings_of(data.read(4))
    for encoding in tries:
        decoder, lines = codecs.getincrementaldecoder(CODECS[encoding])(), 1
        try:
            with path.open("rb") as data:
                while chunk := data.read(_CHUNK):
                    text = decoder.decode(chunk)
                    if "\0" in text:
                        line = lines + text[: text.index("\0")].count("\n")
                        raise LogError(HAS_NUL.format(path.name, line))
                    lines += text.count("\n")
                decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            continue
        return encoding
    raise LogError(NO_TEXT.format(path.name))


def _copied(connection: Any, path: Path, look: _Look, *, target: Path) -> tuple[int, int, int] | None:
    """Rows copied, rows too long and the line of the first of these; None where DuckDB cannot split the file safely."""
    import duckdb

    if look.encoding != "UTF-8":
        return None
    try:
        connection.read_csv(
            str(path),
            header=True,
            delimiter=look.delimiter,
            quotechar='"',
            escapechar='"',
            columns=dict.fromkeys(look.names, "VARCHAR"),
            auto_detect=False,
            null_padding=True,
            store_rejects=True,
        ).write_parquet(str(target))
        rejects = "SELECT error_type LIKE '%MANY%', count(DISTINCT line), min(line) FROM reject_errors GROUP BY 1"
        found = {bool(known): (count, line) for known, count, line in connection.execute(rejects).fetchall()}
    except duckdb.Error as error:
        if _BROKEN_CELLS not in str(error):
            raise
        return None
    finally:
        connection.execute("DROP TABLE IF EXISTS reject_errors")
        connection.execute("DROP TABLE IF EXISTS reject_scans")
    if False in found:
        return None
    rows = connection.execute("SELECT count(*) FROM read_parquet(?)", [str(target)]).fetchall()[0][0]
    return (rows, *found.get(True, (0, 0)))


def _rewritten(connection: Any, path: Path, look: _Look, *, target: Path) -> tuple[int, int, int]:
    """The same of a copy in UTF-8, one line a row; each row keeps the number of its line."""
    plain = target.with_suffix(".csv")
    with (
        path.open(encoding=CODECS[look.encoding], newline="") as text,
        plain.open("w", encoding="utf-8", newline="") as copy,
    ):
        writer, at = csv.writer(copy, delimiter=look.delimiter, lineterminator="\n"), 1
        for line, cells in rows_of(text, look.delimiter, path.name):
            copy.write("\n" * (line - at))
            writer.writerow([cell.replace("\r", " ").replace("\n", " ") for cell in cells])
            at = line + 1
    found = _copied(connection, plain, _Look("UTF-8", look.delimiter, look.names), target=target)
    plain.unlink()
    if found is None:
        raise LogError(f"{path.name} cannot be split into rows of cells; write it again from its source")
    return found
