"""Interval-censored lives as counts: distinct lives, and the points in time at which a free baseline can rise."""

from dataclasses import dataclass

import numpy as np

__all__ = ["IntervalProblem", "interval_problem"]


@dataclass(frozen=True, eq=False)
class IntervalProblem:
    """Distinct lives as counts over the q points where a baseline can rise (of all strata in turn).

    A life of relative hazard r was at risk at points start ... middle - 1 without failing and failed at one of points
    middle ... end - 1; exact lives failed at point middle - 1 itself; lives with end == middle did not fail.

    Attributes
    ----------
    columns : np.ndarray of float, shape (m, k)
        Covariates of each distinct life.
    weight : np.ndarray of float, shape (m,)
        How many lives it stands for.
    start, middle, end : np.ndarray of int, shape (m,)
        Its points.
    exact : np.ndarray of bool, shape (m,)
        Whether its failure is known exactly.
    row : np.ndarray of int, shape (n,)
        Which distinct life each life is.
    points : np.ndarray of float, shape (q,)
        Times of the points.
    """

    columns: np.ndarray
    weight: np.ndarray
    start: np.ndarray
    middle: np.ndarray
    end: np.ndarray
    exact: np.ndarray
    row: np.ndarray
    points: np.ndarray

    @property
    def failed(self) -> np.ndarray:
        """True where a distinct life failed within an interval, shape (m,)."""
        return self.end > self.middle


def interval_problem(
    columns: np.ndarray,
    pattern: np.ndarray,
    strata: np.ndarray | None,
    *,
    ends: tuple[np.ndarray, np.ndarray, np.ndarray],
    weight: np.ndarray,
) -> IntervalProblem:
    """Reduce lives to distinct ones and find the points where the baseline can rise.

    Mass is best put at the last day that serves a failure interval (its upper end, or the day others entered); a point
    is left out when an earlier one serves every interval it serves and burdens nobody more.

    Shapes: columns (p, k), pattern (n,), strata (n,), ends (n,), weight (n,).
    """
    stratum = np.zeros(pattern.size, dtype=np.int64) if strata is None else strata
    keys = np.column_stack([pattern, stratum, *ends])
    distinct, row = np.unique(keys, axis=0, return_inverse=True)
    row = row.ravel()
    entry, lower, upper = distinct[:, 2], distinct[:, 3], distinct[:, 4]
    exact = lower == upper
    start, middle, end = (np.zeros(len(distinct), dtype=np.int64) for _ in range(3))
    points: list[np.ndarray] = []
    offset = 0
    for number in np.unique(distinct[:, 1]):
        mine = distinct[:, 1] == number
        where = _support(entry[mine], lower[mine], upper[mine])
        late = entry[mine] > 0
        start[mine] = offset + np.where(late, np.searchsorted(where, entry[mine], side="right"), 0)
        middle[mine] = offset + np.searchsorted(where, lower[mine], side="right")
        reach = offset + np.searchsorted(where, upper[mine], side="right")
        end[mine] = np.where(np.isfinite(upper[mine]), reach, middle[mine])
        points.append(where)
        offset += where.size
    return IntervalProblem(
        columns=columns[distinct[:, 0].astype(np.int64)],
        weight=np.bincount(row, weights=weight, minlength=len(distinct)),
        start=start,
        middle=middle,
        end=end,
        exact=exact,
        row=row,
        points=np.concatenate(points),
    )


def _support(entry: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    exact = lower == upper
    candidates = np.unique(np.concatenate([upper[np.isfinite(upper)], entry[entry > 0]]))
    if not np.isfinite(upper).any():
        return candidates[:0]
    candidates = candidates[candidates <= upper[np.isfinite(upper)].max()]
    known, starts = set(upper[exact].tolist()), np.unique(lower[~exact])
    kept: list[float] = []
    for point in candidates.tolist():
        if not kept or point in known:
            kept.append(point)
            continue
        after = np.searchsorted(starts, kept[-1], side="left")
        if after < starts.size and starts[after] < point:
            kept.append(point)
    return np.array(kept)
