"""What do the data files of a season say against its log, and what would they add to it?"""

from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.log.season_log import Log, read_log
from workbench.records.courses import courses_of
from workbench.records.data_files import find_data_files
from workbench.records.early_warning import Warnings, early_warnings
from workbench.records.reduction import Reduced, reduce_readings
from workbench.teardown.mechanisms import signs_by_measurement
from workbench.wording import count_of, join_words

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RecordSurvey", "survey_records"]

TABLE = "records.csv"
_LOST_CLOCK_MIN = 43_200
_OF_FAILED = ("data_fade_before_end", "voltage_falls_before_end", "data_end_at_midnight", "stopped_on_cold_nights")
"""Signs of how the readings ended, which say nothing of a unit that still works."""


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordSurvey:
    """What the data files of a season say.

    Attributes
    ----------
    additions : pandas.DataFrame
        What `read_log` takes beside the log: unit_id, deployment, last_record_on, clock_offset_min, signs.
    spells : pandas.DataFrame
        One row per deployment with a file: file, readings, first, last, what is missing and wrong, the days within
        which its failure lies without and with the files.
    troubles : tuple of str
        What cannot be used, and why.
    plain, merged : Log
        The log without and with the additions.
    warnings : Warnings
        Whether courses before the end warn, and of which working units.
    files, readings : int
        Files looked at, readings read.
    """

    additions: "pd.DataFrame"
    spells: "pd.DataFrame"
    troubles: tuple[str, ...]
    plain: Log
    merged: Log
    warnings: Warnings
    files: int
    readings: int

    @property
    def narrowed(self) -> int:
        """How many failures are now known to the day that were not."""
        return int(((self.spells["days_before"] > 1) & (self.spells["days_after"] <= 1)).sum())

    def as_json(self) -> dict[str, Any]:
        """Return the survey as plain values."""
        table = self.spells.astype(object).where(self.spells.notna(), None)
        return {
            "files": self.files,
            "readings": self.readings,
            "narrowed": self.narrowed,
            "warnings": self.warnings.sentences(),
            "lead_days": list(self.warnings.lead_days),
            "spells": [{k: _plain(v) for k, v in row.items()} for row in table.to_dict("records")],
            "additions": self.additions.astype(object).where(self.additions.notna(), None).to_dict("records"),
            "notes": list(self.troubles),
        }


def survey_records(path: str | PathLike[str], records: str | Path, settings: Any = None) -> RecordSurvey:
    """Read the data files of a season and hold them against its log; nothing is written."""
    plain = read_log(path, settings, beside={TABLE: None})
    frame = plain.records
    files, troubles, number = find_data_files(records, plain.settings, list(dict.fromkeys(frame["unit_id"])))
    found = reduce_readings(files, _spells_of(frame), plain.settings)
    names = [file.path.name for file in files]
    spells, twice = _one_file_each(found, names)
    troubles += [*found.unread, *twice, *_outside(found, names)]
    spells["file"] = [names[int(n)] for n in spells["file"]]
    spells = spells.join(courses_of(found.daily, spells))
    spells = _with_clocks(spells, found, names)
    spells["outcome"] = _looked_up(spells, frame, "outcome")
    additions = _additions(spells, plain)
    merged = read_log(path, settings, beside={TABLE: additions})
    for name, log in (("days_before", plain), ("days_after", merged)):
        spells[name] = _widths(spells, log)
    return RecordSurvey(
        additions=additions,
        spells=spells.reset_index(drop=True),
        troubles=tuple([*troubles, *_disagreements(merged)]),
        plain=plain,
        merged=merged,
        warnings=early_warnings(spells, [str(site) for site in _looked_up(spells, frame, "site")], daily=found.daily),
        files=number,
        readings=found.readings,
    )


def _spells_of(frame: "pd.DataFrame") -> "pd.DataFrame":
    """The days on which each deployment was out; a unit of unknown end may have recorded until the next one begins."""
    import pandas as pd

    groups = frame.groupby(["unit_id", "deployment"], observed=True, sort=True)
    table = groups.agg(start=("deployed_on", "min"), found=("found_on", "max"), good=("last_good_on", "max"))
    table = table.reset_index().rename(columns={"unit_id": "unit"}).sort_values(["unit", "start"])
    following = table.groupby("unit")["start"].shift(-1)
    stop = table["found"] + pd.Timedelta(days=1)
    far = table["start"].max() + pd.Timedelta(days=3650)
    table["stop"] = stop.where(stop.notna(), far).where(following.isna() | (stop <= following), following)
    return table[["unit", "deployment", "start", "stop"]].astype({"unit": str, "deployment": "int64"})


def _one_file_each(found: Reduced, names: list[str]) -> tuple["pd.DataFrame", list[str]]:
    """Leave out deployments that two files tell of."""
    spells = found.spells
    twice = spells["files"].map(len) > 1
    said = [
        f"{join_words([names[int(n)] for n in row.files])} hold readings of unit {row.unit}, deployment "
        f"{row.deployment}, and none is used: keep one"
        for row in spells[twice].itertuples()
    ]
    return spells[~twice].reset_index(drop=True), said


