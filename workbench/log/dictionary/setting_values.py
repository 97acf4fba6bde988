"""Setting values: what each key of season.toml may hold; a wrong value is a sentence that names key, value and rule."""

import datetime as dt
import re
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from workbench.checks import did_you_mean
from workbench.errors import SettingsError
from workbench.log.cells import shown
from workbench.log.dictionary.bench_work import known_thresholds
from workbench.log.dictionary.columns import log_columns, word_key
from workbench.log.dictionary.date_text import SPREADSHEET_DAY, form_and_year
from workbench.log.dictionary.nearness import quoted

__all__ = ["READERS", "ROLE_NAMES", "given", "refuse_unknown"]

ROLE_NAMES = ("protection", "exposure", "evidence", "ignore")
LEVEL_KEYS = ("words", "labels", "cost", "hours")
PLAN_KEYS = (
    "labour_per_hour",
    "build_hours",
    "visit_cost",
    "data_day_value",
    "battery_days",
    "desiccant_days",
    "lead_days",
    "repair_days",
)
"""Money per hour of labour; hours to build a unit; money per round of visits, labour and travel included; money that
a day of data is worth; days that cells and desiccant last; days from order to delivery, and of a repair."""
RECORD_KEYS = ("file_name", "time_format", "unit", "time", "battery", "humidity", "temperature")
"""Pattern of a data file's name, form of its times, and the headings of its columns."""

TIME_KEYS = ("last_good_is", "every_days", "zone")
LAST_GOOD_MEANINGS = ("last record", "last contact", "visit", "mixed")
ACTION_KEYS = ("what", "choice", "from", "to", "since", "expected", "owner", "due")
QUESTION_KEYS = ("choice", "level", "since")
DECISION_KEYS = ("ask", "answer", "owner", "due", "rests_on")

_PLAIN_KEY = re.compile(r"[\w-]{1,60}\Z")
_LONGEST_SHOWN = 120
_LONGEST_MISSION = 36_500
_LARGEST_COST = 1_000_000_000_000
_LARGEST_SEASON = 1_000_000_000


def given(value: Any) -> str:
    """Return a value as it is shown in an error: as Python writes it, cut when long.

    Examples
    --------
    >>> given("31/02"), given([1, 2])
    ("'31/02'", '[1, 2]')
    """
    try:
        text = " ".join(repr(value).split())
    except (ValueError, RecursionError):  # a number of thousands of digits; a list that holds itself many times over
        text = f"a {type(value).__name__} too long to show"
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "…"


def refuse_unknown(values: Mapping[str, Any], known: Sequence[str], where: str) -> None:
    """Refuse a table that holds a key which does not exist."""
    for key in values:
        if key not in known:
            raise SettingsError(
                f"{where}: unknown key {given(key)}{did_you_mean(str(key), known)} (there are: {', '.join(known)})"
            )


def _text(value: Any, where: str) -> str:
    if not isinstance(value, str) or not value.strip():
        raise SettingsError(f"{where} must be a text in quotes; got {given(value)}")
    return _writable(value.strip(), where)


def _writable(text: str, where: str) -> str:
    if any("\ud800" <= c <= "\udfff" for c in text):
        raise SettingsError(f"{where} holds half a character, which no file can hold; got {given(text)}: type it again")
    return text


def _season(value: Any, where: str) -> str:
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) <= _LARGEST_SEASON:
        return str(value)
    return _text(value, where)


