"""Reading: from files to a checked log; every problem is named with its cell, and rows read = used + set aside."""

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import Any

from workbench.filing import BESIDE_A_LOG
from workbench.log.cells import RawSheet, Table, cell_text
from workbench.log.dictionary import Settings, Vocabulary, beside_vocabulary, fit_of, log_vocabulary, visit_vocabulary
from workbench.log.rules import (
    Entry,
    Life,
    Problem,
    check_across,
    check_within,
    clean,
    columns_of,
    derive_dates,
    life_of,
    marks_beside,
    merge_beside,
    notes_on_choices,
    notes_on_units,
    read_entries,
    tidy,
    translations_of,
    unify_levels,
    unsaid_ends,
    usable_additions,
    usable_visits,
)
from workbench.log.season_log.frames import followed_to, ledger_frame, number_deployments, records_frame
from workbench.log.season_log.last_good import notes_on_last_good
from workbench.log.season_log.record import Log
from workbench.log.sources import (
    Chosen,
    choose_tables,
    file_names,
    find_files,
    is_beside,
    is_visits,
    read_file,
    read_frame,
    settings_for,
)

__all__ = ["read_log", "read_tables"]

RowKey = tuple[int, str, int]
_OF_TEARDOWNS = ("opened_on", "mechanism")


def read_log(
    path: Any,
    settings: Settings | Mapping[str, Any] | str | PathLike[str] | None = None,
    *,
    today: dt.date | None = None,
    beside: Mapping[str, Any] | None = None,
    units: Collection[str] | None = None,
) -> Log:
    """Read and check a field log.

    Parameters
    ----------
    path : path, folder, iterable of paths, or pandas.DataFrame
        csv, tsv, txt, xlsx, ods or parquet; a DataFrame is taken as if it had been read from a file.
    settings : path, mapping, Settings or None
        season.toml or the same as a dict. When not given, settings of the log's own name or season.toml beside it are
        used, and said in the notes; "none" ignores them.
    today : date, optional
        Without a season window no date may be later than this; the day of the call when not given.

    beside : mapping of str to DataFrame or None, optional
        In place of a table beside the log, by its name: records.csv, teardowns.csv or visits.csv; None: without it.
    units : collection of str, optional
        Units whose rows are read; every row is when not given.

    Returns
    -------
    Log
        records, set_aside, problems, ledger, notes, lives(), settings, rows, used, files, mission().

    Raises
    ------
    UsageError
        If the path does not exist or a folder holds no log; SettingsError for wrong settings.
    LogError
        If a file cannot be read as a log. Wrong cells and rows never raise: they stand in `problems`.

    Examples
    --------
    >>> import pandas as pd
    >>> days = {"deployed_on": ["2025-03-01"] * 3, "found_on": ["2025-06-01", "2025-09-01", "31/02/2025"]}
    >>> table = pd.DataFrame({"unit_id": ["A", "B", "C"], "outcome": ["failed", "working", "working"], **days})
    >>> log = read_log(table)
    >>> log.rows, log.used, list(log.set_aside["value"])
    (3, 2, ['31/02/2025'])
    """
    checked, settings_said = settings_for(path, settings)
    vocabulary = log_vocabulary(checked)
    chosen, files = read_tables(path, vocabulary, checked, beside=beside)
    if units is not None:
        chosen = _of_units(chosen, frozenset(units))
    entries, problems, said = _read_all(chosen.logs, vocabulary, checked)
    entries, site_said = _with_site(entries, chosen.logs)
    looks, look_problems, look_said = _read_all(chosen.visits, visit_vocabulary(), checked)
    visits, look_problems = usable_visits(looks, look_problems)
    entries, differing = derive_dates(entries, visits)
    problems += look_problems + differing
    additions, addition_problems, addition_said = _read_all(chosen.beside, beside_vocabulary(checked), checked)
    additions, addition_problems = usable_additions(additions, addition_problems)
    entries, differing = merge_beside(entries, additions)
    problems += addition_problems + differing
    problems += _checked(entries, problems, checked, today=today or dt.date.today())
    aside = {p.row_key for p in problems if p.scope == "row"}
    used = [e for e in _without_refused(entries, problems) if e.key not in aside]
    used, season_said = _with_season(used, checked)
    used = [entry.with_values(deployment=number) for entry, number in zip(used, number_deployments(used), strict=True)]
    lives = [life for life in (life_of(entry.values, checked) for entry in used) if isinstance(life, Life)]
    columns = columns_of(used, tuple(vocabulary.columns))
    spelling, level_said = unify_levels(used, columns, vocabulary=vocabulary, settings=checked)
    records = records_frame(used, columns, spelling=spelling, vocabulary=vocabulary, settings=checked)
    notes = [*settings_said, *chosen.notes, *said, *look_said, *addition_said, *site_said, *season_said]
    notes += [*notes_on_units(used), *level_said]
    notes += _reference_notes(records, vocabulary, checked) + _absent_columns(chosen.logs, vocabulary)
    notes += [*notes_on_last_good(used, checked), *notes_on_choices(records)]
    return Log(
        _records=records,
        _ledger=ledger_frame(used, lives),
        _followed_to=followed_to(used, visits, lives, spelling=spelling),
        _addresses=tuple(entry.address for entry in used),
        all_problems=tuple(_in_file_order(problems, chosen)),
        notes=tuple(dict.fromkeys(notes)),
        settings=checked,
        translations=translations_of(used, columns, vocabulary),
        marks=marks_beside(chosen.logs, entries),
        unsaid_ends=unsaid_ends(chosen.logs, entries),
        rows=sum(len(table.rows) for table in chosen.logs),
        used=len(used),
        files=tuple(files),
        roles={name: column.role for name, column in vocabulary.columns.items() if name in records},
    )