def _outside(found: Reduced, names: list[str]) -> list[str]:
    """Name units that the log has not, and readings outside the days on which a unit was out."""
    said = []
    for row in found.outside.to_dict("records"):
        file, unit = names[int(row["file"])], row["unit"]
        if not row["is_known"]:
            said.append(
                f"{file}: the log has no unit {unit}; its {count_of(int(row['readings']), 'reading')} are not used"
            )
            continue
        early = int(row["outside"]) - int(row["lost"])
        if early:
            said.append(
                f"{file}: {count_of(early, 'reading')} of unit {unit} lie outside the days on which the log has it out "
                f"({row['first_outside']:%Y-%m-%d} to {row['last_outside']:%Y-%m-%d}, first in row "
                f"{int(row['line_outside']) + 1}) and are not used"
            )
        if row["lost"] and not row["lost"] < row["readings"]:
            said.append(
                f"{file}: the clock of unit {unit} was years off from the start, row "
                f"{int(row['line_outside']) + 1}; no day of it can be used"
            )
    return said


def _with_clocks(spells: "pd.DataFrame", found: Reduced, names: list[str]) -> "pd.DataFrame":
    """Join what each clock did: how far it jumped back, and whether readings follow that no day can be given."""
    outside = found.outside.assign(file=[names[int(n)] for n in found.outside["file"]])
    joined = ["file", "unit", "jump_min", "lost", "lost_line", "last_placed"]
    table = spells.merge(outside[joined], how="left", on=["file", "unit"])
    lost = (table["lost"] > 0) | (table["jump_min"] <= -_LOST_CLOCK_MIN)
    runs_on = (table["lost_line"] > table["last_placed"]).astype("boolean").fillna(False)
    return table.assign(clock_lost=lost.to_numpy(dtype=bool), runs_on=runs_on.to_numpy(dtype=bool))


def _looked_up(spells: "pd.DataFrame", frame: "pd.DataFrame", name: str) -> list[Any]:
    key = list(zip(frame["unit_id"].astype(str), frame["deployment"].astype(int), strict=True))
    values = dict(zip(key, frame[name].astype(object), strict=True))
    return [values[unit, deployment] for unit, deployment in zip(spells["unit"], spells["deployment"], strict=True)]


def _additions(spells: "pd.DataFrame", log: Log) -> "pd.DataFrame":
    """What the files add: the last day with a reading, the clock, and the signs that follow from the numbers."""
    import pandas as pd

    day = spells["last"].dt.strftime("%Y-%m-%d").where(~spells["runs_on"])
    table = pd.DataFrame({"unit_id": spells["unit"], "deployment": spells["deployment"], "last_record_on": day})
    table["clock_offset_min"] = spells["jump_min"].where(spells["clock_lost"])
    failed = (spells["outcome"] == "failed").to_numpy()
    for sign, says in signs_by_measurement(
        spells.assign(clock_offset_min=_offsets(spells)), log.settings.thresholds
    ).items():
        kept = np.where(failed | (sign not in _OF_FAILED), says, np.nan)
        if not np.isnan(kept).all():
            table[sign] = pd.Series(kept, index=table.index).map({1.0: "yes", 0.0: "no"})
    table["data_file"] = spells["file"]
    return table.astype(object).where(table.notna(), None)


def _offsets(spells: "pd.DataFrame") -> np.ndarray:
    """Minutes by which each clock was off; 0 where it never left the days of its deployment. Shapes: returns (n,)."""
    jump = np.minimum(spells["jump_min"].fillna(-_LOST_CLOCK_MIN).to_numpy(), -float(_LOST_CLOCK_MIN))
    return np.where(spells["clock_lost"].to_numpy(dtype=bool), jump, 0.0)


def _widths(spells: "pd.DataFrame", log: Log) -> list[float]:
    """Days within which each failure lies; NaN where the unit did not fail."""
    ledger = log.ledger
    width = np.where(np.isfinite(ledger["upper"]), np.maximum(ledger["upper"] - ledger["lower"], 1), np.nan)
    known: Mapping[tuple[str, int], float] = dict(
        zip(zip(ledger["unit_id"].astype(str), ledger["deployment"].astype(int), strict=True), width, strict=True)
    )
    return [known.get((unit, int(n)), np.nan) for unit, n in zip(spells["unit"], spells["deployment"], strict=True)]


def _disagreements(log: Log) -> list[str]:
    """What the log says against the files, with both places."""
    named = [p for p in log.all_problems if p.source == TABLE or p.field == "last_record_on"]
    return [f"{p.source}, row {p.row}: {p.reason}" for p in named]


def _plain(value: Any) -> Any:
    if hasattr(value, "isoformat"):
        return value.isoformat(sep=" ")
    return value.item() if hasattr(value, "item") else value
