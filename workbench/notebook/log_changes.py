"""Which rows of the log changed since the notebooks were accepted?"""

from pathlib import Path
from typing import Any, NamedTuple

from workbench.errors import WorkbenchError
from workbench.log.season_log import read_log
from workbench.log.sources import find_files, settings_beside

__all__ = ["ACCEPTED", "KEPT_LOG", "LogChange", "changes_sentences", "log_changes", "log_files"]

ACCEPTED = "accepted"
"""Folder inside a season folder that holds the accepted copies."""
KEPT_LOG = "log"
"""Folder beside the accepted notebooks that holds the log they were accepted with."""

LISTED = 8
"""More changes than this are counted, not listed."""


class LogChange(NamedTuple):
    """One cell of a used row that changed; a row that came or went has no column."""

    unit_id: str
    column: str
    old: str
    new: str

    @property
    def sentence(self) -> str:
        """The change in words."""
        if not self.column:
            return f"{self.unit_id}: {self.old or 'no row'} before, {self.new or 'no row'} now"
        return f"{self.unit_id}: {self.column} was {self.old or 'empty'}, is {self.new or 'empty'}"


def log_files(folder: Path) -> list[Path]:
    """Return the logs of a season folder; none where there is no log."""
    try:
        return list(find_files(folder)[0])
    except WorkbenchError:
        return []


def log_changes(folder: Path) -> tuple[LogChange, ...]:
    """Return what changed in the rows of a season folder's log since it was accepted; nothing where none was kept."""
    kept = folder / ACCEPTED / KEPT_LOG
    if not kept.is_dir():
        return ()
    settings = settings_beside(folder)
    try:
        was, now = (_rows(read_log(place, settings).records) for place in (kept, folder))
    except WorkbenchError:
        return ()  # what is wrong with the log is said by the notebooks
    found = [LogChange(key[0], "", "a row", "") for key in was if key not in now]
    found += [LogChange(key[0], "", "", "a row") for key in now if key not in was]
    for key, row in was.items():
        other = now.get(key, row)
        found += [
            LogChange(key[0], name, row[name], other.get(name, "")) for name in row if row[name] != other.get(name, "")
        ]
    return tuple(found)


def changes_sentences(changes: tuple[LogChange, ...]) -> list[str]:
    """Return changes of the log as sentences, the units counted first."""
    if not changes:
        return []
    units = len({change.unit_id for change in changes})
    head = f"The log changed in {units} unit{'s' if units != 1 else ''}:"
    more = [f"and {len(changes) - LISTED} more changes."] if len(changes) > LISTED else []
    return [head, *(f"  {change.sentence}" for change in changes[:LISTED]), *more]


def _rows(records: Any) -> dict[tuple[str, int], dict[str, str]]:
    """Used rows by unit and which of its rows it is, every cell as text."""
    texts = records.astype(object).where(records.notna(), "")
    rows: dict[tuple[str, int], dict[str, str]] = {}
    seen: dict[str, int] = {}
    for record in texts.to_dict("records"):
        unit = str(record["unit_id"])
        seen[unit] = seen.get(unit, 0) + 1
        rows[unit, seen[unit]] = {str(k): _cell(v) for k, v in record.items()}
    return rows


def _cell(value: Any) -> str:
    return str(value.date()) if hasattr(value, "date") and callable(value.date) else str(value)
