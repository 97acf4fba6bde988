"""Adopt: starter settings from somebody's own headings and cells; every guess is marked as one to confirm."""

import datetime as dt
import json
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from os import PathLike
from pathlib import Path

from workbench.errors import LogError
from workbench.log.cells import Cell, RawSheet, cell_text, is_blank
from workbench.log.dictionary import (
    MISSING_WORDS,
    Column,
    Settings,
    Vocabulary,
    fit_of,
    log_columns,
    log_vocabulary,
    word_key,
)
from workbench.log.rules import tidy
from workbench.log.sources import find_files, read_file

__all__ = ["DATE_FORMS", "default_target", "starter_settings"]

DATE_FORMS = (
    *("%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y", "%d-%m-%Y", "%m-%d-%Y", "%Y/%m/%d", "%Y.%m.%d", "%d/%m/%y", "%m/%d/%y"),
    *("%d.%m.%y", "%d-%m-%y", "%m-%d-%y", "%d %b %Y", "%d %B %Y", "%d-%b-%Y", "%d-%b-%y", "%b %d, %Y", "%B %d, %Y"),
    "%Y%m%d",
)
"""Forms of dates that are tried on cells; only one that fits all cells is proposed."""

_GUESS = "# guess: confirm or correct"
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}")
_PLAIN_WORDS = frozenset({"date", "type", "unit", "name", "number", "no", "of", "at", "the", "on", "in"})
_NEAR = 0.75
_SHARED = 0.2
_HOLDS = 0.8
_BONUS = 0.3
_ROWS_SEARCHED = 40
_LONGEST_HEADING = 200
_LONGEST_CELL = 500


@dataclass(frozen=True)
class _Understood:
    """A sheet with its headings: heading to field as known, and as guessed; and the cells below each heading."""

    sheet: RawSheet
    known: Mapping[str, str]
    guessed: Mapping[str, str]
    unknown: tuple[str, ...]
    cells: Mapping[str, tuple[Cell, ...]]


def starter_settings(path: str | PathLike[str]) -> str:
    """Return settings to start from, as TOML text."""
    files, _ = find_files(path)
    vocabulary = log_vocabulary(Settings())
    sheets, _ = read_file(files[0], lambda sheet: _fit(sheet, vocabulary)[0])
    best = max(sheets, key=lambda sheet: _fit(sheet, vocabulary)[0])
    if not best.rows:
        raise LogError(f"{best.place} has no cell with any content; give a log with a line of headings")
    found = _understand(best, vocabulary)
    named = {**found.known, **found.guessed}
    lines = [
        f"# Starter settings for {files[0].name}. What was guessed from headings and cells is marked: confirm each.",
        "",
        *_season_lines(found, named),
        *(
            [f"sheet = {_quoted(found.sheet.sheet)}   {_GUESS}; there are {len(sheets)} sheets"]
            if len(sheets) > 1
            else []
        ),
        *_date_lines(found, named),
        *_decimal_lines(found, named),
        '# failure_means = "no usable record"   # what counts as failure; printed on page one',
        '# decisions = ["..."]   # decisions asked of the review',
        "",
        *_rename_lines(found),
        *_role_lines(found),
        *_reference_lines(found, named),
    ]
    return "\n".join(lines) + "\n"


def _fit(sheet: RawSheet, vocabulary: Vocabulary) -> tuple[int, int]:
    """Known headings of the best row; where none is known, the fullest of the first rows is taken for the headings."""
    known, place = fit_of(sheet, vocabulary)
    if known:
        return 100 * known, place
    filled = [sum(not is_blank(cell) for cell in row) for _, row in sheet.rows[:_ROWS_SEARCHED]]
    return max(filled, default=0), filled.index(max(filled)) if filled else 0


