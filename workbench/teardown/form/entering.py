"""Entering: what a filled-in form adds to the tables beside a log, held against the log before anything is written."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.errors import LogError, UsageError
from workbench.filing import Permit, check_target, home_of, write_file
from workbench.log.dictionary import beside_vocabulary, headings_of, visit_vocabulary
from workbench.log.season_log import Log, read_log
from workbench.log.sources import read_file
from workbench.log.writing import beside_csv
from workbench.teardown.form.proposals import (
    Proposal,
    confirmed_table,
    is_answers,
    proposals_of,
    read_answers,
)

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ENTERED", "FormEntry", "enter_confirmed", "enter_rows", "undo_entry", "write_entry"]

ENTERED = {"teardowns.csv": ("unit_id", "deployment"), "visits.csv": ("unit_id", "visited_on")}
"""Tables that are entered, and what makes a row of each one row."""

_BEFORE = ".before"
_NONE_BEFORE = b""


@dataclass(frozen=True, kw_only=True, eq=False)
class FormEntry:
    """What a filled-in form comes to.

    Attributes
    ----------
    name : str
        The table beside the log that it belongs to.
    table : pandas.DataFrame
        That table as it will stand.
    new, changed : tuple of str
        Each value that was not there, and each that was another, as a sentence.
    contradictions : tuple of str
        What the log says against it, or cannot use, with both places.
    log : Log
        The log as it is read with the table.
    proposals : tuple of Proposal
        What notes of the units entered propose and nobody has confirmed.
    """

    name: str
    table: "pd.DataFrame"
    new: tuple[str, ...]
    changed: tuple[str, ...]
    contradictions: tuple[str, ...]
    log: Log
    proposals: tuple[Proposal, ...]


def enter_rows(path: str | Path, form: str | Path, settings: Any = None) -> FormEntry:
    """Hold a filled-in form against a log and what was entered before; nothing is written."""
    read = [Path(path), *(home_of(path) / name for name in ENTERED)]
    if Path(form).is_file() and any(Path(form).samefile(other) for other in read if other.is_file()):
        raise UsageError(f"{form} is read with this log already; name the table that the form saved")
    return _entry(path, _form_rows(Path(form), read_log(path, settings)), settings)


def enter_confirmed(path: str | Path, confirmed: Iterable[Proposal], settings: Any = None) -> FormEntry:
    """Hold the signs of notes that a person confirmed against a log; nothing is written."""
    return _entry(path, confirmed_table(confirmed), settings)


def _entry(path: str | Path, found: "pd.DataFrame", settings: Any) -> FormEntry:
    name = "visits.csv" if "visited_on" in found.columns else "teardowns.csv"
    before = _table_at(home_of(path) / name, list(found.columns))
    table, new, changed = _merged(before, found, ENTERED[name])
    log = read_log(path, settings, beside={name: table})
    against = [
        f"{p.source}, row {p.row}, {p.field or 'row'}: {p.reason}"
        for p in log.all_problems
        if p.source == name or any(other.source == name for other in p.others)
    ]
    units = set(found["unit_id"])
    return FormEntry(
        name=name, table=table, new=tuple(new), changed=tuple(changed), contradictions=tuple(against), log=log,
        proposals=tuple(p for p in proposals_of(log) if p.unit_id in units) if name == "teardowns.csv" else (),
    )  # fmt: skip


def write_entry(entry: FormEntry, folder: Path, permit: Permit) -> Path:
    """Write the table beside the log, the one before kept for `undo_entry`."""
    place = check_target(folder / entry.name, (".csv",), permit)
    kept = place.read_bytes() if place.exists() else _NONE_BEFORE
    write_file(place.with_name(place.name + _BEFORE), kept, replace(permit, replace=True))
    return write_file(place, beside_csv(entry.table), replace(permit, feeds=True))


def undo_entry(folder: Path, permit: Permit) -> Path:
    """Put the table back that stood before the last entry."""
    kept = [p for name in ENTERED if (p := folder / f"{name}{_BEFORE}").is_file()]
    if not kept:
        raise UsageError(f"nothing was entered beside the log in {folder}, so there is nothing to undo")
    last = max(kept, key=lambda p: p.stat().st_mtime_ns)
    place = check_target(last.with_name(last.name.removesuffix(_BEFORE)), (".csv",), permit)
    data = last.read_bytes()
    if data == _NONE_BEFORE:
        place.unlink(missing_ok=True)
    else:
        write_file(place, data, replace(permit, feeds=True))
    last.unlink()
    return place


def _form_rows(form: Path, log: Log) -> "pd.DataFrame":
    """The rows of a form as texts, with the names of the dictionary's columns as headings."""
    import pandas as pd

    if not form.is_file():
        raise UsageError(f"there is no file {form}; name the table that the form saved")
    words, visits = beside_vocabulary(log.settings), visit_vocabulary()
    (sheet, *_), _ = read_file(form, lambda s: len(headings_of(s, words)))
    if is_answers(sheet):
        confirmed = confirmed_table(read_answers(sheet, log))
        if confirmed.empty:
            raise LogError(f"{form.name} confirms nothing: no row has yes in its last column")
        return confirmed
    headings = headings_of(sheet, words) if sheet.rows else ()
    vocabulary = visits if "visited_on" in {visits.field_of(h) for h in headings} else words
    fields = [vocabulary.field_of(h) for h in headings]
    if (
        "unit_id" not in fields
        or len(set(fields) - {""}) < 2
        or len(set(fields) - {""}) != len([f for f in fields if f])
    ):
        raise LogError(f"{form.name} is no table of a teardown or visit form: it needs unit_id and what was seen")
    rows = [
        {f: str(cell).strip() for f, cell in zip(fields, cells, strict=False) if f and cell not in (None, "")}
        for _, cells in sheet.rows[1:]
    ]
    table = pd.DataFrame([row for row in rows if len(row) > 1], columns=[f for f in fields if f], dtype=object)
    if table.empty:
        raise LogError(f"{form.name} holds no row with anything filled in")
    return table


