"""Risk sets: lives of several groups in, counts of units at risk, failed and suspended at each day out."""

from dataclasses import dataclass

import numpy as np

__all__ = ["RiskSets", "risk_sets"]

_LARGEST_GRID = 2_000_000
_BLOCK = 65_536


@dataclass(frozen=True, eq=False)
class RiskSets:
    """Counts at every distinct time at which a unit of a group failed or left, ordered by group, then time.

    Attributes
    ----------
    group : np.ndarray of int, shape (k,)
        Group number of each row.
    time : np.ndarray of float, shape (k,)
        Distinct times within the group, ascending.
    at_risk, failures, censored : np.ndarray of int64, shape (k,)
        Units at risk at `time` (entry < time <= exit), that failed then, and that left then; failures come first.
    bounds : np.ndarray of int, shape (groups + 1,)
        Rows of group g are bounds[g] ... bounds[g + 1].
    from_start : np.ndarray of int64, shape (groups,)
        Units at risk from before time 0.
    late_time : tuple of np.ndarray
        Per group, the distinct times above 0 at which units entered.
    late_count : tuple of np.ndarray of int64
        Per group, how many units had entered late up to and with each of these times.
    """

    group: np.ndarray
    time: np.ndarray
    at_risk: np.ndarray
    failures: np.ndarray
    censored: np.ndarray
    bounds: np.ndarray
    from_start: np.ndarray
    late_time: tuple[np.ndarray, ...]
    late_count: tuple[np.ndarray, ...]

    @property
    def groups(self) -> int:
        """Number of groups."""
        return len(self.from_start)

    @property
    def first_entries(self) -> np.ndarray:
        """Day from which on each group was watched without a gap: 0, or when units joined after the first gap."""
        joined = np.array([self.unwatched(g)[1] for g in range(self.groups)])
        return np.where(np.isfinite(joined), joined, 0.0)

    def rows(self, group: int) -> slice:
        """The rows of one group."""
        return slice(int(self.bounds[group]), int(self.bounds[group + 1]))

    def unwatched(self, group: int) -> tuple[float, float]:
        """When units of a group were first out of sight though not all had failed (-inf: at the start), and when others
        joined; (inf, inf): never."""
        joined = self.late_time[group]
        gaps = joined[self.count_at(group, joined) == 0]
        if not gaps.size:
            return np.inf, np.inf
        rows = self.rows(group)
        before = self.time[rows] < gaps[0]
        if (self.failures[rows] == self.at_risk[rows])[before].any():
            return np.inf, np.inf
        return float(self.time[rows][before].max(initial=-np.inf)), float(gaps[0])

    def count_with_lost(self, group: int, times: np.ndarray, working: "RiskSets") -> np.ndarray:
        """Units known working at any times, with those that had failed less the share that would have left since.

        It is their number over the share surviving just before (Fine & Gray 1999, J. Am. Stat. Assoc. 94, 496-509).
        """
        rows = self.rows(group)
        n, d = self.at_risk[rows], self.failures[rows]
        survival = np.append(1.0, np.cumprod(1.0 - d / np.maximum(n, 1)))
        before = survival[np.searchsorted(self.time[rows], times, side="left")]
        count = working.count_at(group, times) / np.where(before > 0, before, 1.0)
        if (before > 0).all():
            return count
        last = int(np.argmax(survival == 0)) - 1
        return np.where(before > 0, count, n[last] / survival[last])

    def failed_before(self, group: int, times: np.ndarray) -> np.ndarray:
        """Units of a group whose failure, or the interval that holds it, began before any times.

        Shapes: times (m,), returns (m,).
        """
        rows = self.rows(group)
        total = np.append(0, np.cumsum(self.failures[rows]))
        return total[np.searchsorted(self.time[rows], times, side="left")]

    def count_at(self, group: int, times: np.ndarray) -> np.ndarray:
        """Units of a group at risk at any times: entered before, and not gone before.

        Shapes: times (m,), returns (m,).
        """
        rows = self.rows(group)
        gone = np.concatenate([[0], np.cumsum(self.failures[rows] + self.censored[rows])])
        entered = np.concatenate([[0], self.late_count[group]])
        came = entered[np.searchsorted(self.late_time[group], times, side="left")]
        return np.asarray(self.from_start[group] + came - gone[np.searchsorted(self.time[rows], times, side="left")])


