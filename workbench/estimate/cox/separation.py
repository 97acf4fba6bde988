"""Separation: directions in which a partial likelihood rises for ever, found from the data, and where they lead."""

from collections.abc import Sequence

import numpy as np
from scipy import sparse

from workbench.estimate.shared import Term
from workbench.estimate.steps import RiskTable

__all__ = ["face_of", "levels_without_failures", "patterns_without_failures", "rising_direction"]

CLEAR = 1e-6


def levels_without_failures(terms: Sequence[Term], example: np.ndarray, failures: np.ndarray) -> list[tuple[str, str]]:
    """List the levels in which nobody failed.

    Shapes: example (p,), failures (p,).
    """
    empty = []
    for term in terms:
        if term.codes is not None:
            count = np.bincount(term.codes[example], weights=failures, minlength=len(term.levels))
            empty += [(term.name, level) for level, number in zip(term.levels, count, strict=True) if number == 0]
    return empty


def patterns_without_failures(
    terms: Sequence[Term], example: np.ndarray, empty: Sequence[tuple[str, str]]
) -> np.ndarray:
    """Mark the patterns that carry a level in which nobody failed.

    Shapes: example (p,), returns (p,).
    """
    marked = np.zeros(len(example), dtype=bool)
    for term in terms:
        if term.codes is not None:
            numbers = [number for number, level in enumerate(term.levels) if (term.name, level) in empty]
            marked |= np.isin(term.codes[example], numbers)
    return marked


def rising_direction(table: RiskTable, columns: np.ndarray) -> np.ndarray | None:
    """Find a direction along which the log partial likelihood never falls and somewhere rises for ever.

    Such a direction v puts every failure's v'x at the top of its risk set. It is found by linear programming with
    constraints added where they are violated, so that a false alarm costs little.

    Shapes: columns (p, k), returns (k,).

    References
    ----------
    Bryson & Johnson (1981), Technometrics 23, 381-383 (monotone likelihood).
    """
    from scipy.optimize import linprog

    full = table.full()
    if full is None or not len(full):
        return None
    at_risk, died = full > 0, _dense(table.failed) > 0
    mean = (full / full.sum(axis=1, keepdims=True)) @ columns
    goal = ((_dense(table.failed) / table.deaths[:, None]) @ columns - mean).sum(axis=0)
    rows = np.zeros((0, columns.shape[1]))
    for _ in range(200):
        solution = linprog(
            -goal,
            A_ub=-rows if len(rows) else None,
            b_ub=np.zeros(len(rows)) if len(rows) else None,
            bounds=(-1.0, 1.0),
        )
        direction = solution.x
        if direction is None or goal @ direction <= CLEAR:
            return None
        height = columns @ direction
        lowest = np.where(died, height, np.inf).argmin(axis=1)
        highest = np.where(at_risk, height, -np.inf).argmax(axis=1)
        violated = height[highest] - height[lowest] > CLEAR
        if not violated.any():
            return np.asarray(direction)
        rows = np.unique(np.vstack([rows, (columns[lowest] - columns[highest])[violated]]), axis=0)
    return None


def face_of(table: RiskTable, columns: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Mark who still counts when the coefficients have gone along a rising direction for ever.

    Shapes: columns (p, k), direction (k,), returns (m, p).
    """
    height = columns @ direction
    top = np.where(_dense(table.failed) > 0, height, -np.inf).max(axis=1)
    return np.asarray(height[None, :] >= top[:, None] - CLEAR)


def _dense(counts: np.ndarray | sparse.csr_array) -> np.ndarray:
    return counts if isinstance(counts, np.ndarray) else counts.toarray()
