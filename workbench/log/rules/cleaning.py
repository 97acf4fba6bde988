"""Cleaning: what one cell says as a value of its column, or why it says nothing; pure, nothing is guessed."""

import datetime as dt
import re
import unicodedata
from collections.abc import Mapping
from functools import cache
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from workbench.log.cells import Cell, Flaw, cell_text, shown
from workbench.log.dictionary import (
    FORMS_WITHOUT_YEAR,
    SPREADSHEET_DAY,
    Column,
    Settings,
    day_and_clock,
    day_in_form,
    example_of,
    near_word,
    quoted,
    word_key,
)

__all__ = ["Cleaned", "Refusal", "clean", "tidy"]

INVISIBLE = "invisible characters removed"
TIME_DROPPED = "time of day dropped"


class Refusal(NamedTuple):
    """Why a cell has no value, and what to do."""

    reason: str
    advice: str


class Cleaned(NamedTuple):
    """The value of a cell (None: not recorded), or the refusal, and a remark on what was dropped."""

    value: Any = None
    refusal: Refusal | None = None
    remark: str = ""


_ISO = re.compile(
    r"(\d{4}-\d{2}-\d{2})(?:[T ]\d{2}:?\d{2}(?::?\d{2}(?:[.,]\d+)?)?\s*(?:Z|[+-]\d{2}(?::?\d{2})?)?)?\Z", re.I
)
_YEARS = (1950, 2200)
"""Years in which a unit can have been out; anything else is a slip of the keyboard."""

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?\Z")
_SPAN_OF_DAYS = re.compile(r"\d{1,2}\.?\s*(?:[-–/]|to|bis|au?|al)\s*\d{1,2}\.?\s+[^\W\d_]{3,}", re.I)
_BARE_NUMBER = re.compile(r"\d+(?:[.,]\d+)?\Z")
_LARGEST_WHOLE = 1e9
_INVISIBLE = ("Cc", "Cf", "Cs")
"""Unicode's control and format characters, and halves of characters, which no file can hold."""

_MINUS = str.maketrans({"−": "-", "–": "-", "‐": "-", "‑": "-"})
_IP_AND = re.compile(r"\s*(?:[/,;&+|]|\bAND\b)\s*")
_IP_PART = re.compile(r"([0-6X])([0-9X])([A-D]?)(H?M?S?W?)\Z")


def tidy(text: str) -> str:
    """Return a text without invisible or control characters, its white space single and none at the ends.

    Examples
    --------
    >>> tidy("  Gannet\\u00a0 Flats\\u200b ")
    'Gannet Flats'
    """
    if text.isascii() and text.isprintable():
        return " ".join(text.split())
    visible = (c if c.isspace() else "" if unicodedata.category(c) in _INVISIBLE else c for c in text)
    return " ".join("".join(visible).split())


def clean(cell: Cell, column: Column, settings: Settings) -> Cleaned:
    """Return what a cell says as a value of its column."""
    if cell is None:
        return Cleaned(_word_of_blank(settings, column.name))
    if isinstance(cell, Flaw):
        return Cleaned(refusal=Refusal(cell.reason, cell.advice))
    raw = cell_text(cell)
    text = tidy(raw)
    if not text:
        return Cleaned(_word_of_blank(settings, column.name))
    if text.casefold() in _missing(settings.missing_words):
        return Cleaned()
    remark = INVISIBLE if isinstance(cell, str) and not raw.isascii() and _had_invisible(raw) else ""
    found = _READERS[column.type](cell, text, column, settings=settings)
    return found if found.remark or found.refusal else found._replace(remark=remark)


def _word_of_blank(settings: Settings, column: str) -> str | None:
    """What an empty cell of a column means: nothing, but where the settings have a word for it, as of boxes to tick."""
    word = settings.levels.get(column, {}).get("words", {}).get("")
    return None if word is None else str(word)


@cache
def _missing(words: tuple[str, ...]) -> frozenset[str]:
    return frozenset(tidy(word).casefold() for word in words)


def _had_invisible(text: str) -> bool:
    return any(not c.isspace() and unicodedata.category(c) in _INVISIBLE for c in text)


def _refused(reason: str, advice: str) -> Cleaned:
    return Cleaned(refusal=Refusal(reason, advice))