def risk_sets(
    time: np.ndarray, failed: np.ndarray, entry: np.ndarray, *, weight: np.ndarray, codes: np.ndarray, groups: int
) -> RiskSets:
    """Reduce lives to counts; whole-number times by counting into a grid of (group, day), others by sorting.

    Shapes: time (n,), failed (n,), entry (n,), weight (n,), codes (n,).
    """
    if groups > 1 and codes.size and int(codes.min()) < 0:
        keep = np.flatnonzero(codes >= 0)
        time, failed, entry, weight, codes = time[keep], failed[keep], entry[keep], weight[keep], codes[keep]
    elif groups == 1 and codes.any():
        keep = np.flatnonzero(codes == 0)
        time, failed, entry, weight, codes = time[keep], failed[keep], entry[keep], weight[keep], codes[keep]
    units = None if weight.size == 0 or int(weight.max()) == 1 else weight
    group, days, failures, censored = _end_counts(time, failed, units, codes=codes, groups=groups)
    bounds = np.searchsorted(group, np.arange(groups + 1))
    gone = np.append(0, np.cumsum(failures + censored))
    from_start = gone[bounds[1:]] - gone[bounds[:-1]]
    late_time, late_count = _late_entries(entry, units, codes, groups=groups)
    from_start -= np.array([count[-1] if count.size else 0 for count in late_count], dtype=np.int64)
    at_risk = from_start[group] - (gone[:-1] - gone[bounds[:-1]][group])
    for g in range(groups):
        if late_time[g].size:
            rows = slice(int(bounds[g]), int(bounds[g + 1]))
            came = np.concatenate([[0], late_count[g]])
            at_risk[rows] += came[np.searchsorted(late_time[g], days[rows], side="left")]
    return RiskSets(group, days, at_risk, failures, censored, bounds, from_start, late_time, late_count)


def _end_counts(
    time: np.ndarray, failed: np.ndarray, units: np.ndarray | None, *, codes: np.ndarray, groups: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    n = time.shape[0]
    last = float(time.max()) if n else 0.0
    if groups * (last + 1) <= min(_LARGEST_GRID, 4 * n + 10_000):
        counts = _grid_counts(time, failed, units, codes=codes, groups=groups, days=int(last) + 1)
        if counts is not None:
            days, used = int(last) + 1, np.flatnonzero(counts[0] + counts[1])
            return used // days, (used % days).astype(float), counts[1][used], counts[0][used]
    order = np.lexsort([time, codes]) if groups > 1 else np.argsort(time, kind="stable")
    time, failed, codes = time[order], failed[order], codes[order]
    share = np.ones(n, dtype=np.int64) if units is None else units[order]
    if n == 0:
        return codes, time, share, share
    new = np.append(True, (time[1:] != time[:-1]) | (codes[1:] != codes[:-1]))
    first = np.flatnonzero(new)
    failures = np.add.reduceat(np.where(failed, share, 0), first)
    return codes[first], time[first], failures, np.add.reduceat(share, first) - failures


def _grid_counts(
    time: np.ndarray, failed: np.ndarray, units: np.ndarray | None, *, codes: np.ndarray, groups: int, days: int
) -> np.ndarray | None:
    # counts over (failed, group * days + day), or None if a time is not whole; blocks of rows stay in the fast cache
    counts = np.zeros(2 * groups * days, dtype=np.int64 if units is None else np.float64)
    for start in range(0, time.shape[0], _BLOCK):
        rows = slice(start, start + _BLOCK)
        day = time[rows].astype(np.int32)
        if not np.array_equal(day, time[rows]):
            return None
        cell = failed[rows].astype(np.int32)
        if groups > 1:
            cell *= groups
            cell += codes[rows]
        cell *= days
        cell += day
        counts += np.bincount(cell, weights=None if units is None else units[rows], minlength=counts.size)
    return np.rint(counts).astype(np.int64).reshape(2, -1)


def _late_entries(
    entry: np.ndarray, units: np.ndarray | None, codes: np.ndarray, *, groups: int
) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]:
    # per group: distinct entry times above 0, and units that had entered up to and with each
    if not entry.any():
        return (np.zeros(0),) * groups, (np.zeros(0, dtype=np.int64),) * groups
    late = np.flatnonzero(entry)
    times, counts = [], []
    late_codes, late_entry = codes[late], entry[late]
    late_units = np.ones(late.size, dtype=np.int64) if units is None else units[late]
    for g in range(groups):
        mine = late_codes == g
        distinct, place = np.unique(late_entry[mine], return_inverse=True)
        sums = np.rint(np.bincount(place, weights=late_units[mine], minlength=distinct.size)).astype(np.int64)
        times.append(distinct)
        counts.append(np.cumsum(sums))
    return tuple(times), tuple(counts)
