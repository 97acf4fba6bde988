"""Settings of a season: read strictly from season.toml or the same as a dict; every key checked, none guessed."""

import datetime as dt
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from os import PathLike
from pathlib import Path
from types import MappingProxyType
from typing import Any

from workbench.checks import did_you_mean
from workbench.errors import SettingsError
from workbench.log.cells import shown
from workbench.log.dictionary.columns import log_columns, word_key
from workbench.log.dictionary.setting_values import READERS, ROLE_NAMES, given, refuse_unknown

__all__ = ["MISSING_WORDS", "NO_SETTINGS", "RESTS_ON_SPARES", "Settings", "read_settings", "rests_on_parts"]

MISSING_WORDS = ("", "-", "?", "n/a", "not recorded")
"""What stands for "nothing here" unless the settings say otherwise; NA and None are words like others."""

RESTS_ON_SPARES = "spares"
"""What a decision rests on that is about how many units to build beyond those put out."""

_LONGEST_ERROR = 200


def rests_on_parts(text: str) -> tuple[str, str]:
    """Return the choice and the level that a decision rests on, the level "" where any level will do.

    Examples
    --------
    >>> rests_on_parts("lid_seal = o_ring"), rests_on_parts("lid_seal")
    (('lid_seal', 'o_ring'), ('lid_seal', ''))
    """
    choice, _, level = text.partition("=")
    return choice.strip(), level.strip()


def _empty() -> Mapping[str, Any]:
    return MappingProxyType({})


