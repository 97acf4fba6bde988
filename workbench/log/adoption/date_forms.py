"""Date forms: how are the dates of a foreign log typed? Day and month are told apart by the cells or not at all."""

import datetime as dt
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence

from workbench.log.cells import Cell, cell_text
from workbench.log.dictionary import FORMS_WITHOUT_YEAR, SPREADSHEET_DAY, day_and_clock, day_in_form
from workbench.log.rules import tidy

__all__ = ["LEAP_YEAR", "day_of", "forms_of", "forms_of_days_without_year", "is_count", "is_dated"]

_ISO = re.compile(r"\d{4}-\d{1,2}-\d{1,2}(?!\d)")
_NUMERIC = re.compile(r"(\d{1,4})([/.-])(\d{1,2})\2(\d{1,4})\Z")
_NAMED = (
    *("%d %b %Y", "%d %b %y", "%d. %b %Y", "%d. %b %y", "%d-%b-%Y", "%d-%b-%y", "%d/%b/%Y", "%d/%b/%y", "%d.%b.%Y"),
    *("%d.%b.%y", "%d%b%Y", "%b %d, %Y", "%b %d %Y", "%b-%d-%Y", "%Y %b %d", "%Y-%b-%d", "%Y%m%d"),
)
"""Forms in which the month is a word or the year comes first: they cannot be mistaken."""

_COUNT = re.compile(r"\d{5}(?:[.,]\d+)?\Z")
_COUNTS = range(36_526, 55_153)
"""What a spreadsheet's count of days can be: the years 2000 to 2050."""

LEAP_YEAR = 2024
"""A year that has every day."""

_FEWEST_CERTAIN = 5
_BESIDE = dt.timedelta(days=10)
_AROUND = 400


def _numeric_forms(text: str) -> tuple[str, ...]:
    """The forms of a date of three numbers: year first, or day first and month first."""
    found = _NUMERIC.match(day_and_clock(text)[0])
    if not found:
        return ()
    first, mark, _, last = found.groups()
    if len(first) == 4:
        return (mark.join(("%Y", "%m", "%d")),)
    year = "%Y" if len(last) == 4 else "%y"
    return mark.join(("%d", "%m", year)), mark.join(("%m", "%d", year))


def forms_of(columns: Sequence[Sequence[Cell]]) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return the forms in which dates are typed as text, and the pairs of forms that cannot be told apart."""
    groups: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for text in _texts(cell for cells in columns for cell in cells):
        named = next(((form,) for form in _NAMED if day_in_form(text, form)), ())
        forms = named or _numeric_forms(text)
        if forms and any(day_in_form(text, form) for form in forms):
            groups[forms].append(text)
    sure: list[str] = []
    open_pairs = []
    for forms, texts in groups.items():
        fitting = tuple(form for form in forms if all(day_in_form(text, form) for text in texts))
        if len(fitting) > 1:
            open_pairs.append(fitting)
        # typed both ways round: with both forms declared, what can be read in two ways is set aside
        both = forms if not fitting and all(any(day_in_form(text, form) for form in forms) for text in texts) else ()
        sure += fitting if len(fitting) == 1 else both
    ways = _ways(sure)
    settled = []
    if len(ways) == 1:  # who writes 25/3/25 writes 3/4/2025 the same way round; nobody writes month.day.year
        settled = [pair for pair in open_pairs if "%d" in ways or "." not in pair[0]]
        sure += [form for pair in settled for form in pair if form[:2] in ways]
    for pair in (pair for pair in open_pairs if pair not in settled):
        likely = _by_neighbours(pair, columns, sure)
        if likely is not None:
            settled.append(pair)
            sure.append(likely)
    if _has_counts(columns, sure):
        sure.append(SPREADSHEET_DAY)
    return tuple(dict.fromkeys(sure)), tuple(pair for pair in open_pairs if pair not in settled)


def forms_of_days_without_year(columns: Sequence[Sequence[Cell]], sure: Sequence[str]) -> tuple[str, ...]:
    """Return the forms of days typed without a year; two numbers as in other dates, or not at all."""
    typed = [forms for text in _texts(cell for cells in columns for cell in cells) if (forms := _without_year(text))]
    named = [forms[0] for forms in typed if not _is_of_two_numbers(forms[0])]
    two = [forms for forms in typed if _is_of_two_numbers(forms[0])]
    ways = _ways([*sure, *(forms[0] for forms in two if len(forms) == 1)])
    return tuple(dict.fromkeys([*named, *(form for forms in two for form in forms if ways == {form[:2]})]))


def _is_of_two_numbers(form: str) -> bool:
    return "/" in form and "%b" not in form


def _ways(forms: Iterable[str]) -> set[str]:
    """Whether the day or the month comes first in dates of numbers: %d, %m or both."""
    return {form[:2] for form in forms if form[:2] in ("%d", "%m") and "%b" not in form.casefold()}


def _without_year(text: str) -> tuple[str, ...]:
    """The forms in which a text names a day without a year: one, but for two numbers with a stroke."""
    forms = tuple(form for form in FORMS_WITHOUT_YEAR if day_in_form(text, f"{form} in {LEAP_YEAR}"))
    return forms if all(map(_is_of_two_numbers, forms)) else forms[:1]


def _has_counts(columns: Sequence[Sequence[Cell]], sure: Sequence[str]) -> bool:
    """Whether numbers stand among dates, and would lie among them if they were a spreadsheet's count of days."""
    days = [day.toordinal() for cells in columns for cell in cells if (day := _certain_day(cell, sure)) is not None]
    counts = [day.toordinal() for cells in columns for cell in cells if is_count(cell) and (day := day_of(cell))]
    return bool(counts) and (not days or (min(days) - _AROUND <= min(counts) and max(counts) <= max(days) + _AROUND))