def _understand(sheet: RawSheet, vocabulary: Vocabulary) -> _Understood:
    _, place = _fit(sheet, vocabulary)
    row = sheet.rows[place][1]
    headings = {" ".join(cell_text(cell).split()): index for index, cell in enumerate(row) if not is_blank(cell)}
    below = [cells for _, cells in sheet.rows[place + 1 :]]
    cells = {h: tuple(_start(c[i]) for c in below if i < len(c) and not is_blank(c[i])) for h, i in headings.items()}
    known = {h: vocabulary.field_of(h) for h in headings if vocabulary.field_of(h)}
    guessed = _guesses({h: cells[h] for h in headings if h not in known}, set(known.values()))
    unknown = tuple(h for h in headings if h not in known and h not in guessed)
    return _Understood(sheet=sheet, known=known, guessed=guessed, unknown=unknown, cells=cells)


def _start(cell: Cell) -> Cell:
    """The cell, a text no longer than what could be a word, a number or a date."""
    return cell[:_LONGEST_CELL] if isinstance(cell, str) else cell


def _guesses(unknown: Mapping[str, tuple[Cell, ...]], taken: set[str]) -> dict[str, str]:
    """Pair headings with fields, the likeliest pair first; a field is given once."""
    pairs = []
    for heading, cells in unknown.items():
        for place, column in enumerate(log_columns()):
            shared, letters = _alike(heading, column)
            alike, holds = max(shared, letters), _holds(column, cells)
            by_cells = column.known_words and holds >= _HOLDS and (shared >= _SHARED or column.required)
            if column.name not in taken and holds >= 0.5 and (alike >= _NEAR or by_cells):
                pairs.append((-alike - holds - _BONUS * column.required, place, heading, column.name))
    guessed: dict[str, str] = {}
    for *_, heading, name in sorted(pairs):
        if heading not in guessed and name not in guessed.values():
            guessed[heading] = name
    return guessed


def _alike(heading: str, column: Column) -> tuple[float, float]:
    """How alike a heading is to the spellings of a column's: telling words in common, and letters in order (0 to 1)."""
    key = word_key(heading[:_LONGEST_HEADING])
    words = set(key.split("_")) - _PLAIN_WORDS
    others = [set(known.split("_")) for known in column.heading_keys]
    shared = max(len(words & other) / len(words | other) for other in others)
    letters = max(SequenceMatcher(None, key, known).ratio() for known in column.heading_keys if len(known) > 2)
    return shared, letters


def _holds(column: Column, cells: Sequence[Cell]) -> float:
    """Share of the cells that the column could hold; for free text, where all could, one half."""
    if column.type in ("text", "photo") or not cells:
        return 0.5
    if column.type == "date":
        return sum(isinstance(c, dt.date) or _looks_dated(cell_text(c)) for c in cells) / len(cells)
    if column.type in ("number", "whole"):
        return sum(bool(re.fullmatch(r"-?\d+(?:[.,]\d+)?", tidy(cell_text(c)))) for c in cells) / len(cells)
    if column.type == "ip_code":
        return sum(cell_text(c).strip().upper().startswith("IP") for c in cells) / len(cells)
    return sum(word_key(cell_text(c)) in column.spellings for c in cells) / len(cells)


def _looks_dated(text: str) -> bool:
    return bool(_ISO.match(tidy(text))) or any(_parses(tidy(text), form) for form in DATE_FORMS)


def _quoted(text: str) -> str:
    return json.dumps(tidy(text), ensure_ascii=False).replace("\x7f", "\\u007f")


def _date_texts(found: _Understood, named: Mapping[str, str]) -> list[str]:
    types = {c.name: c.type for c in log_columns()}
    cells = [cell for heading, field in named.items() if types[field] == "date" for cell in found.cells[heading]]
    texts = [tidy(cell) for cell in cells if isinstance(cell, str)]
    return [text for text in texts if text.casefold() not in MISSING_WORDS]


def _season_lines(found: _Understood, named: Mapping[str, str]) -> list[str]:
    starts = [h for h, field in named.items() if field == "deployed_on"]
    cells = found.cells[starts[0]] if starts else ()
    years = [cell.year if isinstance(cell, dt.date) else _year(cell_text(cell)) for cell in cells]
    common = Counter(year for year in years if year).most_common(1)
    lines = [f'season = "{common[0][0]}"   {_GUESS}' if common else '# season = "2025"']
    return [*lines, "# mission_days = 180   # days a unit must last: decide it before looking at results"]


