"""Npmle: lives as runs of cells in, the cumulative hazard of each cell that makes them most likely out.

With L the cumulative hazard at cell ends, the log-likelihood of interval-censored lives, delayed entry included, is
concave in L (log(exp(-x) - exp(-y)) is, and entry adds a linear term). So Newton steps on the cells with mass, each
solved under "no negative hazard" and shortened until the likelihood rises, reach the one maximum.
"""

from dataclasses import dataclass

import numpy as np

__all__ = [
    "Fit",
    "Problem",
    "curvature_at",
    "directional_derivatives",
    "fit_segment",
    "likelihood",
    "segment_ends",
    "start_by_em",
]

_EM_STEPS = 40
_NEWTON_STEPS = 200
_PIVOTS = 60
_NO_HAZARD = 1e-9


@dataclass(frozen=True, eq=False)
class Problem:
    """Distinct lives of one segment: nobody at risk in its last cell is known to outlive it.

    Attributes
    ----------
    cells : int
        m; the last one takes what mass is left.
    first, last, entered : np.ndarray of int, shape (n,)
        As in `Cells`, counted from the segment's first cell; last is at most m - 1.
    weight : np.ndarray of float, shape (n,)
        Units (or resampling weights).
    """

    cells: int
    first: np.ndarray
    last: np.ndarray
    entered: np.ndarray
    weight: np.ndarray

    @property
    def total(self) -> float:
        """Sum of weights."""
        return float(self.weight.sum())


@dataclass(frozen=True, eq=False)
class Fit:
    """The maximum of one segment.

    Attributes
    ----------
    hazard : np.ndarray, shape (m - 1,)
        Increments of the cumulative hazard over all cells but the last.
    log_likelihood : float
        Without the tilt.
    worst : float
        Largest gradient left, per unit of weight; at most 1e-6 at an accepted maximum.
    """

    hazard: np.ndarray
    log_likelihood: float
    worst: float


def segment_ends(first: np.ndarray, entered: np.ndarray, cells: int) -> np.ndarray:
    """Cells at which everybody then at risk is known to have failed, so that what follows rests on later entrants.

    Parameters
    ----------
    first, entered : np.ndarray of int, shape (n,)
        As in `Cells`.
    cells : int
        m.

    Returns
    -------
    np.ndarray of int
        Ascending; the last one is m - 1.

    Raises
    ------
    Nothing.
    """
    furthest = np.full(cells, -1)
    np.maximum.at(furthest, np.minimum(entered, cells - 1), first)
    return np.flatnonzero(np.maximum.accumulate(furthest) <= np.arange(cells))


def likelihood(problem: Problem, hazard: np.ndarray) -> float:
    """Log-likelihood of hazard increments.

    Parameters
    ----------
    problem : Problem
        n distinct lives.
    hazard : np.ndarray, shape (m - 1,)
        At least 0.

    Returns
    -------
    float
        -inf where a life would be impossible.

    Raises
    ------
    Nothing.
    """
    level = np.append(0.0, np.cumsum(hazard))
    inner = problem.last < problem.cells - 1
    value = problem.weight @ (level[problem.entered] - level[problem.first])
    gap = level[problem.last[inner] + 1] - level[problem.first[inner]]
    if np.any(gap <= 0):
        return -np.inf
    return float(value + problem.weight[inner] @ np.log(-np.expm1(-gap)))


