"""Settings of a season: read strictly from season.toml or the same as a dict; every key checked, none guessed."""

import datetime as dt
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from os import PathLike
from pathlib import Path
from types import MappingProxyType
from typing import Any

from workbench.checks import did_you_mean
from workbench.errors import SettingsError
from workbench.log.columns import log_columns, word_key

__all__ = ["MISSING_WORDS", "Settings", "read_settings"]

MISSING_WORDS = ("", "-", "?", "n/a", "not recorded")
"""What stands for "nothing here" unless the settings say otherwise; NA and None are words like others."""

ROLE_NAMES = ("protection", "exposure", "evidence", "ignore")
LEVEL_KEYS = ("words", "labels", "cost")
ACTION_KEYS = ("what", "choice", "from", "to", "since", "expected", "owner", "due")


def _empty() -> Mapping[str, Any]:
    return MappingProxyType({})


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Everything a season's log is read with; build with `read_settings`.

    Attributes
    ----------
    season : str or None
        Name of the season.
    mission_days : int or None
        Days a unit must last; None: derived from the log and said so.
    date_format : str or None
        strptime notation for dates typed as text; ISO text and true date cells are always taken.
    decimal : str
        "." or ",".
    window : (date, date) or None
        Every date must lie in it, both ends included.
    missing_words : tuple of str
        Cell contents that stand for "not recorded".
    sheet : str or None
        Sheet of a workbook that holds the log.
    failure_means : str or None
        What counts as failure, printed on page one.
    decisions, mechanisms_of_interest : tuple of str
        Decisions asked of the review; mechanisms that the ranking is about.
    rename : mapping of str to str
        Their heading to our column.
    roles : mapping of str to tuple of str
        protection, exposure, evidence, ignore: columns that get this role.
    reference : mapping of str to str
        Reference level of a column.
    levels : mapping of str to mapping
        Column to words (their word to our level), labels (level to shown text) and cost (level to extra money).
    action : tuple of mapping
        What was changed: what, choice, from, to, since, expected, owner, due.
    """

    season: str | None = None
    mission_days: int | None = None
    date_format: str | None = None
    decimal: str = "."
    window: tuple[dt.date, dt.date] | None = None
    missing_words: tuple[str, ...] = MISSING_WORDS
    sheet: str | None = None
    failure_means: str | None = None
    decisions: tuple[str, ...] = ()
    mechanisms_of_interest: tuple[str, ...] = ()
    rename: Mapping[str, str] = field(default_factory=_empty)
    roles: Mapping[str, tuple[str, ...]] = field(default_factory=_empty)
    reference: Mapping[str, str] = field(default_factory=_empty)
    levels: Mapping[str, Mapping[str, Mapping[str, Any]]] = field(default_factory=_empty)
    action: tuple[Mapping[str, str], ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return the settings as plain values for the echo in every output.

        Returns
        -------
        dict
            JSON-ready; keys as in season.toml, None where not set.

        Raises
        ------
        Nothing.
        """
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}

    def label(self, column: str, level: str) -> str:
        """Return how a level is shown.

        Parameters
        ----------
        column : str
            Column of the log.
        level : str
            Level as in the records.

        Returns
        -------
        str
            The label of the settings, else the level itself.

        Raises
        ------
        Nothing.
        """
        return str(self.levels.get(column, {}).get("labels", {}).get(level, level))

    def cost(self, column: str, level: str) -> float:
        """Return the extra cost of a level.

        Parameters
        ----------
        column : str
            Column of the log.
        level : str
            Level as in the records.

        Returns
        -------
        float
            NaN where the settings give none.

        Raises
        ------
        Nothing.
        """
        return float(self.levels.get(column, {}).get("cost", {}).get(level, float("nan")))

    def further_columns(self) -> tuple[str, ...]:
        """Return the names that `roles` gives a use to, beyond the dictionary.

        Returns
        -------
        tuple of str
            As typed in the settings.

        Raises
        ------
        Nothing.
        """
        own = {c.name for c in log_columns()}
        return tuple(n for role in ROLE_NAMES[:3] for n in self.roles.get(role, ()) if word_key(n) not in own)


