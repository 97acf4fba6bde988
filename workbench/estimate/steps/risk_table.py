"""Risk table: lives become counts per failure day and pattern of covariates, all that a partial likelihood needs."""

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from workbench.lives import Lives

__all__ = ["RiskTable", "risk_table_of"]

DENSE_CELLS = 4_000_000
"""Up to so many cells (32 MB) counts are kept as full tables."""


@dataclass(frozen=True, eq=False)
class RiskTable:
    """Who failed and who was at risk at each of m failure times (of all strata in turn), by pattern of covariates.

    Attributes
    ----------
    times : np.ndarray of float, shape (m,)
        Failure times, rising within each stratum.
    stratum : np.ndarray of int, shape (m,)
        Stratum of each time.
    failed : np.ndarray or sparse array, shape (m, p)
        Failures, weights counted.
    at_risk : np.ndarray, shape (m, p), or None
        Numbers at risk; None when `steps` stands for them.
    steps : np.ndarray or sparse array, shape (m, p), or None
        Lives by last time at risk, less those by the time before their first. Nothing cancels in their sums where all
        lives are at risk from the first time on; else they are used only when the full table would be too large.
    pattern, first, last : np.ndarray of int, shape (n,)
        Of each life: its pattern, and the first and last time (row) at which it is at risk; last < first: never.
    event : np.ndarray of bool, shape (n,)
        Whether it failed, at row `last`.
    kept : np.ndarray of bool, shape (p,), or None
        Patterns that were kept at risk at all times by `only_patterns`; None when all are.
    kept_at : np.ndarray of bool, shape (m, p), or None
        Patterns that were kept at risk at each time by `only_at`; None when all are.
    """

    times: np.ndarray
    stratum: np.ndarray
    failed: np.ndarray | sparse.csr_array
    at_risk: np.ndarray | None
    steps: np.ndarray | sparse.csr_array | None
    pattern: np.ndarray
    first: np.ndarray
    last: np.ndarray
    event: np.ndarray
    kept: np.ndarray | None = None
    kept_at: np.ndarray | None = None

    @property
    def deaths(self) -> np.ndarray:
        """Failures at each time, shape (m,)."""
        return np.asarray(self.failed.sum(axis=1)).ravel()

    def sums(self, values: np.ndarray) -> np.ndarray:
        """Sum pattern values over those at risk at each time.

        Shapes: values (p,), returns (m,).
        """
        if self.at_risk is not None:
            return np.asarray(self.at_risk @ values)
        return np.cumsum((self.steps @ values)[::-1], axis=0)[::-1]

    def spread(self, values: np.ndarray) -> np.ndarray:
        """Sum values of times over the times at which each pattern's lives were at risk.

        Shapes: values (m,), returns (p,).
        """
        if self.at_risk is not None:
            return np.asarray(values @ self.at_risk)
        return np.asarray(self.steps.T @ np.cumsum(values))  # type: ignore[union-attr]

    def full(self) -> np.ndarray | None:
        """Return the numbers at risk as a full table, or None where it would take over 400 MB.

        Shapes: returns (m, p).
        """
        if self.at_risk is not None:
            return self.at_risk
        if self.failed.shape[0] * self.failed.shape[1] > 12 * DENSE_CELLS:
            return None
        steps = self.steps if isinstance(self.steps, np.ndarray) else self.steps.toarray()  # type: ignore[union-attr]
        return np.cumsum(steps[::-1], axis=0)[::-1]

    def only_patterns(self, keep: np.ndarray) -> "RiskTable":
        """Keep some patterns at risk, at every time.

        Shapes: keep (p,).
        """
        kept = keep if self.kept is None else keep & self.kept
        if self.at_risk is not None:
            return replace(self, at_risk=self.at_risk * keep, kept=kept)
        if isinstance(self.steps, np.ndarray):
            return replace(self, steps=self.steps * keep, kept=kept)
        steps = sparse.csr_array(self.steps.multiply(keep[None, :]))  # type: ignore[union-attr]
        return replace(self, steps=steps, kept=kept)

    def only_at(self, keep: np.ndarray) -> "RiskTable":
        """Keep some patterns at risk at each time; the numbers at risk become a full table, which must fit (`full`).

        Shapes: keep (m, p).
        """
        kept_at = keep if self.kept_at is None else keep & self.kept_at
        return replace(self, at_risk=self.full() * keep, steps=None, kept_at=kept_at)

    def over_lives(self, values: np.ndarray) -> np.ndarray:
        """Sum values of times over the times at which each life was at risk.

        Shapes: values (m,), returns (n,).
        """
        if self.kept_at is None:
            running = np.concatenate([[0.0], np.cumsum(values)])
            sums = running[self.last + 1] - running[self.first]
        else:
            running = np.cumsum(np.vstack([np.zeros(self.kept_at.shape[1]), values[:, None] * self.kept_at]), axis=0)
            sums = running[self.last + 1, self.pattern] - running[self.first, self.pattern]
        return np.asarray(sums if self.kept is None else sums * self.kept[self.pattern])


