"""The evidence table: which sign found at teardown speaks for or against which mechanism; data, checked strictly."""

import csv
import io
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from workbench.checks import did_you_mean
from workbench.errors import LogError, UsageError
from workbench.log.dictionary.data_rows import data_rows

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "STRENGTHS",
    "TABLE_COLUMNS",
    "KnownSign",
    "known_signs",
    "mechanism_names",
    "read_evidence_table",
    "sign_names",
]

TABLE_COLUMNS = ("sign", "family", "where", "mechanism", "strength", "confounder", "next_check", "source")
"""Columns of the table, one row a pair of sign and mechanism."""

STRENGTHS = ("++", "+", "0", "-", "--")
"""Strong for, some for, neutral, some against, strong against; judgement of the trade, editable, not measured."""

_SLUG = re.compile(r"[a-z][a-z0-9_]*\Z")
_PER_SIGN = ("family", "where", "confounder", "next_check", "source")
_Row = tuple[int, dict[str, str]]


@dataclass(frozen=True, kw_only=True)
class KnownSign:
    """One sign of the built-in table: where and at which step to look for it, what hazards it brings, where it points.

    `strengths`: mechanism to one of `STRENGTHS`; `causes`: circumstances that it points at; `hazards`: names of the
    cautions to show before it is looked for.
    """

    sign: str
    label: str
    family: str
    step: str
    where: str
    strengths: Mapping[str, str]
    causes: tuple[str, ...]
    hazards: tuple[str, ...]
    confounder: str
    next_check: str
    source: str


def read_evidence_table(path: str | Path | None = None, *, only: bool = False) -> "pd.DataFrame":
    """Read the evidence table, optionally with a file of the user's own.

    A sign that the file names replaces the built-in sign of that name with all its rows; other signs of the file are
    added; built-in signs that it does not name stay, unless `only`.

    Examples
    --------
    >>> table = read_evidence_table()
    >>> set(table.strength) <= {"++", "+", "0", "-", "--"}
    True
    """
    import pandas as pd

    own = list(_built_in())
    if path is None:
        return pd.DataFrame(own, columns=list(TABLE_COLUMNS))
    given = [row for _, row in _checked_rows(Path(path))]
    named = {row["sign"] for row in given}
    kept = [] if only else [row for row in own if row["sign"] not in named]
    return pd.DataFrame([*kept, *given], columns=list(TABLE_COLUMNS))


def sign_names() -> tuple[str, ...]:
    """Return the built-in signs, each the name of a column in the log."""
    return tuple(sign.sign for sign in known_signs())


@cache
def known_signs() -> tuple[KnownSign, ...]:
    """Return the built-in signs, in the order in which a teardown meets them."""
    return tuple(_known_sign(row) for row in data_rows("evidence.csv"))


def _known_sign(row: dict[str, str]) -> KnownSign:
    strengths = {mechanism: strength for strength in STRENGTHS for mechanism in row.pop(strength).split()}
    causes, hazards = tuple(row.pop("causes").split()), tuple(row.pop("hazards").split())
    return KnownSign(strengths=strengths, causes=causes, hazards=hazards, **row)


def mechanism_names() -> tuple[str, ...]:
    """Return the mechanisms that the built-in table names."""
    return tuple(sorted({row["mechanism"] for row in _built_in()}))


@cache
def _built_in() -> tuple[dict[str, str], ...]:
    return tuple(
        {**{name: getattr(sign, name) for name in ("sign", *_PER_SIGN)}, "mechanism": mechanism, "strength": strength}
        for sign in known_signs()
        for mechanism, strength in sign.strengths.items()
    )


def _checked_rows(path: Path) -> list[_Row]:
    if not path.is_file():
        raise UsageError(f"no evidence table at {path}; give a text file with the columns {', '.join(TABLE_COLUMNS)}")
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = path.read_bytes()[: error.start].count(b"\n") + 1
        raise LogError(f"{path.name} line {line} is not UTF-8 text; save the table as UTF-8") from None
    rows = _parsed(path.name, text)
    known = set(mechanism_names())
    for line, row in rows:
        near = did_you_mean(row["mechanism"], known)
        if row["mechanism"] not in known and near and _is_slip(row["mechanism"], known):
            raise LogError(f"{path.name} line {line}: mechanism {row['mechanism']!r} is not known{near}")
    return rows


