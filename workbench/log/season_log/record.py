"""Log: the checked record of a season: rows in use, rows set aside, every problem, the ledger and the lives."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from workbench.errors import LogError
from workbench.log.cells import Address
from workbench.log.dictionary import Settings, answers_without_mechanism
from workbench.log.rules import Problem, problems_frame

if TYPE_CHECKING:
    import pandas as pd

    from workbench.lives import Lives

__all__ = ["ALWAYS_COVARIATES", "Log", "mission_of"]

ALWAYS_COVARIATES = ("site", "batch", "firmware", "season")
"""Covariates of the lives beside every protection and exposure column."""

_MISSION_SHARE = 0.8
_MISSION_STEP = 30


@dataclass(frozen=True, kw_only=True, eq=False)
class Log:
    """A log that was read and checked; tables are handed out as copies.

    Attributes
    ----------
    all_problems : tuple of Problem
        In file order.
    notes : tuple of str
        What was assumed, found and left out, each a sentence.
    translations : tuple of str
        Which typed words were read as which words of the dictionary.
    unsaid_ends : tuple of (str, str)
        The outcome that a fill colour tells of each row whose own is not known, with a sentence.
    marks : tuple of str
        What fill colours and comments of cells say beside the values; they may name people and go into no report.
    settings : Settings
        What it was read with.
    rows, used : int
        Rows with any content below the headings, and those in use; the rest is set aside.
    files : tuple of (str, str)
        Name and sha256 of each file.
    roles : mapping of str to str
        Role of every column of the records that the dictionary or the settings know.
    """

    _records: "pd.DataFrame"
    _ledger: "pd.DataFrame"
    _followed_to: Any
    _addresses: tuple[Callable[[str], Address], ...]
    all_problems: tuple[Problem, ...]
    notes: tuple[str, ...]
    settings: Settings
    rows: int
    used: int
    files: tuple[tuple[str, str], ...]
    translations: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    unsaid_ends: tuple[tuple[str, str], ...] = ()
    roles: Mapping[str, str]

    @property
    def records(self) -> "pd.DataFrame":
        """One row a life in use: source, sheet, row, the dictionary's columns, further columns."""
        return self._records.copy()

    @property
    def ledger(self) -> "pd.DataFrame":
        """One row a life: row unit_id deployment entry lower upper kind rule cluster source sheet."""
        return self._ledger.copy()

    @property
    def problems(self) -> "pd.DataFrame":
        """Every problem, one line each."""
        return problems_frame(self.all_problems)

    @property
    def set_aside(self) -> "pd.DataFrame":
        """The problems for which a row was set aside, one line each."""
        return problems_frame(p for p in self.all_problems if p.scope == "row")

    @property
    def rows_set_aside(self) -> int:
        """How many rows were read and not used."""
        return self.rows - self.used

    def address(self, position: int, field: str) -> Address:
        """Return where a field of a record stands in its file.

        Parameters
        ----------
        position : int
            Of the record, from 0.
        field : str
            Name of the column; "" for the row.

        Returns
        -------
        Address
            With the cell's name in workbooks.

        Raises
        ------
        IndexError
            If there is no such record.
        """
        return self._addresses[position](field)

    def columns_of(self, *roles: str) -> tuple[str, ...]:
        """Return the columns of some roles that hold any value.

        Parameters
        ----------
        *roles : str
            Such as protection or exposure.

        Returns
        -------
        tuple of str
            In dictionary order.
        """
        return tuple(
            name for name, role in self.roles.items() if role in roles and self._records[name].notna().to_numpy().any()
        )

    def lives(self) -> "Lives":
        """Return what is known of each unit's time to failure, one row a record, in days.

        Returns
        -------
        Lives
            cause: the mechanism where failed ("undetermined" when nobody could name it); cluster: unit_id; covariates:
            every protection and exposure column, site, batch, firmware and season where the log has them, outcome,
            deployed_on, and followed_to: the age at the last visit or return seen at that site in that season (or last
            known to work, when later), to which a missing unit may have worked.

        Raises
        ------
        LogError
            If no row can be used.
        """
        from workbench.lives import Lives

        if not self.used:
            first = self.all_problems[0]
            raise LogError(
                f"no row of {', '.join(name for name, _ in self.files)} can be used "
                f"({self.rows} set aside; the first: row {first.row}: {first.reason}); 'workbench check' lists them all"
            )
        records, ledger = self._records, self._ledger
        names = [*self.columns_of("protection", "exposure")]
        names += [
            n for n in ALWAYS_COVARIATES if n not in names and n in records and records[n].notna().to_numpy().any()
        ]
        covariates = records[[*names, "outcome", "deployed_on"]].assign(followed_to=self._followed_to)
        failed = (records["outcome"] == "failed").to_numpy()
        named = records["mechanism"].astype(object).where(records["mechanism"].notna(), "")
        no_mechanism = answers_without_mechanism()
        cause = ["" if not f or m in no_mechanism else m for f, m in zip(failed, named, strict=True)]
        return Lives.from_arrays(
            lower=ledger["lower"].to_numpy(),
            upper=ledger["upper"].to_numpy(),
            entry=ledger["entry"].to_numpy(),
            cause=cause,
            covariates=covariates,
            cluster=ledger["cluster"].to_numpy(),
        )

    def mission(self) -> tuple[int, str]:
        """Return the days a unit must last, and where the number comes from.

        Returns
        -------
        days : int
            Of the settings; without them 80 % of the longest life seen, rounded down to 30 days.
        note : str
            A clause for people, without a full stop.

        Raises
        ------
        LogError
            If there is no setting and no row can be used.
        """
        return mission_of(self.settings, self.lives)


def mission_of(settings: Settings, lives: "Callable[[], Lives]") -> tuple[int, str]:
    """Return the days a unit must last, and where the number comes from."""
    if settings.mission_days is not None:
        return settings.mission_days, "as set in the settings"
    longest = float(lives().lower.max())
    days = math.floor(_MISSION_SHARE * longest)
    if days >= _MISSION_STEP:
        days = days // _MISSION_STEP * _MISSION_STEP
    rounded = f", rounded down to {_MISSION_STEP} days" if days >= _MISSION_STEP else ""
    note = f"assumed: 80 % of the longest life seen, {longest:.0f} days{rounded}"
    return max(days, 1), note