def _mission(value: Any, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= _LONGEST_MISSION:
        raise SettingsError(f"{where} must be a whole number of days of 1 to {_LONGEST_MISSION:,}; got {given(value)}")
    return value


def _decimal(value: Any, where: str) -> str:
    if value not in (".", ","):
        raise SettingsError(f'{where} must be "." or ","; got {given(value)}')
    return str(value)


def _date_formats(value: Any, where: str) -> tuple[str, ...]:
    """A form of dates, or a list of forms."""
    forms = value if isinstance(value, list | tuple) else [value]
    return tuple(dict.fromkeys(_date_format(form, where) for form in forms))


def _date_format(value: Any, where: str) -> str:
    text = _text(value, where)
    if text == SPREADSHEET_DAY:
        return text
    form, year = form_and_year(text)
    if year and "%y" in text.casefold():
        raise SettingsError(f"{where} names a year beside a form that has one; got {given(value)}")
    for probe in (dt.date(2025, 3, 4), dt.date(2026, 11, 30)):
        try:
            again = dt.datetime.strptime(probe.strftime(form), form).date()
        except (ValueError, re.error):  # the latter when a part stands twice
            again = None
        if again != probe:
            raise SettingsError(
                f'{where} must hold day, month and year in strptime notation, such as "%d/%m/%Y", or end in the year '
                f'of days typed without one, such as "%d %b in 2025"; got {given(value)}'
            )
        try:
            iso = dt.date.fromisoformat(probe.strftime(form))
        except ValueError:
            continue
        if iso != probe:
            raise SettingsError(f"{where} reads ISO dates (year-month-day) differently; got {given(value)}")
    return text


def _sheets(value: Any, where: str) -> tuple[str, ...]:
    """The name of a sheet, or a list of names."""
    names = value if isinstance(value, list | tuple) else [value]
    return tuple(dict.fromkeys(_text(name, where) for name in names))


def _date(value: Any, where: str) -> dt.date:
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(_text(value, where))
    except ValueError:
        raise SettingsError(f'{where} must be a date such as "2025-03-01"; got {given(value)}') from None


def _window(value: Any, where: str) -> tuple[dt.date, dt.date]:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise SettingsError(f'{where} must be two dates such as ["2025-03-01", "2025-12-31"]; got {given(value)}')
    first, last = (_date(v, where) for v in value)
    if first >= last:
        raise SettingsError(f"{where} must begin before it ends; got {first} and {last}")
    return first, last


def _texts(value: Any, where: str) -> tuple[str, ...]:
    if not isinstance(value, list | tuple):
        raise SettingsError(f"{where} must be a list of texts; got {given(value)}")
    return tuple(_text(v, where) for v in value)


def _missing_words(value: Any, where: str) -> tuple[str, ...]:
    if not isinstance(value, list | tuple) or not all(isinstance(v, str) for v in value):
        raise SettingsError(f"{where} must be a list of texts; got {given(value)}")
    return tuple(dict.fromkeys(["", *(_writable(v.strip(), where) for v in value)]))  # an empty cell is always empty


def _table(value: Any, where: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise SettingsError(f"{where} must be a table of names and values; got {given(value)}")
    return value


def _text_table(value: Any, where: str) -> Mapping[str, str]:
    texts = _table(value, where).items()
    return MappingProxyType({_writable(str(k), where): _text(v, f"{where}, {shown(str(k))}") for k, v in texts})


def _roles(value: Any, where: str) -> Mapping[str, tuple[str, ...]]:
    refuse_unknown(_table(value, where), ROLE_NAMES, where)
    roles = {k: _texts(v, f"{where}, {k}") for k, v in value.items()}
    seen: dict[str, str] = {}
    for role, names in roles.items():
        for name in names:
            if seen.setdefault(word_key(name), role) != role:
                raise SettingsError(f"{where}: {shown(name)} stands under {seen[word_key(name)]} and {role}; keep one")
    return MappingProxyType(roles)


def _amount(value: Any, where: str, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not value >= 0:
        raise SettingsError(f"{where} must be {what} of at least 0; got {given(value)}")
    if value > _LARGEST_COST:
        raise SettingsError(f"{where} must be {what} of at most {_LARGEST_COST:,}; got {given(value)}")
    return float(value)


def _plan(value: Any, where: str) -> Mapping[str, float]:
    refuse_unknown(_table(value, where), PLAN_KEYS, where)
    return MappingProxyType({k: _amount(v, f"{where}.{k}", "a number") for k, v in value.items()})


def _levels(value: Any, where: str) -> Mapping[str, Mapping[str, Mapping[str, Any]]]:
    levels = {}
    for column, parts in _table(value, where).items():
        here = f"{where}.{column}" if _PLAIN_KEY.match(str(column)) else f"{where}, {shown(str(column))}"
        refuse_unknown(_table(parts, here), LEVEL_KEYS, here)
        read: dict[str, Mapping[str, Any]] = {
            key: _text_table(parts[key], f"{here}.{key}") for key in ("words", "labels") if key in parts
        }
        for key, what in (("cost", "an amount of money"), ("hours", "a number of hours")):
            if key in parts:
                read[key] = MappingProxyType(
                    {
                        _writable(str(k), here): _amount(v, f"{here}.{key}, {shown(str(k))}", what)
                        for k, v in _table(parts[key], f"{here}.{key}").items()
                    }
                )
        if "words" in read:
            read["words"] = _known_words(str(column), read["words"], f"{here}.words")
        levels[str(column)] = MappingProxyType(read)
    return MappingProxyType(levels)


def _known_words(name: str, words: Mapping[str, str], where: str) -> Mapping[str, str]:
    """Each of their words with the dictionary's own; where a column takes no other word, others are refused."""
    column = next((c for c in log_columns() if c.name == name), None)
    if column is None or column.type == "ip_code":
        return words
    meant = {theirs: column.spellings.get(word_key(ours), ours) for theirs, ours in words.items()}
    for theirs, ours in meant.items():
        if column.is_closed and ours not in column.known_words:
            near = did_you_mean(word_key(ours), column.known_words)
            write = f"{near} Write" if near else "; write"
            raise SettingsError(
                f"{where}, {shown(theirs)}: {shown(ours)} is no word for {name}{write} one of "
                f"{', '.join(column.known_words)}, such as {quoted(theirs)} = {quoted(column.known_words[0])}"
            )
    return MappingProxyType(meant)


def _thresholds(value: Any, where: str) -> Mapping[str, float]:
    known = {threshold.threshold: threshold.unit for threshold in known_thresholds()}
    refuse_unknown(_table(value, where), list(known), where)
    for name, limit in value.items():
        if isinstance(limit, bool) or not isinstance(limit, int | float) or not 0 < limit < float("inf"):
            raise SettingsError(f"{where}.{name} must be a number above 0, in {known[name]}; got {given(limit)}")
    return MappingProxyType({str(name): float(limit) for name, limit in value.items()})


def _actions(value: Any, where: str) -> tuple[Mapping[str, str], ...]:
    return _blocks(value, where, ACTION_KEYS, needed=("action", "what", "say in a few words what was changed"))


def _question(value: Any, where: str) -> Mapping[str, str]:
    refuse_unknown(_table(value, where), QUESTION_KEYS, where)
    if value and "choice" not in value:
        raise SettingsError(f"{where} has no 'choice'; name the column that the season was to answer")
    return MappingProxyType({k: _block_value(v, f"{where}.{k}") for k, v in value.items()})


def _decisions(value: Any, where: str) -> tuple[Mapping[str, str], ...]:
    return _blocks(value, where, DECISION_KEYS, needed=("decision", "ask", "write the question to be decided"))


def _blocks(
    value: Any, where: str, keys: Sequence[str], *, needed: tuple[str, str, str]
) -> tuple[Mapping[str, str], ...]:
    """Blocks of one kind, each a table of texts and days; `needed` names the kind, the key it cannot lack, and why."""
    kind, key, advice = needed
    if not isinstance(value, list | tuple):
        raise SettingsError(f"{where} must be written as [[{kind}]]; got {given(value)}")
    blocks = []
    for number, entry in enumerate(value, start=1):
        here = f"{where} {number}"
        refuse_unknown(_table(entry, here), keys, here)
        if key not in entry:
            raise SettingsError(f"{here} has no '{key}'; {advice}")
        read = {k: _block_value(v, f"{here}, {k}") for k, v in entry.items()}
        if "due" in read:
            _check_due(read["due"], f"{here}, due")
        blocks.append(MappingProxyType(read))
    return tuple(blocks)


def _block_value(value: Any, where: str) -> str:
    if isinstance(value, dt.date):
        return value.isoformat()[:10]
    return _season(value, where)


def _check_due(value: str, where: str) -> None:
    try:
        dt.date.fromisoformat(value)
    except ValueError:
        raise SettingsError(f"{where} must be a day such as 2026-02-01; got {given(value)}") from None


def _time(value: Any, where: str) -> Mapping[str, Any]:
    refuse_unknown(_table(value, where), TIME_KEYS, where)
    meaning, days = value.get("last_good_is"), value.get("every_days")
    if meaning is not None and meaning not in LAST_GOOD_MEANINGS:
        known = ", ".join(f'"{word}"' for word in LAST_GOOD_MEANINGS)
        raise SettingsError(f"{where}.last_good_is must be one of {known}; got {given(meaning)}")
    if days is not None and (isinstance(days, bool) or not isinstance(days, int) or not 1 <= days <= _LONGEST_MISSION):
        raise SettingsError(f"{where}.every_days must be a whole number of days from 1 on; got {given(days)}")
    if (meaning == "last contact" and days is None) or (days is not None and meaning not in ("last contact", "mixed")):
        raise SettingsError(
            f'{where}: last_good_is = "last contact" and every_days belong together: a unit failed within so many days '
            "after its last contact, so add every_days = 1 or whatever the days between two contacts are"
            if days is None
            else f'{where}: every_days is for last_good_is = "last contact" or "mixed"; take it out, or say so'
        )
    if "zone" in value:
        _check_zone(_text(value["zone"], f"{where}.zone"), f"{where}.zone")
    return MappingProxyType(dict(value))


def _records(value: Any, where: str) -> Mapping[str, str]:
    refuse_unknown(_table(value, where), RECORD_KEYS, where)
    texts = {key: _text(text, f"{where}.{key}") for key, text in value.items()}
    if "{unit}" not in texts.get("file_name", "{unit}"):
        raise SettingsError(f'{where}.file_name must say where the unit stands, such as "dump_{{unit}}_*"')
    return MappingProxyType(texts)


def _check_zone(name: str, where: str) -> None:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise SettingsError(f'{where} must be a time zone such as "UTC" or "Etc/GMT-1"; got {given(name)}') from None


READERS: Mapping[str, Callable[[Any, str], Any]] = {
    "season": _season,
    "mission_days": _mission,
    "date_format": _date_formats,
    "decimal": _decimal,
    "window": _window,
    "missing_words": _missing_words,
    "sheet": _sheets,
    "failure_means": _text,
    "decisions": _texts,
    "mechanisms_of_interest": _texts,
    "rename": _text_table,
    "roles": _roles,
    "reference": _text_table,
    "levels": _levels,
    "thresholds": _thresholds,
    "plan": _plan,
    "action": _actions,
    "decision": _decisions,
    "question": _question,
    "currency": _text,
    "records": _records,
    "time": _time,
}
"""Key to the reader of its value, which gets the value and where it stands."""