def read_settings(source: "Settings | Mapping[str, Any] | str | PathLike[str] | None" = None) -> Settings:
    """Read settings from a TOML file or a dict of the same shape.

    Parameters
    ----------
    source : path, mapping, Settings or None
        None gives the defaults.

    Returns
    -------
    Settings
        Frozen and checked.

    Raises
    ------
    SettingsError
        A missing or unreadable file, an unknown key at any level (with the nearest known one), a wrong value.

    Examples
    --------
    >>> read_settings({"mission_days": 180}).mission_days
    180
    """
    if source is None:
        return Settings()
    if isinstance(source, Settings):
        return source
    if isinstance(source, Mapping):
        return _checked(source, "settings")
    path = Path(source)
    if not path.is_file():
        raise SettingsError(
            f"no settings file at {path}; write one with 'workbench adopt LOG', or leave --settings out"
        )
    try:
        values = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise SettingsError(f"{path.name} is not UTF-8 text; save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{path.name} is no valid TOML: {error}") from None
    return _checked(values, path.name)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    return value.isoformat() if isinstance(value, dt.date) else value


def _checked(values: Mapping[str, Any], where: str) -> Settings:
    _refuse_unknown(values, [f.name for f in fields(Settings)], where)
    known = {key: _READERS[key](value, f"{where}: {key}") for key, value in values.items() if value is not None}
    settings = Settings(**known)
    _check_columns(settings, where)
    return settings


def _refuse_unknown(values: Mapping[str, Any], known: Sequence[str], where: str) -> None:
    for key in values:
        if key not in known:
            raise SettingsError(
                f"{where}: unknown key {key!r}{did_you_mean(str(key), known)} (there are: {', '.join(known)})"
            )


def _text(value: Any, where: str) -> str:
    if not isinstance(value, str) or not value.strip():
        raise SettingsError(f"{where} must be a text in quotes; got {value!r}")
    return value.strip()


def _season(value: Any, where: str) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    return _text(value, where)


