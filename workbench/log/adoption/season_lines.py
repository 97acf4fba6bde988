"""Season lines: forms of dates, decimal mark, season and the meaning of the last good day, told from the cells."""

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence

from workbench.log.adoption.date_forms import LEAP_YEAR, day_of, forms_of, forms_of_days_without_year
from workbench.log.adoption.document import SettingsDocument
from workbench.log.adoption.hints import guessed_word, last_good_meaning, recorded, says_nothing
from workbench.log.adoption.questions import Ask, Query
from workbench.log.cells import Cell, cell_text, shown
from workbench.log.dictionary import MISSING_WORDS, SPREADSHEET_DAY, day_in_form, log_columns
from workbench.log.rules import tidy

__all__ = ["settle_mission", "settle_season"]

Cells = Mapping[str, Sequence[Cell]]

_LEAST_GAPS = 5
_LONGEST_GAP = 31
_LAST_RECORD = "last record"
_LAST_CONTACT = "last contact"
_MEANINGS = {
    _LAST_RECORD: "last record (the memory was read to its end)",
    _LAST_CONTACT: "last contact (radio)",
    "visit": "visit (somebody saw it work)",
    "mixed": "mixed (by row, column time_basis)",
}


def settle_season(
    document: SettingsDocument, cells: Cells, headings: Mapping[str, str], *, years: Collection[int], ask: Ask
) -> None:
    """Ask what holds for the whole season; `years` are those that the names of its files hold."""
    _settle_nothing(document, cells, ask)
    _settle_dates(document, cells, years=years, ask=ask)
    _settle_decimal(document, cells, ask)
    _settle_name(document, cells, ask)
    if recorded(cells.get("last_good_on", ())):
        has_basis = bool(recorded(cells.get("time_basis", ())))
        between = _between_contacts(document, cells, headings)
        _settle_last_good(document, headings["last_good_on"], ask, has_basis=has_basis, between=between)


def _settle_nothing(document: SettingsDocument, cells: Cells, ask: Ask) -> None:
    texts = Counter(tidy(cell_text(cell)) for column in cells.values() for cell in column)
    found = [text for text in texts if says_nothing(text)]
    if document.is_confirmed(("missing_words",)) or not found:
        return
    about = f"Cells that say that nothing is known: {', '.join(map(shown, found))}"
    answer = ask(Query(about=about, proposal="right", options=("right", "wrong")))
    if answer.value == "right":
        words = [*(word for word in MISSING_WORDS if word), *found]
        document.put(("missing_words",), words, is_confirmed=answer.is_confirmed)


def _of_type(cells: Cells, kind: str) -> list[Cell]:
    names = [c.name for c in log_columns() if c.type == kind]
    return [cell for name in names for cell in recorded(cells.get(name, ()))]


def _settle_dates(document: SettingsDocument, cells: Cells, *, years: Collection[int], ask: Ask) -> None:
    dates = _of_type(cells, "date")
    columns = [recorded(cells[c.name]) for c in log_columns() if c.type == "date" and c.name in cells]
    sure, open_pairs = forms_of(columns)
    without_year = forms_of_days_without_year(columns, sure)
    if document.is_confirmed(("date_format",)) or not (sure or open_pairs or without_year):
        return
    forms: list[str] = []
    is_confirmed = True
    if sure:
        about = f"Dates typed as text: {'; '.join(_example(dates, form, sure) for form in sure)}{_mixed(sure)}"
        answer = ask(Query(about=about, proposal="right", options=("right", "wrong")))
        forms += sure if answer.value == "right" else ()
        is_confirmed = answer.is_confirmed
    for pair in open_pairs:
        readings = {_example(dates, form): form for form in pair}
        about = "Day and month cannot be told apart in dates such as " + shown(_first(dates, pair[0]))
        answer = ask(Query(about=about, options=tuple(readings)))
        forms += [readings[answer.value]] if answer.value is not None else []
    if without_year:
        seen = {day.year for cell in dates if (day := day_of(cell, forms)) is not None} or set(years)
        year, is_sure = _year_of_days(document, _first(dates, f"{without_year[0]} in {LEAP_YEAR}"), seen, ask=ask)
        forms += [f"{form} in {year}" for form in without_year if year is not None]
        is_confirmed &= is_sure
    if forms:
        document.put(("date_format",), forms, is_confirmed=is_confirmed)
    for pair in open_pairs:
        if not set(pair) & set(forms):
            document.remark(f"day and month cannot be told apart: date_format = {pair[0]!r} or {pair[1]!r}")


def _year_of_days(
    document: SettingsDocument, example: str, years: Collection[int], *, ask: Ask
) -> tuple[str | None, bool]:
    """The year of days typed without one, proposed where all dates are of one year; and whether a person said so."""
    about = f"Days without a year, such as {shown(example)}: of which year?"
    seen = tuple(map(str, sorted(years)))
    answer = ask(Query(about=about, proposal=seen[0] if len(seen) == 1 else None, options=seen, is_number=True))
    if answer.value is None:
        document.remark(f'not said of which year {shown(example)} is: date_format = "%d %b in 2025" or ...')
    return answer.value, answer.is_confirmed


