"""Fleet: millions of deployments checked like a field log and counted to lives, by DuckDB or another engine."""

import datetime as dt
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_whole
from workbench.errors import LogError, UsageError
from workbench.filing import Permit, check_target, files_read
from workbench.fleet.fleet_files import Workspace, open_source
from workbench.fleet.fleet_reading import Question, read_rows
from workbench.fleet.fleet_tally import TallyLine, tally_frame
from workbench.log.dictionary import Settings, fit_of, log_vocabulary
from workbench.log.season_log import CORE, mission_of
from workbench.log.sources import settings_for

if TYPE_CHECKING:
    import pandas as pd

    from workbench.lives import Lives

__all__ = ["Fleet", "read_fleet"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Fleet:
    """A fleet that was read, checked and counted.

    Attributes
    ----------
    name : str
        Of the source.
    rows, used : int
        Rows with any content, and those in use; the rest is set aside.
    notes : tuple of str
        What was assumed, found and left out, each a sentence.
    settings : Settings
        What it was read with.
    step : int
        Days to which lives are known; 1 unless coarser days were asked for.
    files : tuple of (str, str)
        Name and sha256 of each file; none for a dataframe.
    roles : mapping of str to str
        Role of each column of the source that is understood.
    translations, marks : tuple of str
        As of a log; single cells of a fleet are not kept, so there are none.
    """

    name: str
    rows: int
    used: int
    notes: tuple[str, ...]
    settings: Settings
    step: int
    files: tuple[tuple[str, str], ...]
    roles: Mapping[str, str]
    translations: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    _lives: "Lives | None"
    _aside: tuple[TallyLine, ...]
    _values: tuple[TallyLine, ...]

    @property
    def rows_set_aside(self) -> int:
        """How many rows were read and not used."""
        return self.rows - self.used

    @property
    def set_aside(self) -> "pd.DataFrame":
        """Why rows were set aside, one line a reason: field reason rows also advice unit_id value example.

        `rows` counts rows by their first problem and adds up to `rows_set_aside`; `also` counts further rows that have
        the problem beside an earlier one.
        """
        return tally_frame(self._aside)

    @property
    def problems(self) -> "pd.DataFrame":
        """Values that count as not recorded, one line a reason; columns as in `set_aside`, counts are of cells."""
        return tally_frame(self._values)

    @property
    def records(self) -> "pd.DataFrame":
        """No rows: single deployments are not kept, so what needs them (teardowns, costs of units) is left out."""
        import pandas as pd

        return pd.DataFrame({name: pd.Series(dtype=object) for name in CORE})

    @property
    def ledger(self) -> "pd.DataFrame":
        """The different lives with their counts: entry lower upper kind deployments."""
        import pandas as pd

        lives = self.lives()
        kind = np.select([lives.exact, lives.failed], ["exact", "interval"], "suspended")
        data = {"entry": lives.entry, "lower": lives.lower, "upper": lives.upper, "kind": kind}
        frame = pd.DataFrame(data | {"deployments": lives.weight})
        return frame.groupby(list(data), sort=True)["deployments"].sum().reset_index()

    def columns_of(self, *roles: str) -> tuple[str, ...]:
        """Return the covariates of some roles."""
        known = () if self._lives is None else tuple(self._lives.covariates)
        return tuple(name for name, role in self.roles.items() if role in roles and name in known)

    def lives(self) -> "Lives":
        """Return the lives, one row for all deployments that agree in times, cause and covariates."""
        if self._lives is None:
            first = self.set_aside.iloc[0]
            raise LogError(
                f"no row of {self.name} can be used ({self.rows:,} set aside; most often: {first['reason']})"
            )
        return self._lives

    def mission(self) -> tuple[int, str]:
        """Return the days a unit must last, and where the number comes from."""
        return mission_of(self.settings, self.lives)


def read_fleet(
    source: Any,
    settings: Settings | Mapping[str, Any] | str | PathLike[str] | None = None,
    *,
    covariates: Sequence[str] | str | Callable[[Mapping[str, str]], Sequence[str]] | None = None,
    step: int = 1,
    set_aside_to: str | PathLike[str] | None = None,
    memory_mb: int = 1000,
    threads: int = 2,
    spill: str | PathLike[str] | None = None,
    today: dt.date | None = None,
    replace_others: bool = False,
) -> Fleet:
    """Read a log of any size, one row per deployment, and count it to lives.

    Every different cell is read, and every combination of outcome and days is judged, once and by the rules of
    `read_log`; the engine only counts. So memory depends on how many different rows there are, not on how many rows.

    Parameters
    ----------
    source : path, list of paths, or dataframe
        Parquet, csv, tsv or txt files or a folder of them, read by DuckDB from disk; or a dataframe of polars, DuckDB,
        PySpark, Dask, pandas or Arrow, read by its own engine.
    settings : path, mapping, Settings or None
        season.toml or the same as a dict.
    covariates : sequence of str, str, or callable, optional
        Columns to keep apart; every protection and exposure column, site, batch, firmware and season when not given.
        Each one multiplies the counts: name the choices and exposures that are asked about. A function is given the
        role of each column that could be kept, and returns those to keep.
    step : int
        Days to which lives are rounded, outwards: a failure lies between the grid days around it.
    set_aside_to : path, optional
        Parquet or csv file for the rows set aside, with the reason; positions, notes and photos are left out.
    memory_mb, threads : int
        What DuckDB may use.
    spill : path, optional
        Folder for what does not fit in memory; the system's when not given.
    today : date, optional
        Without a season window no date may be later than this; the day of the call when not given.
    replace_others : bool
        Whether a file that this workbench did not write may be replaced by the rows set aside; what is read never is.

    Returns
    -------
    Fleet
        lives(), rows, used, set_aside, problems, notes, settings, files, mission().

    Raises
    ------
    UsageError
        A path that does not exist, an unknown covariate or option value; SettingsError for wrong settings.
    LogError
        If the source cannot be read as a log, changes while it is read, or there is no room for what does not fit.
        Wrong cells and rows never raise: they are counted in `set_aside` and `problems`.
    """
    checked, said = settings_for(source, settings)
    permit = Permit(inputs=files_read(source, settings), replace=replace_others)
    target = None if set_aside_to is None else check_target(set_aside_to, (".parquet", ".csv"), permit)
    workspace = Workspace(
        memory=check_whole("memory_mb", memory_mb, least=100),
        threads=check_whole("threads", threads, least=1),
        folder=_folder(spill),
    )
    question = Question(
        settings=checked,
        vocabulary=log_vocabulary(checked),
        covariates=covariates if covariates is None or callable(covariates) else _names(covariates),
        step=check_whole("step", step, least=1),
        set_aside_to=target,
        permit=permit,
        today=today or dt.date.today(),
    )
    with open_source(source, workspace, lambda sheet: fit_of(sheet, question.vocabulary)[0]) as opened:
        found = read_rows(opened, question)
    return Fleet(
        name=opened.name,
        rows=found.rows,
        used=found.used,
        notes=tuple(dict.fromkeys([*said, *found.notes])),
        settings=checked,
        step=question.step,
        files=opened.files,
        roles=found.roles,
        _lives=found.lives,
        _aside=tuple(found.tally.rows.values()),
        _values=tuple(found.tally.values.values()),
    )


def _names(covariates: Sequence[str] | str) -> tuple[str, ...]:
    return (covariates,) if isinstance(covariates, str) else tuple(covariates)


def _folder(spill: str | PathLike[str] | None) -> Path:
    folder = Path(tempfile.gettempdir() if spill is None else spill)
    if not folder.is_dir():
        raise UsageError(f"spill={str(spill)!r} is no folder; name one that exists, with room for a copy of the data")
    return folder