def _year(text: str) -> int | None:
    found = re.search(r"\b(?:19|20)\d{2}\b", text) or re.match(r"(?:19|20)\d{2}(?=\d{4}\Z)", text)
    return int(found[0]) if found else None


def _date_lines(found: _Understood, named: Mapping[str, str]) -> list[str]:
    texts = [text for text in _date_texts(found, named) if not _ISO.match(text)]
    if not texts:
        return ['# date_format = "%d/%m/%Y"   # not needed: dates are true dates or written year-month-day']
    forms = [form for form in DATE_FORMS if all(_parses(text, form) for text in texts)]
    if len(forms) == 1:
        return [f'date_format = "{forms[0]}"   {_GUESS}; the only form that fits all {len(texts)} dates typed as text']
    if forms:
        head = "# Day and month cannot be told apart in this log; take the # off the form that was meant:"
        return [head, *(f'# date_format = "{form}"' for form in forms)]
    odd = next(t for t in texts if not any(_parses(t, f) for f in DATE_FORMS) or len(texts) > 1)
    return [f'# date_format = "%d/%m/%Y"   # no one form fits all dates typed as text (such as {_quoted(odd[:40])})']


def _parses(text: str, form: str) -> bool:
    try:
        dt.datetime.strptime(text, form)
    except ValueError:
        return False
    return True


def _decimal_lines(found: _Understood, named: Mapping[str, str]) -> list[str]:
    types = {c.name: c.type for c in log_columns()}
    cells = [cell for heading, field in named.items() if types[field] == "number" for cell in found.cells[heading]]
    texts = [tidy(cell_text(cell)) for cell in cells]
    commas = sum(bool(re.fullmatch(r"-?\d+,\d+", text)) for text in texts)
    points = sum(bool(re.fullmatch(r"-?\d+\.\d+", text)) for text in texts)
    return [f'decimal = ","   {_GUESS}' if commas > points else '# decimal = ","   # when numbers are written 12,5']


def _rename_lines(found: _Understood) -> list[str]:
    known = ", ".join(f"{tidy(h)} = {f}" for h, f in found.known.items() if word_key(h) != f)
    lines = [f"# understood without renaming: {known}"] if known else []
    needed = [c.name for c in log_columns() if c.required]
    missing = [n for n in needed if n not in {*found.known.values(), *found.guessed.values()}]
    lines += ["[rename]   # their heading = our column"]
    lines += [f"{_quoted(h)} = {_quoted(f)}   {_GUESS}" for h, f in found.guessed.items()]
    lines += [f'# "your heading" = "{name}"   # needed, and no heading looks like it' for name in missing]
    return [*lines, ""]


def _role_lines(found: _Understood) -> list[str]:
    lines = ["[roles]   # further columns that should count, by their headings"]
    lines += [f"# {role} = []" for role in ("protection", "exposure", "evidence", "ignore")]
    if found.unknown:
        lines.append(f"# without a role so far: {', '.join(_quoted(h) for h in found.unknown)}")
    return [*lines, ""]


def _reference_lines(found: _Understood, named: Mapping[str, str]) -> list[str]:
    lines = ["[reference]   # the level that others are compared with; without it the most frequent one"]
    chosen = {c.name: c for c in log_columns() if c.role == "protection"}
    for heading, field in named.items():
        if field in chosen and found.cells[heading]:
            texts = [tidy(cell_text(cell)) for cell in found.cells[heading]]
            words = Counter(chosen[field].spellings.get(word_key(text), text) for text in texts)
            lines.append(f"# {field} = {_quoted(words.most_common(1)[0][0])}   {_GUESS}")
    return lines


def default_target(path: str | PathLike[str]) -> Path:
    """Return where starter settings belong: season.toml beside the log."""
    log = Path(path)
    return (log if log.is_dir() else log.parent) / "season.toml"