def _read_text(cell: Cell, text: str, column: Column, *, settings: Settings) -> Cleaned:
    return Cleaned(text)


def _read_date(cell: Cell, text: str, column: Column, *, settings: Settings) -> Cleaned:
    iso = _ISO.match(text)
    moment: dt.datetime | None = None
    if isinstance(cell, dt.datetime):
        moment = cell
    elif iso and len(text) > len(iso[1]):
        moment = _moment(text)
    try:
        if moment is not None:
            days = {_day_of(moment, settings.zone)}
        elif isinstance(cell, dt.date):
            days = {cell}
        elif iso:
            days = {dt.date.fromisoformat(iso[1])}
        else:
            days = {day for form in settings.date_format if (day := day_in_form(text, form))}
    except (ValueError, OverflowError):
        days = set()
    if len(days) > 1:
        first, second = sorted(days)[:2]
        reason = f"{shown(text)} can be {first} or {second} by the forms that date_format in the settings lists"
        advice = "type year-month-day; where all dates are typed one way round, leave that form alone in date_format"
        return _refused(reason, advice)
    if not days:
        return _refused(*_why_no_date(text, settings.date_format, bool(iso)))
    (day,) = days
    if not _YEARS[0] <= day.year <= _YEARS[1]:
        return _refused(f"{shown(text)} is a date of the year {day.year}, surely mistyped", "correct the year")
    if moment is None:
        return Cleaned(day, remark=TIME_DROPPED if day_and_clock(text)[1] else "")
    return Cleaned(day, remark=TIME_DROPPED if moment.tzinfo is not None or moment.time() != dt.time() else "")


def _moment(text: str) -> dt.datetime | None:
    """The moment that an ISO text with a time of day names; None where there is no such time."""
    date, rest = text[:10], re.sub(r"\s+", "", text[11:].upper()).replace(",", ".")
    try:
        return dt.datetime.fromisoformat(f"{date}T{rest}")
    except ValueError:
        return None


def _day_of(moment: dt.datetime, zone: str) -> dt.date:
    """The day of a moment: in the zone of the settings when it has an offset, else as written."""
    return moment.date() if moment.tzinfo is None else moment.astimezone(ZoneInfo(zone)).date()


def _why_no_date(text: str, date_format: tuple[str, ...], iso: bool) -> tuple[str, str]:
    if iso:
        return f"{shown(text)} is written year-month-day, but there is no such day", "correct the date"
    if _BARE_NUMBER.match(text):
        day = day_in_form(text, SPREADSHEET_DAY)
        return (
            f"{shown(text)} is a bare number, perhaps a spreadsheet's count of days{f' ({day})' if day else ''}, and "
            "never turned into a date unasked",
            "format the cell as a date in the spreadsheet program, type year-month-day, or declare it in the settings: "
            f'date_format = ["{SPREADSHEET_DAY}"]',
        )
    if _SPAN_OF_DAYS.match(text):
        return (
            f"{shown(text)} names a span of days, not one day",
            "write one day with its year: the last of them for a unit found failed, the first for one found working",
        )
    if any(day_in_form(text, f"{form} in 2024") for form in FORMS_WITHOUT_YEAR):
        return (
            f"{shown(text)} names a day without its year",
            'add the year, or name the year of all such days in the settings: date_format = ["%d %b in 2025"]',
        )
    if date_format:
        advice = "correct it, type year-month-day, or add its form to date_format in the settings"
        return f"{shown(text)} is no date of the form {' or '.join(date_format)}", advice
    if any(c.isdigit() for c in text):
        return (
            f"{shown(text)} is a date as text in a form that was not declared, and day and month are never guessed",
            f"type year-month-day, or declare the form in the settings: {example_of('date_format')}",
        )
    return (
        f"{shown(text)} is no date",
        f'type year-month-day; if it means nothing, add it to missing_words in the settings: missing_words = ["-", '
        f'"?", {quoted(text)}]',
    )