def _table_at(place: Path, columns: list[str]) -> "pd.DataFrame":
    """What was entered before, empty where nothing was."""
    import pandas as pd

    if not place.is_file():
        return pd.DataFrame(columns=columns, dtype=object)
    try:
        return pd.read_csv(place, dtype=str, keep_default_na=False, na_values=[""])
    except (ValueError, OSError):
        raise LogError(f"{place.name} beside the log cannot be read; mend it or move it away") from None


def _merged(
    before: "pd.DataFrame", found: "pd.DataFrame", keys: tuple[str, ...]
) -> tuple["pd.DataFrame", list[str], list[str]]:
    """Lay the rows of a form over what was entered before, value by value."""
    import pandas as pd

    columns = list(dict.fromkeys([*before.columns, *found.columns]))
    rows = {_key(row, keys): {k: v for k, v in row.items() if pd.notna(v)} for row in before.to_dict("records")}
    new, changed = [], []
    for row in found.to_dict("records"):
        key = _key(row, keys)
        known = rows.setdefault(key, {})
        for name, value in row.items():
            if pd.isna(value):
                continue
            if name not in known and name not in keys:
                new.append(f"{' '.join(key)}: {name} {value}")
            elif known.get(name, value) != value and name not in keys:
                changed.append(f"{' '.join(key)}: {name} {known[name]}, now {value}")
            known[name] = value
    return pd.DataFrame(list(rows.values()), columns=columns, dtype=object), new, changed


def _key(row: dict[Any, Any], keys: tuple[str, ...]) -> tuple[str, ...]:
    return tuple("" if row.get(k) is None or row.get(k) != row.get(k) else str(row[k]) for k in keys)
