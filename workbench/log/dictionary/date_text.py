"""Which day does a text name in a form that was declared? Names of months in several languages are read alike."""

import datetime as dt
import re
import unicodedata
from functools import cache, lru_cache

from workbench.log.dictionary.data_rows import data_rows

__all__ = ["FORMS_WITHOUT_YEAR", "SPREADSHEET_DAY", "day_and_clock", "day_in_form", "form_and_year", "names_a_day"]

SPREADSHEET_DAY = "spreadsheet day"
"""The form of a date that a spreadsheet program left as its count of days, such as 45730."""

FORMS_WITHOUT_YEAR = ("%d %b", "%d. %b", "%d-%b", "%d/%b", "%b %d", "%b-%d", "%d.%m.", "%d/%m", "%m/%d")
"""Forms in which people type days of a year that goes without saying."""

_DAY_ZERO = dt.date(1899, 12, 30)
_LONGEST_DAY = 30
MOST_REMEMBERED = 20_000
"""Texts in one form whose day is kept: a few megabytes."""
_COUNTED = re.compile(r"([2-7]\d{4})(?:[.,]\d+)?\Z")
_CLOCK = re.compile(
    r"(?<=\d)(?:\s*[,T]\s*|\s+)\d{1,2}[:.h]\d{2}(?:[:.]\d{2}(?:[.,]\d+)?)?\s*(?:[ap]\.?m\.?|uhr|h)?\Z", re.I
)
_OF_ONE_YEAR = re.compile(r"(.*\S) in (\d{4})\Z")
_DIGIT = re.compile(r"\d")
_NUMBER = re.compile(r"%[dmyYHMSfj]")
_LETTERS = re.compile(r"[^\W\d_]+\.?")
_ORDINAL = re.compile(r"(?<=\d)(?:st|nd|rd|th|er|e|º|ª)(?=[\s,.])", re.I)
_BETWEEN = re.compile(r"(?<=\s)(?:de|del|of)\s+", re.I)


_FORMS_OF_A_HEADING = (
    *("%Y-%m-%d", "%d %b", "%b %d", "%d-%b", "%d/%b", "%d. %b", "%d %b %Y", "%d. %b %Y", "%d %b %y", "%d-%b-%y"),
    *("%b %d, %Y", "%d/%m/%Y", "%d/%m/%y", "%m/%d/%Y", "%m/%d/%y", "%d/%m", "%m/%d", "%d.%m.%Y", "%d.%m.%y", "%d.%m."),
)
"""Day first or month first does not matter here: that a heading names a day is told, not which."""
_WORD_BEFORE = re.compile(r"\A(?:visit|visite|besuch|visita|check|seen|date)[\s:_-]+", re.I)


def names_a_day(heading: str) -> bool:
    """Whether a heading is a day, as where a log has one column per visit.

    Examples
    --------
    >>> names_a_day("12 Apr"), names_a_day("Visit 2025-04-12"), names_a_day("Date out")
    (True, True, False)
    """
    text = _WORD_BEFORE.sub("", heading.strip())[:_LONGEST_DAY]
    dated = [(text, form) if "y" in form.lower() else (f"{text} 2024", f"{form} %Y") for form in _FORMS_OF_A_HEADING]
    return any(day_in_form(day, form) for day, form in dated)


@cache
def _months() -> dict[str, str]:
    rows = data_rows("months.csv")
    return {_bare(word): row["month"] for row in rows for word in (row["month"], *row["words"].split(","))}


def _bare(word: str) -> str:
    """A word without accents, points and capitals."""
    parts = unicodedata.normalize("NFKD", word.strip().rstrip(".").casefold())
    return "".join(c for c in parts if not unicodedata.combining(c))


def day_and_clock(text: str) -> tuple[str, bool]:
    """Return a text without a time of day at its end, and whether there was one.

    Examples
    --------
    >>> day_and_clock("26.06.2025 01:08"), day_and_clock("3 March 2025")
    (('26.06.2025', True), ('3 March 2025', False))
    """
    day = _CLOCK.sub("", text)
    return day, day != text


def form_and_year(form: str) -> tuple[str, str]:
    """Return a form in full and the year that it adds to days typed without one, "" for a form that adds none.

    Examples
    --------
    >>> form_and_year("%d %b in 2025"), form_and_year("%d/%m/%Y")
    (('%d %b %Y', '2025'), ('%d/%m/%Y', ''))
    """
    of_year = _OF_ONE_YEAR.match(form)
    return (f"{of_year[1]} %Y", of_year[2]) if of_year else (form, "")


def day_in_form(text: str, form: str) -> dt.date | None:
    """Return the day that a text names in a strptime form, None where it names none; a time of day is passed over.

    Examples
    --------
    >>> day_in_form("3. März 2025", "%d. %B %Y"), day_in_form("1er avr. 2025 13:45", "%d %b %Y")
    (datetime.date(2025, 3, 3), datetime.date(2025, 4, 1))
    >>> day_in_form("45730", SPREADSHEET_DAY), day_in_form("31/02/2025", "%d/%m/%Y")
    (datetime.date(2025, 3, 14), None)
    >>> day_in_form("8 Mar", "%d %b in 2025")
    datetime.date(2025, 3, 8)
    """
    if form == SPREADSHEET_DAY:
        counted = _COUNTED.match(text)
        return _DAY_ZERO + dt.timedelta(int(counted[1])) if counted else None
    if not _DIGIT.search(text):  # every form asks for the number of a day
        return None
    whole, year = form_and_year(form)
    return _day_in_form(f"{day_and_clock(text)[0]} {year}" if year else text, whole)


@lru_cache(maxsize=MOST_REMEMBERED)
def _day_in_form(text: str, form: str) -> dt.date | None:
    """The day that a text with digits names; logs repeat their days, and each is tried in many forms."""
    plain, _ = day_and_clock(text)
    names_month = "%b" in form or "%B" in form
    has_letters, takes_letters = (_LETTERS.search(part) is not None for part in (plain, _NUMBER.sub("", form)))
    if has_letters > takes_letters or names_month > has_letters:
        return None
    if names_month:
        plain = _in_english(plain, "%B" if "%B" in form else "%b")
    try:
        day = dt.datetime.strptime(plain, form).date()
    except ValueError:
        return None
    # digits in a row, one missing: "2025111" may be cut in two ways
    return None if plain.isdigit() and day.strftime(form) != plain else day


def _in_english(text: str, part: str) -> str:
    """The text with the name of its month as strptime reads it, at length or short."""

    def named(found: re.Match[str]) -> str:
        month = _months().get(_bare(found[0]))
        return found[0] if month is None else month if part == "%B" else month[:3]

    return _LETTERS.sub(named, _BETWEEN.sub("", _ORDINAL.sub("", text)))