def _mission(value: Any, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise SettingsError(f"{where} must be a whole number of days of at least 1; got {value!r}")
    return value


def _decimal(value: Any, where: str) -> str:
    if value not in (".", ","):
        raise SettingsError(f'{where} must be "." or ","; got {value!r}')
    return str(value)


def _date_format(value: Any, where: str) -> str:
    text = _text(value, where)
    for probe in (dt.date(2025, 3, 4), dt.date(2026, 11, 30)):
        try:
            again = dt.datetime.strptime(probe.strftime(text), text).date()
        except ValueError:
            again = None
        if again != probe:
            raise SettingsError(
                f'{where} must hold day, month and year in strptime notation, such as "%d/%m/%Y"; got {value!r}'
            )
        try:
            iso = dt.date.fromisoformat(probe.strftime(text))
        except ValueError:
            continue
        if iso != probe:
            raise SettingsError(f"{where} reads ISO dates (year-month-day) differently; got {value!r}")
    return text


def _date(value: Any, where: str) -> dt.date:
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(_text(value, where))
    except ValueError:
        raise SettingsError(f'{where} must be a date such as "2025-03-01"; got {value!r}') from None


def _window(value: Any, where: str) -> tuple[dt.date, dt.date]:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise SettingsError(f'{where} must be two dates such as ["2025-03-01", "2025-12-31"]; got {value!r}')
    first, last = (_date(v, where) for v in value)
    if first >= last:
        raise SettingsError(f"{where} must begin before it ends; got {first} and {last}")
    return first, last


def _texts(value: Any, where: str) -> tuple[str, ...]:
    if not isinstance(value, list | tuple):
        raise SettingsError(f"{where} must be a list of texts; got {value!r}")
    return tuple(_text(v, where) for v in value)


def _missing_words(value: Any, where: str) -> tuple[str, ...]:
    if not isinstance(value, list | tuple) or not all(isinstance(v, str) for v in value):
        raise SettingsError(f"{where} must be a list of texts; got {value!r}")
    return tuple(dict.fromkeys(["", *(v.strip() for v in value)]))  # an empty cell is always empty


def _table(value: Any, where: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise SettingsError(f"{where} must be a table of names and values; got {value!r}")
    return value


def _text_table(value: Any, where: str) -> Mapping[str, str]:
    return MappingProxyType({str(k): _text(v, f"{where}, {k!r}") for k, v in _table(value, where).items()})


def _roles(value: Any, where: str) -> Mapping[str, tuple[str, ...]]:
    _refuse_unknown(_table(value, where), ROLE_NAMES, where)
    roles = {k: _texts(v, f"{where}, {k}") for k, v in value.items()}
    seen: dict[str, str] = {}
    for role, names in roles.items():
        for name in names:
            if seen.setdefault(word_key(name), role) != role:
                raise SettingsError(f"{where}: {name!r} stands under {seen[word_key(name)]} and {role}; keep one")
    return MappingProxyType(roles)


def _cost(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < float("inf"):
        raise SettingsError(f"{where} must be an amount of money of at least 0; got {value!r}")
    return float(value)


def _levels(value: Any, where: str) -> Mapping[str, Mapping[str, Mapping[str, Any]]]:
    levels = {}
    for column, parts in _table(value, where).items():
        here = f"{where}.{column}"
        _refuse_unknown(_table(parts, here), LEVEL_KEYS, here)
        read: dict[str, Mapping[str, Any]] = {
            key: _text_table(parts[key], f"{here}.{key}") for key in ("words", "labels") if key in parts
        }
        if "cost" in parts:
            costs = _table(parts["cost"], f"{here}.cost")
            read["cost"] = MappingProxyType({str(k): _cost(v, f"{here}.cost, {k!r}") for k, v in costs.items()})
        levels[str(column)] = MappingProxyType(read)
    return MappingProxyType(levels)


def _actions(value: Any, where: str) -> tuple[Mapping[str, str], ...]:
    if not isinstance(value, list | tuple):
        raise SettingsError(f"{where} must be written as [[action]]; got {value!r}")
    actions = []
    for number, entry in enumerate(value, start=1):
        here = f"{where} {number}"
        _refuse_unknown(_table(entry, here), ACTION_KEYS, here)
        if "what" not in entry:
            raise SettingsError(f"{here} has no 'what'; say in a few words what was changed")
        actions.append(MappingProxyType({k: _action_value(v, f"{here}, {k}") for k, v in entry.items()}))
    return tuple(actions)


def _action_value(value: Any, where: str) -> str:
    if isinstance(value, dt.date):
        return value.isoformat()[:10]
    return _season(value, where)


_READERS: Mapping[str, Callable[[Any, str], Any]] = {
    "season": _season,
    "mission_days": _mission,
    "date_format": _date_format,
    "decimal": _decimal,
    "window": _window,
    "missing_words": _missing_words,
    "sheet": _text,
    "failure_means": _text,
    "decisions": _texts,
    "mechanisms_of_interest": _texts,
    "rename": _text_table,
    "roles": _roles,
    "reference": _text_table,
    "levels": _levels,
    "action": _actions,
}


def _check_columns(settings: Settings, where: str) -> None:
    own = [c.name for c in log_columns()]
    required = [c.name for c in log_columns() if c.required]
    known = [*own, *(word_key(n) for n in settings.further_columns())]
    named = [("rename", v) for v in settings.rename.values()]
    named += [("reference", k) for k in settings.reference] + [("levels", k) for k in settings.levels]
    named += [("action", a["choice"]) for a in settings.action if "choice" in a]
    for key, name in named:
        if word_key(name) not in known:
            near = did_you_mean(name, known)
            raise SettingsError(
                f"{where}: {key} names the column {name!r}, which does not exist{near}"
                f"{' A' if near else '; a'} further column needs a role in [roles] first"
            )
    for name in settings.roles.get("ignore", ()):
        if word_key(name) in required:
            raise SettingsError(f"{where}: roles cannot ignore {name}, which every log needs")
