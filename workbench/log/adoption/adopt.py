"""Adopt: settings for somebody's own headings, words and dates, asked one by one; what nobody confirmed is marked."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path

from workbench.errors import WorkbenchError
from workbench.log.adoption.document import SettingsDocument, changes_between
from workbench.log.adoption.fields import PROTECTION, fields_like, guess_fields, is_ticked, share_held, yes_no_words
from workbench.log.adoption.hints import asks_for, recorded
from workbench.log.adoption.questions import Ask, Query, take_proposal
from workbench.log.adoption.season_lines import settle_mission, settle_season
from workbench.log.adoption.theirs import TheirFile, TheirTable, their_files
from workbench.log.adoption.words import settle_words
from workbench.log.cells import Cell, cell_text, shown
from workbench.log.dictionary import Settings, Vocabulary, log_columns, log_vocabulary, names_a_day, word_key
from workbench.log.rules import tidy
from workbench.log.sources import SETTINGS_NAME
from workbench.wording import count_of, join_words

__all__ = ["Adoption", "adopt_log", "default_target", "starter_settings"]

_ROLES = (PROTECTION, "exposure", "evidence", "ignore")
_DAY_FIELDS = ("found_on", "last_good_on", "failed_on")
_VALUES_SHOWN = 5
_LONGEST_VALUE = 24
_SHORTEST_MISSION = 30
_NOT_KNOWN = "not known"
_YEAR = re.compile(r"(?<!\d)20[0-4]\d(?!\d)")


@dataclass(frozen=True, kw_only=True)
class Adoption:
    """Settings as text, how many lines of them nobody confirmed, and what differs from the settings before."""

    text: str
    guesses: int
    changes: tuple[str, ...]


@dataclass(kw_only=True)
class _Heading:
    """A heading that was asked about: what it became, and whether a person confirmed that."""

    heading: str
    value: str | None
    is_confirmed: bool


@dataclass(kw_only=True)
class _Understood:
    """What is settled so far: by heading (comparable), and the cells below each field, of all tables."""

    asked: dict[str, _Heading] = field(default_factory=dict)
    known: dict[str, str] = field(default_factory=dict)
    cells: dict[str, list[Cell]] = field(default_factory=dict)
    headings: dict[str, str] = field(default_factory=dict)


def adopt_log(path: str | PathLike[str], ask: Ask, *, before: str = "") -> Adoption:
    """Settle the settings of a foreign log; what was confirmed in the settings before is kept and not asked again."""
    document = SettingsDocument(before)
    old = document.plain()
    vocabulary = log_vocabulary(Settings())
    files = their_files(path, vocabulary)
    if not before:
        names = ", ".join(file.path.name for file in files)
        document.begin_with(f"Settings for {names}. A line marked as a guess was confirmed by nobody yet.")
    found = _Understood()
    for file in files:
        chosen = _settle_sheets(document, file, ask) if len(file.sheets) > 1 and len(files) == 1 else (file.best,)
        _settle_headings(document, file.table(chosen), found, vocabulary=vocabulary, ask=ask)
    _write_headings(document, found, ask=ask)
    settle_words(document, found.cells, found.headings, ask=ask)
    years = {int(year) for file in files for year in _YEAR.findall(file.path.stem)}
    settle_season(document, found.cells, found.headings, years=years, ask=ask)
    assumed = _assumed_mission(path, document)
    if assumed is not None:
        settle_mission(document, assumed, ask=ask)
    if not before:
        _remark_rest(document, found)
    return Adoption(
        text=document.text(), guesses=document.guesses(), changes=tuple(changes_between(old, document.plain()))
    )


def _assumed_mission(path: str | PathLike[str], document: SettingsDocument) -> int | None:
    """The mission that a log has by itself, with what is settled so far; None where it cannot be read or has none."""
    from workbench.log.season_log import read_log

    try:
        days, _ = read_log(path, document.plain()).mission()
    except WorkbenchError:
        return None
    return days if days >= _SHORTEST_MISSION else None


def starter_settings(path: str | PathLike[str]) -> str:
    """Return settings to start from, as TOML text, every guess marked."""
    return adopt_log(path, take_proposal).text


def default_target(path: str | PathLike[str]) -> Path:
    """Return where starter settings belong: season.toml beside the log, or in its folder."""
    log = Path(path)
    return (log if log.is_dir() else log.parent) / SETTINGS_NAME


def _settle_sheets(document: SettingsDocument, file: TheirFile, ask: Ask) -> tuple[str, ...]:
    """Ask which sheets hold the log: those with the same headings together, as one per site, or one of all."""
    before = document.value(("sheet",))
    known = tuple(name for name in ([before] if isinstance(before, str) else before or ()) if name in file.sheets)
    if known and document.is_confirmed(("sheet",)):
        return known
    together = f"{join_words(list(file.alike))} together"
    ways = {together: file.alike} if len(file.alike) > 1 else {}
    ways |= {name: (name,) for name in (file.best, *file.sheets)}
    answer = ask(Query(about="The log is on the sheet", proposal=next(iter(ways)), options=tuple(ways)))
    chosen = ways.get(answer.value or "", (file.best,))
    if answer.value is not None:
        value = list(chosen) if len(chosen) > 1 else chosen[0]
        document.put(("sheet",), value, is_confirmed=answer.is_confirmed)
    return chosen


def _settle_headings(
    document: SettingsDocument, table: TheirTable, found: _Understood, *, vocabulary: Vocabulary, ask: Ask
) -> None:
    known = {h: f for h, cells in table.cells.items() if (f := vocabulary.field_of(h)) and _fits(f, cells)}
    found.known |= {h: f for h, f in known.items() if word_key(h) != f}
    confirmed, before = _before(document)
    settled = {h: confirmed[word_key(h)] for h in table.cells if word_key(h) in confirmed and h not in known}
    settled |= {h: v for h in table.cells if (a := found.asked.get(word_key(h))) and (v := a.value) and h not in known}
    guesses = guess_fields(table.cells, {**known, **settled})
    given = {**known, **settled}
    for heading, cells in table.cells.items():
        if heading in given or word_key(heading) in found.asked or names_a_day(heading):
            continue
        taken = {value for value in (*given.values(), *guesses.values()) if value not in _ROLES}
        proposal = before.get(word_key(heading)) or guesses.get(heading)
        options = fields_like(heading, cells, taken - {proposal or ""})
        answer = ask(Query(about=_about(heading, cells), proposal=proposal, options=(*options, *_ROLES)))
        found.asked[word_key(heading)] = _Heading(heading=heading, value=answer.value, is_confirmed=answer.is_confirmed)
        if answer.value is not None:
            given[heading] = answer.value
    for heading, value in given.items():
        name = word_key(heading) if value in _ROLES else value
        found.cells.setdefault(name, []).extend(table.cells[heading])
        found.headings.setdefault(name, heading)


def _fits(field_name: str, cells: Sequence[Cell]) -> bool:
    """Whether a column holds what its heading says, or too little to tell; else its cells decide."""
    column = next(c for c in log_columns() if c.name == field_name)
    filled = recorded(cells)
    if len(filled) < 4 or not (column.type == "date" or (column.is_closed and column.name != "outcome")):
        return True
    return share_held(column, filled) > 0.2


def _before(document: SettingsDocument) -> tuple[dict[str, str], dict[str, str]]:
    """What earlier settings say of headings, by comparable heading: confirmed, and as a guess."""
    confirmed: dict[str, str] = {}
    guessed: dict[str, str] = {}
    for heading, value in (document.value(("rename",)) or {}).items():
        (confirmed if document.is_confirmed(("rename", heading)) else guessed)[word_key(heading)] = str(value)
    for role, headings in (document.value(("roles",)) or {}).items():
        part = confirmed if document.is_confirmed(("roles", role)) else guessed
        part |= {word_key(str(heading)): role for heading in headings}
    return confirmed, guessed


def _about(heading: str, cells: Sequence[Cell]) -> str:
    values = [tidy(cell_text(cell))[:_LONGEST_VALUE] for cell in recorded(cells)]
    listed = ", ".join(list(dict.fromkeys(values))[:_VALUES_SHOWN])
    return f"Column {shown(heading)} ({listed or 'empty'})"


def _write_headings(document: SettingsDocument, found: _Understood, *, ask: Ask) -> None:
    """Write what was asked: headings of fields one by one, those of a role in one line of it."""
    keys = set(found.asked)
    for heading in [h for h in document.value(("rename",)) or {} if word_key(h) in keys]:
        document.drop(("rename", heading))
    for asked in found.asked.values():
        if asked.value is not None and asked.value not in _ROLES:
            document.put(("rename", asked.heading), asked.value, is_confirmed=asked.is_confirmed)
    for role in _ROLES:
        before = [str(heading) for heading in document.value(("roles", role)) or []]
        new = [asked for asked in found.asked.values() if asked.value == role]
        listed = [*(h for h in before if word_key(h) not in keys), *(asked.heading for asked in new)]
        if not listed:
            document.drop(("roles", role))
        elif new or listed != before:
            document.put(("roles", role), listed, is_confirmed=all(asked.is_confirmed for asked in new))
    for asked in (asked for asked in found.asked.values() if asked.value == PROTECTION):
        cells = found.cells.get(word_key(asked.heading), ())
        for theirs, word in (yes_no_words(cells) or {}).items():
            document.put(("levels", word_key(asked.heading), "words", theirs), word, is_confirmed=asked.is_confirmed)
    choices = {word_key(asked.heading) for asked in found.asked.values() if asked.value == PROTECTION}
    for name in found.cells:
        _settle_boxes(document, name, found, is_further=name in choices, ask=ask)


def _settle_boxes(document: SettingsDocument, name: str, found: _Understood, *, is_further: bool, ask: Ask) -> None:
    """Ask what an empty cell means in a column of nothing but ticks; how a unit ended is never proposed."""
    place, cells = ("levels", name, "words", ""), found.cells[name]
    empty = sum(not tidy(cell_text(cell)) for cell in cells)
    word = "no" if is_further else _unticked(name, found.headings[name])
    if word is None or document.is_confirmed(place) or not empty or not is_ticked(cells):
        return
    about = f"Empty cells in {shown(found.headings[name])} ({count_of(empty, 'row')}), where all others hold a tick"
    answer = ask(Query(about=about, proposal=None if name == "outcome" else word, options=(word, _NOT_KNOWN)))
    document.drop(place)
    if answer.value == word:
        document.put(place, word, is_confirmed=answer.is_confirmed)


def _unticked(name: str, heading: str) -> str | None:
    """The word for a box that is not ticked in a column of the dictionary; None where there is none."""
    column = next((c for c in log_columns() if c.name == name), None)
    if name == "outcome":
        return {"failed": "working", "working": "failed"}.get(asks_for(heading) or "")
    if column is None or column.role != PROTECTION:
        return None
    return next((word for word in ("no", "none") if word in column.known_words), None)


def _remark_rest(document: SettingsDocument, found: _Understood) -> None:
    """Say at the end what was understood without a line, and what is needed and was not found."""
    if found.known:
        document.remark("understood by themselves: " + ", ".join(f"{h} = {f}" for h, f in found.known.items()))
    missing = [c.name for c in log_columns() if c.required and c.name not in found.cells]
    missing += [] if any(name in found.cells for name in _DAY_FIELDS) else [" or ".join(_DAY_FIELDS)]
    for name in missing:
        document.remark(f'needed, and no column looks like it: [rename] "your heading" = "{name}"')
    open_ones = [asked.heading for asked in found.asked.values() if asked.value is None]
    if open_ones:
        document.remark("without a role: " + ", ".join(map(shown, open_ones)))
    mission = "" if document.value(("mission_days",)) else "mission_days = 180 says how long a unit must last; "
    document.remark(f"{mission}every key: workbench settings")