def risk_table_of(lives: Lives, pattern: np.ndarray, patterns: int, *, strata: np.ndarray | None = None) -> RiskTable:
    """Count failures and lives at risk per failure time and pattern.

    A life is at risk at t when entry < t <= end (entry 0: from before 0), so suspensions at t are still at risk at t.

    Shapes: pattern (n,), strata (n,).
    """
    event = lives.failed
    end_code, entry_code, values = _time_codes(lives, event)
    size = len(values)
    if strata is not None:
        base = strata.astype(np.int64) * size
        end_code = end_code + base
        size *= int(strata.max(initial=0)) + 1
    flags = np.zeros(size, dtype=bool)
    flags[end_code[np.flatnonzero(event)]] = True
    upto = np.cumsum(flags, dtype=np.int32)
    slots = np.flatnonzero(flags)
    last = (upto - 1)[end_code]
    first = np.zeros(len(lives), dtype=np.int32)
    if strata is not None:
        first = np.where(base > 0, upto[base - 1], 0)
    if entry_code is not None:
        first = np.where(lives.entry > 0, upto[entry_code + (0 if strata is None else base)], first)
    shape = (len(slots), patterns)
    failed, at_risk, steps = _counts(pattern, first, last, event=event, weight=lives.weight, shape=shape)
    return RiskTable(
        times=values[slots % len(values)],
        stratum=slots // len(values),
        failed=failed,
        at_risk=at_risk,
        steps=steps,
        pattern=pattern,
        first=first,
        last=last,
        event=event,
    )


def _time_codes(lives: Lives, event: np.ndarray) -> tuple[np.ndarray, np.ndarray | None, np.ndarray]:
    """Whole numbers in the order of the times (the day itself where days are whole), and the time of each number."""
    end = lives.lower
    late = bool(np.any(lives.entry > 0))
    longest = end.max(initial=0.0)
    if longest <= max(4 * len(lives), 65_536):
        days = end.astype(np.int32)
        entry_days = lives.entry.astype(np.int32) if late else None
        if np.array_equal(days, end) and (entry_days is None or np.array_equal(entry_days, lives.entry)):
            return days, entry_days, np.arange(int(longest) + 1, dtype=float)
    distinct = np.unique(end[event])
    values = np.concatenate([[-np.inf], distinct])
    entry_code = np.searchsorted(distinct, lives.entry, side="right") if late else None
    return np.searchsorted(distinct, end, side="right"), entry_code, values


def _counts(
    pattern: np.ndarray,
    first: np.ndarray,
    last: np.ndarray,
    *,
    event: np.ndarray,
    weight: np.ndarray,
    shape: tuple[int, int],
) -> tuple[np.ndarray | sparse.csr_array, np.ndarray | None, np.ndarray | sparse.csr_array | None]:
    """Failures, and numbers at risk or the steps of them, by time and pattern."""
    late = np.flatnonzero((first > 0) & (first <= last)) if first.any() else np.zeros(0, dtype=np.int64)
    joins = (first[late] - 1, pattern[late], weight[late])
    if (last < first).any():
        kept = np.flatnonzero(last >= first)
        pattern, last, event, weight = pattern[kept], last[kept], event[kept], weight[kept]
    size = shape[0] * shape[1]
    if size > DENSE_CELLS:
        failed = _sparse(last, pattern, event * weight, shape=shape)
        steps = sparse.csr_array(_sparse(last, pattern, weight, shape=shape) - _sparse(*joins, shape=shape))
        return failed, None, steps
    cells = (event * shape[0] + last) * shape[1] + pattern
    ended, failures = np.bincount(cells, weights=weight, minlength=2 * size).reshape(2, *shape)
    ended += failures
    if not late.size:
        return failures, None, ended
    ended -= np.bincount(joins[0] * shape[1] + joins[1], joins[2], size).reshape(shape)
    return failures, np.cumsum(ended[::-1], axis=0)[::-1].copy(), None


def _sparse(rows: np.ndarray, columns: np.ndarray, weight: np.ndarray, *, shape: tuple[int, int]) -> sparse.csr_array:
    return sparse.csr_array(sparse.coo_array((weight.astype(float), (rows, columns)), shape=shape))