def is_count(cell: Cell) -> bool:
    """Whether a cell holds a number that can be a spreadsheet's count of days."""
    text = tidy(cell_text(cell))
    return bool(_COUNT.match(text)) and int(text[:5]) in _COUNTS


def _by_neighbours(pair: Sequence[str], columns: Sequence[Sequence[Cell]], sure: Sequence[str]) -> str | None:
    """The form in which dates lie among the certain dates of their own column, when they do not in the other form."""
    inside: Counter[str] = Counter()
    texts = 0
    for cells in columns:
        certain = [day for cell in cells if (day := _certain_day(cell, sure)) is not None]
        doubtful = [text for text in _texts(cells) if day_in_form(text, pair[0]) and _certain_day(text, sure) is None]
        if len(certain) < _FEWEST_CERTAIN or not doubtful:
            continue
        texts += len(doubtful)
        first, last = min(certain) - _BESIDE, max(certain) + _BESIDE
        for form in pair:
            inside[form] += sum(
                (day := day_in_form(text, form)) is not None and first <= day <= last for text in doubtful
            )
    best, other = sorted(pair, key=lambda form: -inside[form])
    return best if texts > 1 and inside[best] == texts and inside[other] <= texts / 2 else None


def _certain_day(cell: Cell, sure: Sequence[str]) -> dt.date | None:
    text = tidy(cell_text(cell))
    if isinstance(cell, dt.date) or _ISO.match(text):
        return day_of(cell)
    return next((day for form in sure if (day := day_in_form(text, form))), None)


def _texts(cells: Iterable[Cell]) -> list[str]:
    return [text for cell in cells if isinstance(cell, str) and not _ISO.match(text := tidy(cell))]


def day_of(cell: Cell, forms: Sequence[str] = ()) -> dt.date | None:
    """Return the day that a cell tells, by forms given first or by any: for comparing columns, not for lives."""
    if isinstance(cell, dt.datetime):
        return cell.date()
    if isinstance(cell, dt.date):
        return cell
    text = tidy(cell_text(cell))
    if _ISO.match(text):
        return day_in_form(text[:10], "%Y-%m-%d")
    if is_count(cell):
        return day_in_form(text, SPREADSHEET_DAY)
    tried = (*forms, *_numeric_forms(text), *_NAMED)
    return next((day for form in tried if (day := day_in_form(text, form))), None)


def is_dated(cell: Cell) -> bool:
    """Whether a cell looks like a date, if without a year; a bare number does not, nor a fraction such as 1/2."""
    if isinstance(cell, int | float) or is_count(cell):
        return False
    forms = _without_year(tidy(cell_text(cell)))
    return day_of(cell) is not None or bool(forms and not _is_of_two_numbers(forms[0]))