def _is_slip(word: str, known: Iterable[str]) -> bool:
    """Whether a word differs from a known one by one letter, so that it is a slip and no new word."""
    return any(abs(len(word) - len(k)) <= 1 and _one_apart(word, k) for k in known)


def _one_apart(a: str, b: str) -> bool:
    short, long = sorted((a, b), key=len)
    same = next((i for i, (x, y) in enumerate(zip(short, long, strict=False)) if x != y), len(short))
    return short[same:] == long[same + 1 :] or short[same + 1 :] == long[same + 1 :]


def _parsed(name: str, text: str) -> list[_Row]:
    first = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    lines = csv.reader(io.StringIO(text), delimiter=delimiter, strict=True)
    try:
        heading = [cell.strip() for cell in next(lines, [])]
        _check_heading(name, heading)
        rows = [
            (lines.line_num, _row(name, lines.line_num, heading, cells=cells))
            for cells in lines
            if any(cell.strip() for cell in cells)
        ]
    except csv.Error as error:
        raise LogError(f"{name} line {lines.line_num} cannot be read as a table ({error}); check its quotes") from None
    if not rows:
        raise LogError(f"{name} holds no sign; give at least one row below the heading")
    _check_agreement(name, rows)
    return rows


def _check_heading(name: str, heading: list[str]) -> None:
    for column in heading:
        if column not in TABLE_COLUMNS:
            near = did_you_mean(column, TABLE_COLUMNS)
            raise LogError(f"{name} line 1: unknown column {column!r}{near} (columns are {', '.join(TABLE_COLUMNS)})")
    missing = [column for column in TABLE_COLUMNS if column not in heading]
    if missing or len(set(heading)) != len(heading):
        trouble = f"column {missing[0]!r} is missing" if missing else "a column stands there twice"
        raise LogError(f"{name} line 1: {trouble} (columns are {', '.join(TABLE_COLUMNS)})")


def _row(name: str, line: int, heading: list[str], *, cells: list[str]) -> dict[str, str]:
    if len(cells) != len(heading):
        raise LogError(f"{name} line {line} has {len(cells)} fields for {len(heading)} columns; check its quotes")
    row = {column: cell.strip() for column, cell in zip(heading, cells, strict=True)}
    for column in ("sign", "family", "mechanism"):
        if not _SLUG.match(row[column]):
            raise LogError(
                f"{name} line {line}: {column} is {row[column]!r}; write lower-case letters, digits and underscores"
            )
    if row["strength"] not in STRENGTHS:
        raise LogError(f"{name} line {line}: strength is {row['strength']!r}; write one of {' '.join(STRENGTHS)}")
    if not row["source"]:
        raise LogError(
            f"{name} line {line}: source is empty; write where it comes from, or 'common practice, no source'"
        )
    return {column: row[column] for column in TABLE_COLUMNS}


def _check_agreement(name: str, rows: list[_Row]) -> None:
    """Refuse a pair given twice and a sign whose description differs between its rows."""
    pairs: dict[tuple[str, str], int] = {}
    signs: dict[str, _Row] = {}
    for line, row in rows:
        pair = row["sign"], row["mechanism"]
        if pair in pairs:
            raise LogError(f"{name} line {line}: {pair[0]} and {pair[1]} stand in line {pairs[pair]} already; keep one")
        pairs[pair] = line
        first_line, first = signs.setdefault(row["sign"], (line, row))
        for column in _PER_SIGN:
            if row[column] != first[column]:
                raise LogError(
                    f"{name} line {line}: {column} of {row['sign']} is {row[column]!r} but {first[column]!r} in line "
                    f"{first_line}; write the same in every row of the sign"
                )
