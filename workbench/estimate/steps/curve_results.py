"""SurvivalCurve: the result of `survival_curve`, with look-ups by time and by share failed."""

from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_positive, check_time_list
from workbench.errors import UsageError
from workbench.estimate.steps.differences import LimitsAt, difference_frame, reference_label
from workbench.estimate.steps.risk_sets import RiskSets
from workbench.estimate.steps.row_limits import RowLimits
from workbench.estimate.steps.step_limits import bound_at_first_failure, curve_limits, exact_bound
from workbench.mentions import Sentence
from workbench.results import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SurvivalCurve"]

_ROUNDING = 1e-9


@dataclass(frozen=True, kw_only=True, eq=False)
class SurvivalCurve(Result):
    """Share surviving by group; one row a day on which a unit failed or left, or one a cell of the interval curve.

    Attributes
    ----------
    kind : str
        "product-limit" (steps at known days) or "npmle" (mass in cells, spread evenly inside a cell).
    labels : tuple of str
        The groups, in table order.
    risk : RiskSets
        Counts behind the curve; of an interval curve: units known working.
    throughout : RiskSets
        The same of the units watched from day 0 on, on which exact bounds rest.
    known_to : np.ndarray of float, shape (groups,)
        Last day known of each group; -inf where nobody was watched from day 0 on.
    first_entries : np.ndarray of float, shape (groups,)
        Day on which watching began; of a group with a gap, began again.
    bounds : np.ndarray of int, shape (groups + 1,)
        Rows of group g in the columns are bounds[g] ... bounds[g + 1].
    first_known : np.ndarray of float, shape (groups,), or None
        Interval curves: the first time by which a unit is known to have failed.
    limits : RowLimits or None
        Interval curves: what finds the limits that are asked for, each of which takes a search.
    began : np.ndarray of float, shape (rows,), or None
        Product-limit curves of visits on one grid: when the interval began whose failures each row counts.
    confidence : float
        Two-sided level of the limits.
    interval : str
        Scale of the limits, "likelihood-ratio" for an interval curve.
    unit : str
        Unit of time.
    """

    notes: tuple[Sentence, ...] = ()
    kind: str
    labels: tuple[str, ...]
    risk: RiskSets
    throughout: RiskSets
    known_to: np.ndarray
    first_entries: np.ndarray
    bounds: np.ndarray
    confidence: float
    interval: str
    unit: str
    first_known: np.ndarray | None = None
    began: np.ndarray | None = None
    limits: RowLimits | None = None

    def at(self, times: Any, *, limits: bool = True) -> "pd.DataFrame":
        """The curves at any times.

        Parameters
        ----------
        times : float or array-like of shape (m,)
            Times of at least 0.
        limits : bool
            False leaves limits NaN where each would take a search.

        Returns
        -------
        pandas.DataFrame
            group, time, survival, std_error, lower, upper, at_risk; m rows a group. Survival is 1 before the first
            row, NaN after the last known day unless it has reached 0, and everywhere for a group that nobody watched
            from day 0 on. Inside a cell, or between two visits of one grid, it falls evenly; limits are there those of
            the end below and of the start above, for the failures may lie on either side. Where no unit is known to
            have failed yet the lower limit is exact, with units that may have failed counted as failed, or that of
            the next end where this is higher. On an interval curve at_risk counts the units known working.

        Raises
        ------
        UsageError
            If a time is negative or no number.
        """
        import pandas as pd

        wanted = check_time_list(times)
        parts = [self._look_up(g, wanted, limits=limits) for g in range(len(self.labels))]
        frame = {"group": np.repeat(np.array(self.labels, dtype=object), wanted.size)}
        frame["time"] = np.tile(wanted, len(parts))
        for name in ("survival", "std_error", "lower", "upper", "at_risk"):
            frame[name] = np.concatenate([part[name] for part in parts])
        return pd.DataFrame(frame)

    def quantile(self, p: Any) -> "pd.DataFrame":
        """Times by which given shares have failed, with limits from inverting the pointwise limits.

        Parameters
        ----------
        p : float or array-like of shape (m,)
            Shares failed, between 0 and 1 (0.1 gives the B10 life, 0.5 the median).

        Returns
        -------
        pandas.DataFrame
            group, p, time, lower, upper; NaN where not reached, with the reasons in `.attrs["notes"]`. The limits are
            the first days on which the limits of `.at` reach 1 - p, from day 0 on: with few units lower is 0. On an
            interval curve time and upper are the end of the cell that reaches p, and lower is the start of its cell,
            for within a cell the day is not known.

        Raises
        ------
        UsageError
            If a share lies outside (0, 1).
        """
        import pandas as pd

        shares = np.atleast_1d(np.asarray(p, dtype=float))
        if shares.ndim != 1 or not np.all((shares > 0) & (shares < 1)):
            raise UsageError(f"p is the share failed and must lie between 0 and 1, both excluded; got {p!r}")
        days = self.columns["time" if self.kind == "product-limit" else "to"]
        found: dict[str, list[float]] = {"time": [], "lower": [], "upper": []}
        for g in range(len(self.labels)):
            rows = self._rows(g)
            found["time"] += [_first_at_most(days[rows], self.columns["survival"][rows], 1.0 - q) for q in shares]
            many = self.limits is not None and self.limits.many(g)
            read = {} if many else {"lower": self._lower_from(g), "upper": (days[rows], self.columns["upper"][rows])}
            for name in ("lower", "upper"):
                found[name] += [
                    self._halved_to(g, name, 1.0 - q) if many else _first_at_most(*read[name], 1.0 - q) for q in shares
                ]
        frame = pd.DataFrame(
            {
                "group": np.repeat(np.array(self.labels, dtype=object), shares.size),
                "p": np.tile(shares, len(self.labels)),
            }
            | found
        )
        missed = frame[frame["time"].isna()]
        frame.attrs["notes"] = tuple(
            self._why_not_reached(self.labels.index(str(group)), float(q))
            for group, q in zip(missed["group"], missed["p"], strict=True)
        )
        return frame

    def _why_not_reached(self, group: int, share: float) -> str:
        label = self.labels[group]
        if not self.knows_day_0(label):
            return f"{label}: nothing that counts from day 0 is known, so no day for a share of {share:g} is given."
        return f"{label}: a share of {share:g} failed is not reached by {self._last(label):g} {self.unit}."

    def _halved_to(self, group: int, name: str, level: float) -> float:
        # the first day on which a limit that takes a search is at most the level, by halving the days
        days, asked = self._days_of_steps(group) if name == "lower" else 2 * (self.columns["to"][self._rows(group)],)

        def limit(place: int) -> float:
            return float(self._look_up(group, asked[[place]])[name][0])

        place = bisect_left(range(days.size), True, key=lambda k: not limit(k) > level + _ROUNDING)
        known = place < days.size and np.isfinite([days[place], limit(place)]).all()
        return float(days[place]) if known else float("nan")

    def _lower_from(self, group: int) -> tuple[np.ndarray, np.ndarray]:
        # the lower limit as steps: each day from which a value holds, and the value
        days, asked = self._days_of_steps(group)
        return days, self._look_up(group, asked)["lower"]

    def _days_of_steps(self, group: int) -> tuple[np.ndarray, np.ndarray]:
        # each day from which the lower limit may change, twice, and days to ask on: itself, and one before the next
        rows = self._rows(group)
        names = ("time",) if self.kind == "product-limit" else ("from", "to")
        days = [self.columns[name][rows] for name in names] + ([] if self.began is None else [self.began[rows]])
        counted = self.throughout.time[self.throughout.rows(group)]
        every = np.unique(np.concatenate([[0.0], *days, counted, self.risk.time[self.risk.rows(group)]]))
        every = every[np.isfinite(every)]
        after = np.append((every[:-1] + every[1:]) / 2, every[-1] + 1.0)
        return np.repeat(every, 2), np.column_stack([every, after]).ravel()

    def difference(self, time: float, reference: str | None = None) -> "pd.DataFrame":
        """Differences in the share surviving a time, each group minus the reference.

        Parameters
        ----------
        time : float
            Such as the mission length.
        reference : str, optional
            Group to compare with; the first when not given.

        Returns
        -------
        pandas.DataFrame
            group_a, group_b, difference (a minus b, b the reference), std_error, lower, upper, p_value. Limits by
            square-and-add of the groups' own limits; p_value is the level at which they just reach 0 (NaN for
            interval curves). NaN where a group is not known at that time.

        Raises
        ------
        UsageError
            If the time is negative or the reference is no group.
        EstimateError
            If there is one group only.
        """
        day = check_positive("time", time, zero=True)
        base = reference_label(self.labels, reference)
        values: dict[str, tuple[float, ...]] = {}
        for g, label in enumerate(self.labels):
            at = self._look_up(g, np.array([day]))
            values[label] = tuple(float(at[name][0]) for name in ("survival", "lower", "upper", "std_error"))
        limits = None if self.kind == "npmle" else [self._limits_of(g, day) for g in range(len(self.labels))]
        return difference_frame(self.labels, base, values, limits=limits)

    @property
    def median_follow_up(self) -> dict[str, float]:
        """Median time under observation by group, from the reversed curve (leaving is the event, failure the end).

        NaN where half the units had not left by the last day. Units that failed on a day are gone before those
        that left on it (Schemper & Smith 1996, Control. Clin. Trials 17, 343-346).
        """
        found = {}
        for g, label in enumerate(self.labels):
            rows = self.risk.rows(g)
            left, stayed = self.risk.censored[rows], self.risk.at_risk[rows] - self.risk.failures[rows]
            still = np.cumprod(1.0 - left / np.maximum(stayed, 1))
            found[label] = _first_at_most(self.risk.time[rows], still, 0.5)
        return found

    def knows_day_0(self, label: str) -> bool:
        """Whether a group was watched from day 0 on, so that shares of all its units can be given."""
        return bool(self.known_to[self.labels.index(label)] >= 0)

    def watched_from(self, label: str) -> float:
        """Day from which on units of a group were watched without a gap: 0, or the entry after the first gap."""
        return float(self.first_entries[self.labels.index(label)])

    def none_known(self, label: str) -> tuple[float, float]:
        """Days between which units of a group may have failed while none is known to have.

        Parameters
        ----------
        label : str
            A group.

        Returns
        -------
        tuple of float
            The earliest day from which a failure may lie, and the first by which one is known; inf twice where there
            is no such time. Between them a survival of 1 is what the maximum of likelihood says, not what was seen.
        """
        group = self.labels.index(label)
        if self.first_known is None:
            return np.inf, np.inf
        rows = self.throughout.rows(group)
        begun = self.throughout.time[rows][self.throughout.failures[rows] > 0]
        start, end = float(begun.min(initial=np.inf)), float(self.first_known[group])
        return (start, end) if start < end else (np.inf, np.inf)

    def _rows(self, group: int) -> slice:
        return slice(int(self.bounds[group]), int(self.bounds[group + 1]))

    def _last(self, label: str) -> float:
        return float(self.known_to[self.labels.index(label)])

    def _steps_at(self, group: int, times: np.ndarray) -> dict[str, np.ndarray]:
        rows, at_risk = self._rows(group), self.risk.count_at(group, times)
        watched = self.throughout.count_at(group, times)
        row = np.searchsorted(self.columns["time"][rows], times, side="right")
        first = {"survival": 1.0, "std_error": 0.0, "lower": 0.0, "upper": 1.0}
        steps = {name: np.append(start, self.columns[name][rows]) for name, start in first.items()}
        found = {name: values[row] for name, values in steps.items()}
        share, unknown = self._part_of_span(rows, row, times)
        inside, after = share > 0, np.minimum(row + 1, len(steps["lower"]) - 1)
        found["lower"] = np.where(inside, steps["lower"][after], found["lower"])
        found["std_error"] = np.where(inside, np.nan, found["std_error"])
        whole = found["survival"] == 1.0
        ahead = np.where(inside, found["lower"], 0.0)[whole]  # who lasts to the end of the span lasts to any day in it
        found["lower"][whole] = np.fmax(exact_bound((watched - unknown)[whole], self.confidence, unknown[whole]), ahead)
        fallen = np.where(inside, share * (steps["survival"][after] - found["survival"]), 0.0)
        found["survival"] = found["survival"] + fallen
        beyond = (times > self.known_to[group]) & ~(found["survival"] == 0)
        for values in found.values():
            values[beyond] = np.nan
        return found | {"at_risk": at_risk}

    def _part_of_span(self, rows: slice, row: np.ndarray, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        # how much of the interval that holds each time is over, 0 outside; and units that failed somewhere in it
        if self.began is None:
            return np.zeros(times.size), np.zeros(times.size, dtype=np.int64)
        end = np.append(self.columns["time"][rows], 0.0)[row]
        start = np.append(self.began[rows], np.inf)[row]
        inside = (start < times) & (times < end)
        share = np.where(inside, (times - start) / np.where(inside, end - start, 1.0), 0.0)
        return share, np.where(inside, np.append(self.columns["failures"][rows], 0)[row], 0)

    def _look_up(self, group: int, times: np.ndarray, *, limits: bool = True) -> dict[str, np.ndarray]:
        if self.kind == "product-limit":
            return self._steps_at(group, times)
        return self._cells_at(group, times, limits=limits)

    def _cells_at(self, group: int, times: np.ndarray, *, limits: bool) -> dict[str, np.ndarray]:
        rows, working = self._rows(group), self.risk.count_at(group, times)
        start, end = self.columns["from"][rows], self.columns["to"][rows]
        row = np.searchsorted(end, times, side="right")  # cells that are over
        here = np.minimum(row, len(end) - 1)
        inside = (row < len(end)) & (times > start[here]) & np.isfinite(end[here])
        share = np.where(inside, (times - start[here]) / np.where(inside, end[here] - start[here], 1.0), 0.0)
        found = {"std_error": np.full(times.size, np.nan)}
        assert self.limits is not None and self.first_known is not None
        lower, upper = self.limits.of(group, np.concatenate([row - 1, row]) if limits else row[:0])
        columns = {"survival": self.columns["survival"][rows], "lower": lower, "upper": upper}
        steps = {name: np.append(1.0, values) for name, values in columns.items()}
        following = np.minimum(row + 1, len(end))
        before, after = steps["survival"][row], steps["survival"][following]
        found["survival"] = np.where(share > 0, before + share * (after - before), before)
        # inside a cell its failures may lie on either side, so the lower limit is that of its end
        found["lower"] = np.where(share > 0, steps["lower"][following], steps["lower"][row])
        found["upper"] = steps["upper"][row]
        none_known = times < self.first_known[group]
        # the limit of a cell that was over before any failure was known is exact, and holds no longer than that
        old = ~none_known & (np.append(-np.inf, end)[row] < self.first_known[group])
        found["lower"] = np.where(old, np.append(lower, 0.0)[row], found["lower"])
        watched, unknown = (f(group, times) for f in (self.throughout.count_at, self.throughout.failed_before))
        ahead = np.append(lower, 0.0)[row]  # who lasts to the end of the next cell lasts until then
        bound = np.minimum(np.fmax(exact_bound(watched, self.confidence, unknown), ahead), found["survival"])
        found["lower"] = np.where(none_known, bound, found["lower"])
        found["upper"] = np.where(none_known, 1.0, found["upper"])
        beyond = (times > self.known_to[group]) & ~((found["survival"] == 0) & np.isfinite(end[-1]))
        for name in ("survival", "lower", "upper"):
            found[name][beyond] = np.nan
        return found | {"at_risk": working}

    def _limits_of(self, group: int, time: float) -> LimitsAt:
        # limits at one time as a function of the level
        rows, when = self._rows(group), np.array([time])
        row = np.searchsorted(self.columns["time"][rows], when, side="right")
        share, unknown = self._part_of_span(rows, row, when)
        at_risk = self.throughout.count_at(group, when) - unknown
        if share[0] == 0:
            return self._limits_of_row(group, int(row[0]), at_risk)
        start, end = (self._limits_of_row(group, int(row[0]) + k, at_risk) for k in (0, 1))
        whole = bool(np.all(self.columns["survival"][rows][: row[0]] == 1.0))

        def limits(confidence: float) -> tuple[float, float]:
            bound = float(exact_bound(at_risk, confidence, unknown)[0]) if whole else 0.0
            return max(bound, end(confidence)[0]), start(confidence)[1]

        return limits

    def _limits_of_row(self, group: int, row: int, at_risk: np.ndarray) -> LimitsAt:
        # from the last of the first so many rows above 0, and the last of all
        rows = self._rows(group)
        survival = np.append(1.0, self.columns["survival"][rows])[: row + 1]
        error = np.append(0.0, self.columns["std_error"][rows])[: row + 1]
        alive = int(np.flatnonzero(survival > 0)[-1])
        if survival[row] == 0 and alive == 0:  # all failed on the first day
            picked, spread, at_risk = np.zeros(1), np.zeros(1), self.risk.at_risk[self.risk.rows(group)][:1]
        else:
            picked = survival[sorted({alive, row})]
            spread = np.repeat((error[alive] / survival[alive]) ** 2, len(picked))
        counts = np.repeat(at_risk, len(picked))

        def limits(confidence: float) -> tuple[float, float]:
            lower, upper = curve_limits(picked, spread, counts, confidence=confidence, interval=self.interval)
            return float(lower[-1]), float(upper[-1])

        if not self.risk.late_time[group].size or row == 0:
            return limits
        past = slice(rows.start, rows.start + row)
        known, seen = self.columns["survival"][past], self.columns["time"][past]
        spreads = np.where(known > 0, self.columns["std_error"][past] / np.where(known > 0, known, 1.0), 0.0) ** 2
        watched = self.throughout.count_at(group, seen)

        def never_rising(confidence: float) -> tuple[float, float]:
            lower, upper = limits(confidence)
            earlier, _ = curve_limits(known, spreads, watched, confidence=confidence, interval=self.interval)
            before = bound_at_first_failure(known, watched, confidence)
            return min(lower, float(earlier.min()), float(before.min())), upper

        return never_rising


def _first_at_most(days: np.ndarray, values: np.ndarray, level: float) -> float:
    reached = np.flatnonzero(values <= level + _ROUNDING)
    if reached.size == 0 or not np.isfinite(days[reached[0]]):
        return float("nan")
    return float(days[reached[0]])