def read_tables(
    path: Any, vocabulary: Vocabulary, settings: Settings, *, beside: Mapping[str, Any] | None = None
) -> tuple[Chosen, list[tuple[str, str]]]:
    """Read the tables that a path stands for, headings understood, cells not yet."""
    given = beside or {}
    added = [
        [replace(_as_lines(read_frame(table, name)), file=-1 - n)]
        for n, (name, table) in enumerate(given.items())
        if table is not None
    ]
    if hasattr(path, "iloc"):
        return choose_tables([[read_frame(path)], *added], vocabulary, settings, from_folder=False), []
    named, is_folder = find_files(path)
    paths = [p for p in [*named, *(() if is_folder else _found_beside(named))] if p.name not in given]
    read = {p: read_file(p, lambda sheet: fit_of(sheet, vocabulary)[0]) for p in paths}
    paths = [
        p for p in paths if p in named or is_beside(read[p][0][0], vocabulary) or is_visits(read[p][0][0], vocabulary)
    ]
    names = file_names(paths)
    files = [(name, read[p][1]) for name, p in zip(names, paths, strict=True)]
    sheets = [[replace(s, source=names[n], file=n) for s in read[p][0]] for n, p in enumerate(paths)]
    return choose_tables([*sheets, *added], vocabulary, settings, from_folder=is_folder), files


def _of_units(chosen: Chosen, units: frozenset[str]) -> Chosen:
    """The tables with the rows of some units alone."""

    def kept(tables: Sequence[Table]) -> tuple[Table, ...]:
        places = [table.places["unit_id"] for table in tables]
        rows = [
            tuple((n, row) for n, row in table.rows if place < len(row) and tidy(cell_text(row[place])) in units)
            for table, place in zip(tables, places, strict=True)
        ]
        return tuple(replace(table, rows=own) for table, own in zip(tables, rows, strict=True))

    return replace(chosen, logs=kept(chosen.logs), visits=kept(chosen.visits), beside=kept(chosen.beside))


def _as_lines(sheet: RawSheet) -> RawSheet:
    """A table in place of a file, with the rows numbered as the lines of that file: its headings are line 1."""
    return replace(sheet, rows=tuple((number + 1, cells) for number, cells in sheet.rows))