def _read_number(cell: Cell, text: str, column: Column, *, settings: Settings) -> Cleaned:
    number: float | None = None
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        number = float(cell)
    elif isinstance(cell, str):
        plain = text.translate(_MINUS)
        if settings.decimal == "," and "." not in plain:
            plain = plain.replace(",", ".", 1)
        elif settings.decimal == ",":
            plain = ""
        number = float(plain) if _NUMBER.match(plain) else None
    if number is None or number in (float("inf"), float("-inf")):
        return _refused(*_why_no_number(text, settings.decimal))
    if not column.low <= number <= column.high:
        unit = f" {column.unit}" if column.unit and column.unit != "money" else ""
        limits = f"at least {column.low:g}" if column.high == float("inf") else f"{column.low:g} to {column.high:g}"
        return _refused(f"{shown(text)} is outside what {column.name} can be ({limits}{unit})", "correct the number")
    return Cleaned(number)


def _why_no_number(text: str, decimal: str) -> tuple[str, str]:
    other = "," if decimal == "." else "."
    if re.fullmatch(rf"[+-]?\d+\{other}\d+", text.translate(_MINUS)):
        mark = "comma" if other == "," else "point"
        return (
            f'{shown(text)} has a {mark} where the settings expect decimal = "{decimal}"',
            f'type it with "{decimal}", or declare decimal = "{other}" in the settings if the whole log is written so',
        )
    if text.endswith("%"):
        return f"{shown(text)} has a percent sign", "type the plain number"
    if re.fullmatch(r"[+-]?\d{1,3}(?:[., '’]\d{3})+(?:[.,]\d+)?", text.translate(_MINUS)):
        return f"{shown(text)} has a mark between thousands", "type the number without it"
    return f"{shown(text)} is no number", "type a plain number, without its unit"


def _read_whole(cell: Cell, text: str, column: Column, *, settings: Settings) -> Cleaned:
    found = _read_number(cell, text, column, settings=settings)
    if found.refusal:
        return found
    if found.value != int(found.value):
        return _refused(f"{shown(text)} is no whole number", "type a whole number")
    if abs(found.value) > _LARGEST_WHOLE:
        return _refused(f"{shown(text)} is far too large for {column.name}", "correct the number")
    return Cleaned(int(found.value))


def _read_word(cell: Cell, text: str, column: Column, *, settings: Settings) -> Cleaned:
    key = word_key(text)
    own = _own_words(settings, column.name)
    word = own.get(key) or column.spellings.get(key)
    if word is None and column.is_closed:
        known = ", ".join(column.known_words)
        near = near_word(key, column)
        line = f"[levels.{column.name}] words = {{ {quoted(text)} = {quoted(near or column.known_words[0])} }}"
        return _refused(
            f"{shown(text)} is no word for {column.name}{f'; did you mean {near!r}?' if near else ''}",
            f"use one of: {known}; or, for the whole log, add to the settings: {line}"
            f"{'' if near else ' (or whichever it means)'}",
        )
    return Cleaned(word if word is not None else text)


def _own_words(settings: Settings, column: str) -> Mapping[str, str]:
    words = settings.levels.get(column, {}).get("words", {})
    return {word_key(theirs): ours for theirs, ours in words.items()}


def _read_ip_code(cell: Cell, text: str, column: Column, *, settings: Settings) -> Cleaned:
    own = _own_words(settings, column.name).get(word_key(text))
    if own:
        return Cleaned(own)
    code = re.sub(r"[\s-]", "", _IP_AND.sub("/", text.upper()))
    digits = [part.removeprefix("IP") for part in code.split("/")]
    if code.startswith("IP") and all(_IP_PART.match(part) for part in digits):
        return Cleaned("/".join(f"IP{part}" for part in sorted(set(digits))))
    advice = "write IP, a digit 0 to 6 or X for solids and a digit 0 to 9 or X for water, such as IP67 or IPX5/IPX7"
    if re.fullmatch(r"IP[0-6X][69]K", code):
        reason = f"{shown(text)} is a road-vehicle code (ISO 20653), no IP code by IEC 60529"
        return _refused(reason, f"if the enclosure was tested by IEC 60529, write {code[:-1]}")
    if re.fullmatch(r"[0-6X][0-9X]", code):
        return _refused(f"{shown(text)} is no IP code by IEC 60529: the letters IP are missing", f"write IP{code}")
    return _refused(f"{shown(text)} is no IP code by IEC 60529", advice)


_READERS = {
    "text": _read_text,
    "date": _read_date,
    "number": _read_number,
    "whole": _read_whole,
    "word": _read_word,
    "yes_no": _read_word,
    "ip_code": _read_ip_code,
}
