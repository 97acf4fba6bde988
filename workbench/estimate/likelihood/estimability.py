"""What lives can tell about a location-scale model, found before any fit: separation, inseparable columns, no scale."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.likelihood.aft_layout import Cells
from workbench.estimate.likelihood.problem import AftProblem
from workbench.estimate.shared import eigen_of

__all__ = ["Estimable", "find_estimable", "null_space"]

ZERO = 1e-9


@dataclass(frozen=True, eq=False)
class Estimable:
    """The part of a model that has a finite maximum-likelihood answer.

    Attributes
    ----------
    kept : np.ndarray of bool, shape (P,)
        Patterns that take part; the others are separated, their likelihood being 1 in the limit.
    used : np.ndarray of int
        Columns that are kept so that none is a combination of the others.
    silent : np.ndarray, shape (1 + k, d)
        Directions (constant first) about which the patterns kept say nothing.
    spread : bool
        Whether the scale is away from zero, that is no line runs through everything known.
    """

    kept: np.ndarray
    used: np.ndarray
    silent: np.ndarray
    spread: bool

    def knows(self, contrasts: np.ndarray) -> np.ndarray:
        """Say which linear combinations of constant and coefficients are estimable.

        Shapes: contrasts (r, 1 + k), returns (r,).
        """
        if not self.silent.shape[1]:
            return np.ones(len(contrasts), dtype=bool)
        size = np.linalg.norm(contrasts, axis=1) + ZERO
        return np.asarray(np.abs(contrasts @ self.silent).max(axis=1) < 1e-6 * size)


def find_estimable(problem: AftProblem, *, fixed_scale: bool = False) -> Estimable:
    """Find which patterns, columns and scale have a finite answer when nothing is shrunken.

    A direction that moves no pattern with an exact or two-sided failure, and moves patterns of suspensions only to
    longer life (patterns of early failures only to shorter), raises the likelihood for ever: those patterns are
    separated. Without them the answer is the limit of the other coefficients.

    References
    ----------
    Albert & Anderson (1984), Biometrika 71, 1-10 (separation in logistic regression), carried over to log-concave
    likelihoods of censored data.
    """
    design = problem.layout.design
    low, high = _bounds(problem.cells, len(design))
    present = (low > -np.inf) | (high < np.inf)
    firm = (low > -np.inf) & (high < np.inf)
    kept = present & ~_separated(
        design, present & (low > -np.inf) & ~firm, present & (high < np.inf) & ~firm, firm=firm
    )
    silent = null_space(design[kept])
    used = np.arange(problem.columns)
    if silent.shape[1]:
        from scipy.linalg import qr

        _, _, order = qr(silent[1:].T, pivoting=True, mode="economic")
        used = np.sort(np.setdiff1d(used, order[: silent.shape[1]]))
    spread = fixed_scale or not _threaded(design[kept], low[kept], high[kept])
    return Estimable(kept, used, silent, spread)


def _bounds(cells: Cells, patterns: int) -> tuple[np.ndarray, np.ndarray]:
    """Latest log time at which a life of each pattern was good, and earliest by which one had failed."""
    with np.errstate(divide="ignore"):
        good, failed = np.log(cells.lower), np.log(cells.upper)
    low, high = np.full(patterns, -np.inf), np.full(patterns, np.inf)
    np.maximum.at(low, cells.pattern, good)
    np.minimum.at(high, cells.pattern, failed)
    return low, high


def null_space(design: np.ndarray) -> np.ndarray:
    """Directions that no row of a design can see.

    Shapes: design (P, q), returns (q, d).
    """
    few = 50 * design.shape[1]
    if len(design) > 2 * few and not null_space(design[:: len(design) // few]).shape[1]:
        return np.zeros((design.shape[1], 0))  # a part of the rows sees every direction, so all of them do
    size = np.sqrt((design**2).sum(axis=0))
    size[size == 0] = 1.0
    scaled = design / size
    values, vectors = eigen_of(scaled.T @ scaled)
    return np.asarray(vectors[:, values < 1e-11 * max(values[-1], ZERO)] / size[:, None])


def _separated(design: np.ndarray, only_good: np.ndarray, only_failed: np.ndarray, *, firm: np.ndarray) -> np.ndarray:
    from scipy.optimize import linprog

    found = np.zeros(len(design), dtype=bool)
    loose = np.flatnonzero(only_good | only_failed)
    free = null_space(design[firm]) if firm.any() else np.eye(design.shape[1])
    if not loose.size or not free.shape[1]:
        return found
    towards = (design[loose] @ free) * np.where(only_good[loose], 1.0, -1.0)[:, None]
    towards[np.abs(towards) < ZERO] = 0.0
    towards, which = np.unique(towards, axis=0, return_inverse=True)
    # maximise the number of patterns that move strictly the way that raises the likelihood, none the other way
    rows, free_count = towards.shape
    answer = linprog(
        np.r_[np.zeros(free_count), -np.ones(rows)],
        A_ub=np.hstack([-towards, np.eye(rows)]),
        b_ub=np.zeros(rows),
        bounds=[(None, None)] * free_count + [(0.0, 1.0)] * rows,
    )
    if answer.x is not None:
        found[loose] = answer.x[free_count:][which.reshape(-1)] > 0.5
    return found


def _threaded(design: np.ndarray, low: np.ndarray, high: np.ndarray) -> bool:
    """Whether some line of log life runs between all that was good and all that had failed (scale zero).

    Linear programming on a few patterns, to which those that a line misses are added until none is missed.
    """
    if not len(design) or (low > high + ZERO).any():
        return not len(design)
    from scipy.optimize import linprog

    taken = np.zeros(len(design), dtype=bool)
    taken[np.linspace(0, len(design) - 1, min(len(design), 20 * design.shape[1])).astype(int)] = True
    while True:
        good, failed = taken & (low > -np.inf), taken & (high < np.inf)
        answer = linprog(
            np.zeros(design.shape[1]),
            A_ub=np.vstack([-design[good], design[failed]]),
            b_ub=np.r_[-low[good], high[failed]] + ZERO,
            bounds=(None, None),
        )
        if answer.status != 0:
            return False
        line = design @ answer.x
        missed = np.flatnonzero(((low - line > 10 * ZERO) | (line - high > 10 * ZERO)) & ~taken)
        if not missed.size:
            return True
        taken[missed[:: max(1, len(missed) // 500)]] = True