NO_SETTINGS = "none"
"""What stands in place of a settings file to have none used."""


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Everything a season's log is read with; build with `read_settings`.

    Attributes
    ----------
    season : str or None
        Name of the season.
    mission_days : int or None
        Days a unit must last; None: derived from the log and said so.
    date_format : tuple of str
        Forms of dates typed as text, in strptime notation; ISO text and true date cells are always taken.
    decimal : str
        "." or ",".
    window : (date, date) or None
        Every date must lie in it, both ends included.
    missing_words : tuple of str
        Cell contents that stand for "not recorded".
    sheet : tuple of str
        Sheets of a workbook that hold the log, one below the other; none: the one whose headings fit best.
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
        Column to words (their word to our level), labels (level to shown text), cost (level to extra money for parts)
        and hours (level to extra hours of labour).
    thresholds : mapping of str to float
        Limits from which on a number measured at a teardown is a sign, by their name in the dictionary.
    plan : mapping of str to float
        Prices and times for the plan, by `PLAN_KEYS`.
    action : tuple of mapping
        What was changed: what, choice, from, to, since, expected, owner, due.
    decision : tuple of mapping
        What is to be decided: ask, answer, owner, due, rests_on (a choice, "choice = level", or "spares").
    question : mapping of str to str
        What the season was to answer, declared before it: choice, level, since (a season or a day).
    currency : str or None
        Stands beside every amount of money.
    records : mapping of str to str
        Where the units' data files say what, by `RECORD_KEYS`.
    time : mapping of str to value
        last_good_is, every_days, zone: what last_good_on means, and in which zone a time becomes a day.
    """

    season: str | None = None
    mission_days: int | None = None
    date_format: tuple[str, ...] = ()
    decimal: str = "."
    window: tuple[dt.date, dt.date] | None = None
    missing_words: tuple[str, ...] = MISSING_WORDS
    sheet: tuple[str, ...] = ()
    failure_means: str | None = None
    decisions: tuple[str, ...] = ()
    mechanisms_of_interest: tuple[str, ...] = ()
    rename: Mapping[str, str] = field(default_factory=_empty)
    roles: Mapping[str, tuple[str, ...]] = field(default_factory=_empty)
    reference: Mapping[str, str] = field(default_factory=_empty)
    levels: Mapping[str, Mapping[str, Mapping[str, Any]]] = field(default_factory=_empty)
    thresholds: Mapping[str, float] = field(default_factory=_empty)
    plan: Mapping[str, float] = field(default_factory=_empty)
    action: tuple[Mapping[str, str], ...] = ()
    decision: tuple[Mapping[str, str], ...] = ()
    question: Mapping[str, str] = field(default_factory=_empty)
    currency: str | None = None
    records: Mapping[str, str] = field(default_factory=_empty)
    time: Mapping[str, Any] = field(default_factory=_empty)

    def as_dict(self) -> dict[str, Any]:
        """Return the settings as plain values for the echo in every output."""
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}

    @property
    def last_good_is(self) -> str | None:
        """What last_good_on means: last record, last contact, visit or mixed; None where nobody said."""
        return self.time.get("last_good_is")

    @property
    def every_days(self) -> int | None:
        """Days between two contacts, with "last contact" or "mixed"."""
        return self.time.get("every_days")

    @property
    def zone(self) -> str:
        """Time zone in which a time with an offset becomes a day."""
        return str(self.time.get("zone", "UTC"))

    def label(self, column: str, level: str) -> str:
        """Return how a level is shown."""
        return str(self.levels.get(column, {}).get("labels", {}).get(level, level))

    def cost(self, column: str, level: str) -> float:
        """Return the extra cost of a level: parts, and labour where hours and their price are typed."""
        part = float(self.levels.get(column, {}).get("cost", {}).get(level, float("nan")))
        hours = float(self.levels.get(column, {}).get("hours", {}).get(level, 0.0))
        return part + hours * self.plan.get("labour_per_hour", 0.0)

    def further_columns(self) -> tuple[str, ...]:
        """Return the names that `roles` gives a use to, beyond the dictionary."""
        own = {c.name for c in log_columns()}
        return tuple(n for role in ROLE_NAMES[:3] for n in self.roles.get(role, ()) if word_key(n) not in own)


def read_settings(source: "Settings | Mapping[str, Any] | str | PathLike[str] | None" = None) -> Settings:
    """Read settings from a TOML file or a dict of the same shape; "none" stands for none.

    Examples
    --------
    >>> read_settings({"mission_days": 180}).mission_days
    180
    """
    if source is None or source == NO_SETTINGS:
        return Settings()
    if isinstance(source, Settings):
        return source
    if isinstance(source, Mapping):
        return _checked(source, "settings")
    if not isinstance(source, str | PathLike):
        raise SettingsError(f"settings are a file, or a table of names and values; got {given(source)}")
    path = Path(source)
    return _checked(_parsed(path, _content(path)), path.name)


def _content(path: Path) -> bytes:
    try:
        if path.is_file():
            return path.read_bytes()
    except OSError as error:
        raise SettingsError(
            f"{shown(path.name)} cannot be read ({error.strerror or error}); name a settings file that can be opened"
        ) from None
    raise SettingsError(f"no settings file at {path}; write one with 'workbench adopt LOG', or leave --settings out")


def _parsed(path: Path, data: bytes) -> Mapping[str, Any]:
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise SettingsError(f"{path.name} is not UTF-8 text; save it as UTF-8") from None
    except RecursionError:
        raise SettingsError(f"{path.name} is no valid TOML: brackets stand too deep in each other") from None
    except ValueError as error:  # also a number of thousands of digits
        said = " ".join(str(error).split())[:_LONGEST_ERROR]
        raise SettingsError(f"{path.name} is no valid TOML: {said}") from None


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    return value.isoformat() if isinstance(value, dt.date) else value


def _checked(values: Mapping[str, Any], where: str) -> Settings:
    refuse_unknown(values, [f.name for f in fields(Settings)], where)
    known = {key: READERS[key](value, f"{where}: {key}") for key, value in values.items() if value is not None}
    settings = Settings(**known)
    _check_columns(settings, where)
    return settings


def _check_columns(settings: Settings, where: str) -> None:
    own = [c.name for c in log_columns()]
    required = [c.name for c in log_columns() if c.required]
    known = [*own, *(word_key(n) for n in settings.further_columns())]
    named = [("rename", v) for v in settings.rename.values()]
    named += [("reference", k) for k in settings.reference] + [("levels", k) for k in settings.levels]
    named += [("action", a["choice"]) for a in settings.action if "choice" in a]
    named += [("question", settings.question["choice"])] if settings.question else []
    rested = [rests_on_parts(d.get("rests_on", RESTS_ON_SPARES))[0] for d in settings.decision]
    named += [("decision", choice) for choice in rested if choice != RESTS_ON_SPARES]
    for key, name in named:
        if word_key(name) not in known:
            near = did_you_mean(name, known)
            raise SettingsError(
                f"{where}: {key} names the column {shown(name)}, which does not exist{near}"
                f"{' A' if near else '; a'} further column needs a role in [roles] first"
            )
    for name in settings.roles.get("ignore", ()):
        if word_key(name) in required:
            raise SettingsError(f"{where}: roles cannot ignore {' '.join(name.split())}, which every log needs")