def _gradient(problem: Problem, hazard: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    # gradient by increment, and the curvature of each life that can have failed before the last cell
    m, level = problem.cells, np.append(0.0, np.cumsum(hazard))
    inner = np.flatnonzero(problem.last < m - 1)
    low, high, w = problem.first[inner], problem.last[inner] + 1, problem.weight[inner]
    gap = level[high] - level[low]
    odds = 1.0 / np.expm1(np.minimum(gap, 500.0))
    pull = np.bincount(problem.entered, weights=problem.weight, minlength=m)
    pull -= np.bincount(problem.first, weights=problem.weight, minlength=m)
    pull += np.bincount(high, weights=w * odds, minlength=m) - np.bincount(low, weights=w * odds, minlength=m)
    return np.cumsum(pull[::-1])[::-1][1:], inner, w * odds * (1.0 + odds)


def _curvature(problem: Problem, inner: np.ndarray, curve: np.ndarray, free: np.ndarray) -> np.ndarray:
    # minus the Hessian over the free increments: cells between free ones share a level, so lives join merged nodes
    count = free.size
    node = np.searchsorted(free, np.arange(problem.cells), side="left")
    low, high = node[problem.first[inner]], node[problem.last[inner] + 1]
    size = count + 1
    flat = np.bincount(low * size + high, weights=curve, minlength=size * size).reshape(size, size)
    laplace = -(flat + flat.T)
    laplace[np.diag_indices(size)] += flat.sum(axis=0) + flat.sum(axis=1)
    total = laplace[::-1, ::-1].cumsum(axis=0).cumsum(axis=1)[::-1, ::-1]
    return total[1:, 1:]


def curvature_at(problem: Problem, hazard: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Minus the second derivatives of the log-likelihood by some of the increments.

    Parameters
    ----------
    problem : Problem
        n distinct lives.
    hazard : np.ndarray, shape (m - 1,)
        Increments of the cumulative hazard.
    free : np.ndarray of int, shape (k,)
        Increments that may move, ascending.

    Returns
    -------
    np.ndarray, shape (k, k)
        Positive semidefinite.

    Raises
    ------
    Nothing.
    """
    _, inner, curve = _gradient(problem, hazard)
    return _curvature(problem, inner, curve, free)


def _bounded_step(curvature: np.ndarray, gradient: np.ndarray, hazard: np.ndarray) -> np.ndarray:
    # maximise gradient'd - d'curvature d / 2 with hazard + d >= 0 by exchanging whole blocks of bounds
    count = len(hazard)
    ridge = 1e-10 * max(float(np.trace(curvature)) / max(count, 1), 1e-12)
    matrix = curvature + ridge * np.eye(count)
    target = matrix @ hazard + gradient  # the unbounded answer x solves matrix x = target
    free, best, patience = np.ones(count, dtype=bool), count + 1, 3
    x, slope = np.zeros(count), np.zeros(count)
    for _ in range(_PIVOTS):
        inside = np.flatnonzero(free)
        x[:] = 0.0
        x[inside] = np.linalg.solve(matrix[np.ix_(inside, inside)], target[inside])
        slope = target - matrix @ x
        wrong = np.where(free, x < 0.0, slope > 1e-12 * np.abs(target).max(initial=1.0))
        bad = int(np.count_nonzero(wrong))
        if bad == 0:
            break
        if bad < best:
            best, patience = bad, 3
        else:
            patience -= 1
        if patience >= 0:
            free ^= wrong
        else:
            free[np.flatnonzero(wrong)[-1]] ^= True
    return np.maximum(x, 0.0) - hazard


def start_by_em(problem: Problem, steps: int = _EM_STEPS) -> np.ndarray:
    """Hazard increments after some steps of expectation and maximisation from equal masses.

    Parameters
    ----------
    problem : Problem
        n distinct lives.
    steps : int
        How many.

    Returns
    -------
    np.ndarray, shape (m - 1,)
        Positive.

    Raises
    ------
    Nothing.

    References
    ----------
    Turnbull (1976), J. R. Stat. Soc. B 38, 290-295, in terms of hazards, so that delayed entry needs no ghosts.
    """
    m = problem.cells
    share = 1.0 / np.arange(m, 0, -1)
    entrants = np.cumsum(np.bincount(problem.entered, weights=problem.weight, minlength=m))
    for _ in range(steps):
        before = np.append(1.0, np.cumprod(1.0 - share))
        chance = before[problem.first] - before[problem.last + 1]
        pull = problem.weight / chance
        spread = np.bincount(problem.first, weights=pull, minlength=m + 1)
        spread -= np.bincount(problem.last + 1, weights=pull, minlength=m + 1)
        failed = before[:-1] * share * np.maximum(np.cumsum(spread)[:-1], 0.0)
        at_risk = entrants - np.append(0.0, np.cumsum(failed)[:-1])
        share = np.clip(failed / np.maximum(at_risk, 1e-300), 1e-12, 1.0 - 1e-9)
        share[-1] = 1.0
    return -np.log1p(-share[:-1])


def directional_derivatives(problem: Problem, hazard: np.ndarray) -> np.ndarray:
    """Slope of the log-likelihood when mass moves from all cells into one cell.

    Parameters
    ----------
    problem : Problem
        n distinct lives.
    hazard : np.ndarray, shape (m - 1,)
        Increments of the cumulative hazard.

    Returns
    -------
    np.ndarray, shape (m,)
        At the maximum none is above 0, and those of cells with mass are 0.

    Raises
    ------
    Nothing.
    """
    m = problem.cells
    before = np.append(np.exp(-np.append(0.0, np.cumsum(hazard))), 0.0)
    pull = problem.weight / (before[problem.first] - before[problem.last + 1])
    back = problem.weight / before[problem.entered]
    change = np.bincount(problem.first, weights=pull, minlength=m + 1)
    change -= np.bincount(problem.last + 1, weights=pull, minlength=m + 1)
    change -= np.bincount(problem.entered, weights=back, minlength=m + 1)
    return np.cumsum(change)[:-1]


def fit_segment(
    problem: Problem, start: np.ndarray | None = None, tilt: tuple[int, float] | None = None, tolerance: float = 1e-10
) -> Fit:
    """Maximise the likelihood of one segment, or the likelihood plus `slope` times the hazard up to a cell.

    Parameters
    ----------
    problem : Problem
        n distinct lives in m cells.
    start : np.ndarray, shape (m - 1,), optional
        Where to begin; by default some EM steps from equal masses.
    tilt : tuple of int and float, optional
        Cell k and slope: adds slope times the cumulative hazard up to and with cell k. The maximum then is that of
        the likelihood among all with the same survival there, which is how likelihood-ratio limits are found.
    tolerance : float
        Gradient per unit of weight at which to stop.

    Returns
    -------
    Fit
        `worst` says how well the conditions for a maximum hold.

    Raises
    ------
    Nothing.

    References
    ----------
    Wang (2007), J. R. Stat. Soc. B 69, 185-198 (constrained Newton steps on the support); Kim & Park (2011), SIAM J.
    Sci. Comput. 33, 3261-3281 (exchange of blocks of bounds).
    """
    hazard = start_by_em(problem) if start is None else start
    push = np.zeros(problem.cells - 1)
    if tilt is not None:
        push[: tilt[0] + 1] = tilt[1]
    value, total = likelihood(problem, hazard) + push @ hazard, problem.total
    worst = np.inf
    for _ in range(_NEWTON_STEPS):
        gradient, inner, curve = _gradient(problem, hazard)
        gradient = gradient + push
        worst = float(np.maximum(gradient, np.abs(gradient) * np.minimum(hazard, 1.0)).max(initial=0.0)) / total
        if worst <= tolerance:
            break
        free = np.flatnonzero((hazard > 0) | (gradient > 0))
        step = np.zeros(len(hazard))
        step[free] = _bounded_step(_curvature(problem, inner, curve, free), gradient[free], hazard[free])
        rise, length, rounding = float(gradient @ step), 1.0, 1e-13 * (abs(value) + total)
        while length > 1e-10:
            trial = hazard + length * step
            trial_value = likelihood(problem, trial) + push @ trial
            if trial_value >= value + 1e-4 * length * rise - rounding:
                break
            length *= 0.5
        else:
            break
        hazard, value = trial, trial_value
    tiny = (hazard < _NO_HAZARD) & (hazard > 0)
    if tiny.any() and np.isfinite(likelihood(problem, np.where(tiny, 0.0, hazard))):
        hazard = np.where(tiny, 0.0, hazard)
    return Fit(hazard, likelihood(problem, hazard), worst)
