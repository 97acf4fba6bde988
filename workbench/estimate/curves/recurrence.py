"""Mean cumulative count: histories of repeated events in, mean number of events per unit by each time out."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_columns, check_confidence, check_time_list
from workbench.errors import EstimateError, LivesError, UsageError
from workbench.estimate.shared import joined_levels, text_levels
from workbench.estimate.steps import normal_quantile
from workbench.results import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["MeanCumulativeCount", "mean_cumulative_count"]

CHUNK_CELLS = 4_000_000


@dataclass(frozen=True, kw_only=True, eq=False)
class MeanCumulativeCount(Result):
    """Mean number of events per unit by group; one row per group and time at which something happened or ended.

    Attributes
    ----------
    labels : tuple of str
        The groups in table order.
    confidence : float
        Two-sided level of the limits.
    """

    labels: tuple[str, ...]
    confidence: float

    def at(self, times: Any) -> "pd.DataFrame":
        """The mean counts at any times.

        Parameters
        ----------
        times : float or array-like of shape (m,)
            Times of at least 0.

        Returns
        -------
        pandas.DataFrame
            group, time, mean_count, std_error, lower, upper. 0 before the first event (without limits), NaN after the
            last unit left.

        Raises
        ------
        UsageError
            If a time is negative or no number.
        """
        import pandas as pd

        wanted = check_time_list(times)
        frames = []
        for label in self.labels:
            rows = self.columns["group"] == label
            days = self.columns["time"][rows]
            row = np.searchsorted(days, wanted, side="right")
            beyond = wanted > days.max(initial=0.0)
            found = {"group": np.full(wanted.size, label, dtype=object), "time": wanted}
            for name, start in (("mean_count", 0.0), ("std_error", 0.0), ("lower", np.nan), ("upper", np.nan)):
                values = np.append(start, self.columns[name][rows])[row]
                found[name] = np.where(beyond, np.nan, values)
            frames.append(pd.DataFrame(found))
        return pd.concat(frames, ignore_index=True)


def mean_cumulative_count(
    histories: "pd.DataFrame", by: str | Sequence[str] | None = None, *, confidence: float = 0.95
) -> MeanCumulativeCount:
    """Mean number of events per unit by each time, for units that are repaired or refitted and go out again.

    Parameters
    ----------
    histories : pandas.DataFrame
        Columns unit, time and event: one row per event (True) and one per unit for the end of its observation (False),
        times counted from each unit's start. Units are watched from 0 to their end.
    by : str, sequence of str, or None
        Columns that make groups, the same in all rows of a unit; None gives one group, "all".
    confidence : float in (0, 1)
        Two-sided level of the limits, formed on the log scale.

    Returns
    -------
    MeanCumulativeCount
        `.table`: group, time, at_risk, events, mean_count, std_error, lower, upper. Events come before ends of the same
        time. std_error is robust: no assumption on how events of one unit depend on each other.

    Raises
    ------
    UsageError
        If a column is missing, or the confidence is wrong.
    LivesError
        If a time or event is impossible, a unit has two ends or an event after its end, or changes group.
    EstimateError
        If there are no rows.

    References
    ----------
    Nelson (1995), Technometrics 37, 147-157; Lawless & Nadeau (1995), Technometrics 37, 158-168 (variance).

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"unit": ["a", "a", "b"], "time": [3, 9, 9], "event": [True, False, False]})
    >>> mean_cumulative_count(rows).table.mean_count.tolist()
    [0.5, 0.5]
    """
    confidence = check_confidence(confidence)
    check_columns(["unit", "time", "event"], histories.columns, "column of histories")
    if len(histories) == 0:
        raise EstimateError("histories has no rows, so there is no count")
    time, event = _checked_rows(histories)
    unit_codes, units = _units(histories)
    end, notes = _ends(time, event, unit_codes, units=units)
    labels, codes, group_notes = _unit_groups(histories, by, unit_codes, units=units)
    parts = []
    for g, label in enumerate(labels):
        mine = codes == g
        happened = event & mine[unit_codes]
        part, more = _one_group(time[happened], unit_codes[happened], np.where(mine, end, -1.0), confidence=confidence)
        size = part[0].size
        parts.append((np.full(size, label, dtype=object), *part))
        group_notes += [f"{label}: {sentence}" for sentence in more]
    names = ("group", "time", "at_risk", "events", "mean_count", "std_error", "lower", "upper")
    columns = {name: np.concatenate(values) for name, values in zip(names, zip(*parts, strict=True), strict=True)}
    return MeanCumulativeCount(columns=columns, notes=(*notes, *group_notes), labels=labels, confidence=confidence)


def _checked_rows(histories: "pd.DataFrame") -> tuple[np.ndarray, np.ndarray]:
    import pandas as pd

    missing = histories["unit"].isna().to_numpy()
    if missing.any():
        raise LivesError(f"row {int(np.argmax(missing))}: unit is empty; every row needs the unit it belongs to")
    numbers = pd.to_numeric(histories["time"], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    bad = ~(np.isfinite(numbers) & (numbers >= 0))
    if bad.any():
        row = int(np.argmax(bad))
        raise LivesError(f"row {row}: time is {_shown(histories['time'].iloc[row])}; give a number of at least 0")
    flags = pd.to_numeric(histories["event"], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    bad = ~((flags == 0) | (flags == 1))
    if bad.any():
        row = int(np.argmax(bad))
        raise LivesError(
            f"row {row}: event is {_shown(histories['event'].iloc[row])}; give True for an event, False for the end"
        )
    return numbers, flags == 1


def _shown(value: Any) -> str:
    return repr(value.item() if isinstance(value, np.generic) else value)


def _units(histories: "pd.DataFrame") -> tuple[np.ndarray, np.ndarray]:
    import pandas as pd

    codes, names = pd.factorize(histories["unit"])
    return codes, np.asarray(names, dtype=object)


def _ends(time: np.ndarray, event: np.ndarray, codes: np.ndarray, *, units: np.ndarray) -> tuple[np.ndarray, list[str]]:
    ends = np.bincount(codes[~event], minlength=units.size)
    if (ends > 1).any():
        name = units[int(np.argmax(ends > 1))]
        raise LivesError(
            f"unit {_shown(name)} has {ends.max()} rows with event False; keep the one end of its observation"
        )
    last = np.full(units.size, -1.0)
    np.maximum.at(last, codes, time)
    end = last.copy()
    end[codes[~event]] = time[~event]
    late = event & (time > end[codes])
    if late.any():
        row = int(np.argmax(late))
        raise LivesError(
            f"row {row}: unit {_shown(units[codes[row]])} has an event at {time[row]:g}, "
            f"after its end at {end[codes[row]]:g}"
        )
    without = int((ends == 0).sum())
    if not without:
        return end, []
    verb = "unit has" if without == 1 else "units have"
    return end, [f"{without} {verb} no end of observation; the last event is taken as the end, which counts too high."]


def _unit_groups(
    histories: "pd.DataFrame", by: str | Sequence[str] | None, codes: np.ndarray, *, units: np.ndarray
) -> tuple[tuple[str, ...], np.ndarray, list[str]]:
    if by is None:
        return ("all",), np.zeros(units.size, dtype=np.int64), []
    names = check_columns(by, histories.columns, "column of histories")
    if not names:
        raise UsageError("by names no column; name one or several, or give None for all units together")
    labels, row_codes = joined_levels([text_levels(histories[name]) for name in names])
    if not labels:
        raise EstimateError(f"no row has a value of {', '.join(names)}")
    group = np.full(units.size, -1, dtype=np.int64)
    group[codes] = row_codes
    differs = row_codes != group[codes]
    if differs.any():
        row = int(np.argmax(differs))
        raise LivesError(
            f"row {row}: unit {_shown(units[codes[row]])} changes its value of {', '.join(names)}; "
            "a unit belongs to one group in all its rows"
        )
    without = int((group < 0).sum())
    notes = [f"{without} of {units.size} units have no value of {', '.join(names)} and are left out here."]
    return labels, group, notes if without else []


def _one_group(
    time: np.ndarray, unit: np.ndarray, end: np.ndarray, *, confidence: float
) -> tuple[tuple[np.ndarray, ...], list[str]]:
    ends = np.sort(end[end >= 0])
    days = np.unique(np.concatenate([time, ends]))
    place = np.searchsorted(days, time)
    events = np.bincount(place, minlength=days.size)
    at_risk = ends.size - np.searchsorted(ends, days, side="left")
    mean = np.cumsum(events / at_risk)
    std_error = np.sqrt(_robust_variance(place, unit, end, days=days, events=events, at_risk=at_risk))
    z = normal_quantile(confidence)
    known = (mean > 0) & (std_error > 0)
    ratio = np.where(known, z * std_error / np.where(mean > 0, mean, 1.0), np.nan)
    lower, upper = mean * np.exp(-ratio), mean * np.exp(ratio)
    none = mean == 0
    lower[none], upper[none] = 0.0, -np.log(0.5 - confidence / 2) / at_risk[none]
    notes = []
    if none.any():
        notes.append("where nothing has happened yet, the upper limit takes events to come at random (Poisson).")
    flat = (mean > 0) & (std_error <= 0)
    if flat.any():
        std_error[flat] = np.nan
        notes.append("no standard error where all units under observation have the same count, or there is only one.")
    return (days, at_risk, events, mean, std_error, lower, upper), notes


def _robust_variance(
    place: np.ndarray, unit: np.ndarray, end: np.ndarray, *, days: np.ndarray, events: np.ndarray, at_risk: np.ndarray
) -> np.ndarray:
    """Sum over units of the squared running sum of (own events - events per unit) / at risk, while watched."""
    members = np.flatnonzero(end >= 0)
    number = np.full(end.size, -1)
    number[members] = np.arange(members.size)
    rate, until = events / at_risk, np.searchsorted(days, end[members], side="right")
    own = number[unit]
    order = np.argsort(own, kind="stable")
    own, place = own[order], place[order]
    total = np.zeros(days.size)
    step = max(1, CHUNK_CELLS // max(days.size, 1))
    for first in range(0, members.size, step):
        block = slice(*np.searchsorted(own, [first, first + step]))
        size = min(step, members.size - first)
        cells = (own[block] - first) * days.size + place[block]
        counts = np.bincount(cells, minlength=size * days.size).reshape(size, days.size)
        watched = np.arange(days.size) < until[first : first + size, None]
        total += (np.cumsum(np.where(watched, (counts - rate) / at_risk, 0.0), axis=1) ** 2).sum(axis=0)
    return total