def _mixed(forms: Sequence[str]) -> str:
    """What it means that dates are typed both ways round."""
    if not any(form.startswith("%d") and f"%m{form[2]}%d{form[5:]}" in forms for form in forms):
        return ""
    return ". Some have the day first and some the month: a date that can be read both ways is set aside"


def _first(cells: Sequence[Cell], form: str) -> str:
    """The first date typed in a form, "" where there is none."""
    texts = [tidy(cell_text(cell)) for cell in cells if isinstance(cell, str) or form == SPREADSHEET_DAY]
    return next((text for text in texts if day_in_form(text, form)), "")


def _example(cells: Sequence[Cell], form: str, others: Sequence[str] = ()) -> str:
    """A date in a form with the day that it means; better one that none of the other forms reads."""
    alone = [c for c in cells if not any(day_in_form(tidy(cell_text(c)), other) for other in others if other != form)]
    text = _first(alone, form) or _first(cells, form)
    day = day_in_form(text, form)
    return f"{text} = {day:%d %B %Y}" if day else text


def _settle_decimal(document: SettingsDocument, cells: Cells, ask: Ask) -> None:
    texts = [tidy(cell_text(cell)) for cell in _of_type(cells, "number")]
    commas = [text for text in texts if re.fullmatch(r"-?\d+,\d+", text)]
    points = [text for text in texts if re.fullmatch(r"-?\d+\.\d+", text)]
    if document.is_confirmed(("decimal",)) or len(commas) <= len(points):
        return
    answer = ask(Query(about=f"Numbers such as {commas[0]}: mark before decimals", proposal=",", options=(",", ".")))
    if answer.value is not None:
        document.put(("decimal",), answer.value, is_confirmed=answer.is_confirmed)


def _settle_name(document: SettingsDocument, cells: Cells, ask: Ask) -> None:
    forms = tuple(map(str, document.value(("date_format",)) or ()))
    years = Counter(day.year for cell in cells.get("deployed_on", ()) if (day := day_of(cell, forms)) is not None)
    if document.is_confirmed(("season",)) or not years:
        return
    options = tuple(str(year) for year, _ in years.most_common(3))
    answer = ask(Query(about="Name of the season", proposal=options[0], options=options))
    if answer.value is not None:
        document.put(("season",), answer.value, is_confirmed=answer.is_confirmed)


def _between_contacts(document: SettingsDocument, cells: Cells, headings: Mapping[str, str]) -> int | None:
    """Days between two contacts, from units that still worked when found; None where too few tell, or too much."""
    if not {"outcome", "found_on"} <= set(cells):
        return None
    forms = tuple(map(str, document.value(("date_format",)) or ()))
    column = next(c for c in log_columns() if c.name == "outcome")
    gaps = [
        (found - last).days
        for end, one, other in zip(cells["outcome"], cells["last_good_on"], cells["found_on"], strict=False)
        if guessed_word(cell_text(end), column, heading=headings["outcome"]) == "working"
        and (last := day_of(one, forms)) is not None
        and (found := day_of(other, forms)) is not None
    ]
    longest = max(gaps, default=0)
    return max(longest, 1) if len(gaps) >= _LEAST_GAPS and min(gaps) >= 0 and longest <= _LONGEST_GAP else None


def _settle_last_good(
    document: SettingsDocument, heading: str, ask: Ask, *, has_basis: bool, between: int | None
) -> None:
    place = ("time", "last_good_is")
    if document.is_confirmed(place):
        return
    proposal = document.value(place) or last_good_meaning(heading)
    shown_as = _MEANINGS.get(str(proposal))
    if proposal == _LAST_CONTACT and between is None:
        shown_as = None  # it needs the days between two contacts, which nothing in the log tells
    about = f"What is the day in {shown(heading)}?"
    answer = ask(Query(about=about, proposal=shown_as, options=tuple(_MEANINGS.values())))
    meaning = next((word for word, text in _MEANINGS.items() if text == answer.value), None)
    if meaning is None:
        document.remark(f'not said what {heading} means: [time] last_good_is = "last record", "last contact" or ...')
        return
    if meaning == _LAST_CONTACT or (meaning == "mixed" and has_basis):
        whose = "" if meaning == _LAST_CONTACT else " of a unit known by radio (time_basis telemetry)"
        about = f"Days between two contacts{whose}"
        about += f" (units found working had been heard within {between})" if between else ""
        days = ask(Query(about=about, proposal=str(between or 1), options=("1", "7", "14", "30"), is_number=True)).value
        if days is not None:
            document.put(("time", "every_days"), int(days), is_confirmed=answer.is_confirmed)
        elif meaning == _LAST_CONTACT:
            return
    document.put(place, meaning, is_confirmed=answer.is_confirmed)


def settle_mission(document: SettingsDocument, assumed: int, *, ask: Ask) -> None:
    """Ask how long a unit must last; what nobody confirmed is left out, and so goes on being called assumed."""
    if document.value(("mission_days",)) is not None:
        return
    options = (str(assumed), *(days for days in ("90", "180", "365") if days != str(assumed)))
    about = "Days a unit must last (the mission; proposed is 80 % of the longest life seen)"
    answer = ask(Query(about=about, proposal=str(assumed), options=options, is_number=True))
    if answer.value is not None and answer.is_confirmed:
        document.put(("mission_days",), int(answer.value), is_confirmed=True)