def _found_beside(paths: Sequence[Path]) -> list[Path]:
    """The tables that lie beside the files of a log and were not named themselves."""
    folders = dict.fromkeys(path.parent for path in paths)
    places = [folder / name for folder in folders for name in BESIDE_A_LOG]
    return [place for place in places if place.is_file() and place not in paths]


def _read_all(
    tables: Sequence[Table], vocabulary: Vocabulary, settings: Settings
) -> tuple[list[Entry], list[Problem], list[str]]:
    entries: list[Entry] = []
    problems: list[Problem] = []
    notes: list[str] = []
    for table in tables:
        rows, found, said = read_entries(table, vocabulary, settings)
        entries += rows
        problems += found
        notes += said
    return entries, problems, notes


def _checked(
    entries: Sequence[Entry], problems: Sequence[Problem], settings: Settings, *, today: dt.date
) -> list[Problem]:
    refused: dict[RowKey, set[str]] = defaultdict(set)
    for problem in problems:
        if problem.scope == "row":
            refused[problem.row_key].add(problem.field)
    found = [p for e in entries for p in check_within(e, frozenset(refused.get(e.key, ())), settings, today=today)]
    unusable = frozenset(p.row_key for p in [*problems, *found] if p.scope == "row")
    return found + check_across(entries, unusable)


def _without_refused(entries: Sequence[Entry], problems: Sequence[Problem]) -> list[Entry]:
    """Take out the values that were refused after reading, so that they count as not recorded.

    What belongs to a teardown stays: there it decides whether the teardown as a whole can be used.
    """
    refused: dict[RowKey, set[str]] = defaultdict(set)
    for problem in problems:
        if problem.scope == "value" and problem.field not in _OF_TEARDOWNS:
            refused[problem.row_key].add(problem.field)
    return [
        replace(e, values={k: v for k, v in e.values.items() if k not in refused[e.key]}) if e.key in refused else e
        for e in entries
    ]


def _with_site(entries: Sequence[Entry], tables: Sequence[Table]) -> tuple[list[Entry], list[str]]:
    """Take the name of the sheet for the site, where a file has several sheets and none a column for it."""
    sheets = Counter(table.raw.file for table in tables)
    if any("site" in table.places for table in tables) or max(sheets.values()) == 1:
        return list(entries), []
    named = [e.with_values(site=e.table.raw.sheet) if sheets[e.table.raw.file] > 1 else e for e in entries]
    return named, ["site: no sheet has a column for it; the name of the sheet is taken."]


def _with_season(entries: Sequence[Entry], settings: Settings) -> tuple[list[Entry], list[str]]:
    if all(entry["season"] is not None for entry in entries):
        return list(entries), []
    filled = [
        entry
        if entry["season"] is not None
        else entry.with_values(season=settings.season or str(entry["deployed_on"].year))
        for entry in entries
    ]
    source = f"the settings ({settings.season})" if settings.season else "the year of deployed_on"
    return filled, [f"season: where the log names none, it is taken from {source}."]


def _reference_notes(records: Any, vocabulary: Vocabulary, settings: Settings) -> list[str]:
    notes = []
    for name, level in settings.reference.items():
        word = clean(level, vocabulary.columns[name], settings).value if name in vocabulary.columns else level
        if name in records and word not in set(records[name].dropna()):
            notes.append(
                f"[reference] {name} = {level!r} occurs in no row in use; the level with most units stands for it."
            )
    return notes


def _absent_columns(tables: Sequence[Table], vocabulary: Vocabulary) -> list[str]:
    present = {name for table in tables for name in table.places}
    absent = [n for n, c in vocabulary.columns.items() if c.common and n not in present]
    return [f"The log has no column for {', '.join(absent)}; what they would feed is left out."] if absent else []


def _in_file_order(problems: Sequence[Problem], chosen: Chosen) -> list[Problem]:
    tables = [*chosen.logs, *chosen.visits, *chosen.beside]
    place = {t.raw.key: number for number, t in enumerate(tables)}
    return sorted(problems, key=lambda p: (place[p.file, p.sheet], p.row))
