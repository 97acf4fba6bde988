"""CumulativeIncidence: the result of `cumulative_incidence`, with a look-up by time."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_time_list
from workbench.estimate.steps import RiskSets, RowLimits, exact_bound
from workbench.results import Result, columns_to_frame, freeze_columns

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CumulativeIncidence"]


@dataclass(frozen=True, kw_only=True, eq=False)
class CumulativeIncidence(Result):
    """Share failed of each cause by group; with the share surviving they sum to one at every time.

    Attributes
    ----------
    kind : str
        "product-limit" (steps at known days) or "npmle" (failures known to intervals).
    labels, causes : tuple of str
        Groups and causes in table order; rows run by group, cause, time.
    risk : RiskSets
        Counts behind the curves; of interval lives: units known working.
    throughout : RiskSets
        The same of the units watched from day 0 on, on which the bound of a cause that has not struck rests.
    working : tuple of RiskSets
        Of interval lives: units known working, and failures of each cause on the day on which their interval begins.
    began : np.ndarray of float, shape (rows,), or None
        Of interval lives: when the interval begins whose failures each row counts.
    limits : RowLimits or None
        Where limits take a search: what finds those that are asked for.
    bounds : np.ndarray of int, shape (groups * causes + 1,)
        Rows of cause k of group g are bounds[g * causes + k] to the next bound.
    known_to : np.ndarray of float, shape (groups,)
        Last day known of each group.
    test_columns : mapping of str to array
        Gray's test, one row a cause; no rows when there is one group.
    confidence : float
        Two-sided level of the limits.
    unit : str
        Unit of time.
    """

    kind: str
    labels: tuple[str, ...]
    causes: tuple[str, ...]
    risk: RiskSets
    throughout: RiskSets
    bounds: np.ndarray
    known_to: np.ndarray
    test_columns: Mapping[str, np.ndarray]
    confidence: float
    unit: str
    working: tuple[RiskSets, ...] = ()
    began: np.ndarray | None = None
    limits: RowLimits | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "test_columns", freeze_columns(self.test_columns))

    @property
    def test(self) -> "pd.DataFrame":
        """Gray's test of equal incidence between the groups: cause, statistic, degrees_of_freedom, p_value."""
        return columns_to_frame(self.test_columns)

    def at(self, times: Any, *, limits: bool = True) -> "pd.DataFrame":
        """The incidences at any times.

        Parameters
        ----------
        times : float or array-like of shape (m,)
            Times of at least 0, in any order.
        limits : bool
            False leaves the limits NaN where each would take a search.

        Returns
        -------
        pandas.DataFrame
            group, cause, time, incidence, std_error, lower, upper; m rows a group and cause. 0 before the first
            failure; between two days that bound failures it rises evenly, with the lower limit of the first and the
            upper of the second; NaN after the group's last known day, unless every unit had failed by then.

        Raises
        ------
        UsageError
            If a time is negative or no number.
        """
        import pandas as pd

        wanted = check_time_list(times)
        parts = [
            self._at(g, k, wanted, limits=limits) for g in range(len(self.labels)) for k in range(len(self.causes))
        ]
        frame = {
            "group": np.repeat(np.array(self.labels, dtype=object), len(self.causes) * wanted.size),
            "cause": np.tile(np.repeat(np.array(self.causes, dtype=object), wanted.size), len(self.labels)),
            "time": np.tile(wanted, len(parts)),
        }
        for name in ("incidence", "std_error", "lower", "upper"):
            frame[name] = np.concatenate([part[name] for part in parts]) if parts else np.zeros(0)
        return pd.DataFrame(frame)

    def _at(self, group: int, cause: int, times: np.ndarray, *, limits: bool) -> dict[str, np.ndarray]:
        rows = self._rows(group, cause)
        days = self.columns["time"][rows]
        row = np.searchsorted(days, times, side="right")
        share = self._part_of_cell(rows, row, times)
        columns = {name: self.columns[name][rows] for name in ("incidence", "std_error")}
        columns["lower"], columns["upper"] = self._limits_around(group, cause, row if limits else row[:0])
        found, inside = {}, share > 0
        for name, values in columns.items():
            steps = np.append(0.0, values)
            before, after = steps[row], steps[np.minimum(row + 1, days.size)]
            # between two days that bound failures they may lie on either side: limits are those of both days
            between = {"incidence": before + share * (after - before), "std_error": np.nan, "lower": before}
            found[name] = np.where(inside, between.get(name, after), before)
        nothing_yet = np.append(0.0, columns["incidence"])[row] == 0
        ahead = np.append(columns["upper"], 1.0)[row]  # no more have failed by now than by the next day
        bound = np.where(inside, ahead, np.fmin(1.0 - self._bound_without_failure(group, cause, times), ahead))
        found["upper"] = np.where(nothing_yet, bound, found["upper"])
        last = [self.columns["incidence"][self._rows(group, k)][-1:] for k in range(len(self.causes))]
        if not np.concatenate(last).sum() > 1.0 - 1e-9:
            for values in found.values():
                values[times > self.known_to[group]] = np.nan
        return found

    def _bound_without_failure(self, group: int, cause: int, times: np.ndarray) -> np.ndarray:
        # a unit lost to another cause has answered: it counts on, less the share that would have left since. No more
        # have failed by a day than by a later one, whose bound may be closer: what ended units is known by then
        working = self.working[cause] if self.working else self.throughout
        first = np.append(self.columns["time"][self._rows(group, cause)], np.inf)[0]
        counted = np.concatenate([self.throughout.time[self.throughout.rows(group)], working.time[working.rows(group)]])
        days = np.unique(np.concatenate([times, counted[counted < first]]))
        units = self.throughout.count_with_lost(group, days, working)
        unknown = self.working[cause].failed_before(group, days) if self.working else 0
        bound = exact_bound(units, self.confidence, unknown)
        return np.maximum.accumulate(bound[::-1])[::-1][np.searchsorted(days, times)]

    def _part_of_cell(self, rows: slice, row: np.ndarray, times: np.ndarray) -> np.ndarray:
        if self.began is None:
            return np.zeros(times.size)
        start = np.append(self.began[rows], np.inf)[row]
        end = np.append(self.columns["time"][rows], 0.0)[row]
        inside = (start < times) & (times < end)
        return np.where(inside, (times - start) / np.where(inside, end - start, 1.0), 0.0)

    def _limits_around(self, group: int, cause: int, row: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        # limits of a part, which are known where they were no search, or where a time lies before or after the row
        rows = self._rows(group, cause)
        if self.limits is None:
            return self.columns["lower"][rows], self.columns["upper"][rows]
        return self.limits.of(group * len(self.causes) + cause, np.concatenate([row - 1, row]))

    def _rows(self, group: int, cause: int) -> slice:
        place = group * len(self.causes) + cause
        return slice(int(self.bounds[place]), int(self.bounds[place + 1]))
