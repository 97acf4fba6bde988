"""Interval limits: a fitted segment and a cell in, likelihood-ratio limits of survival at the cell's end out."""

from dataclasses import dataclass, replace

import numpy as np

from workbench.estimate.limits import normal_quantile
from workbench.estimate.npmle import Fit, Problem, curvature_at, fit_segment

__all__ = ["open_after", "ratio_limits"]

_CLOSE = 0.02
_TOO_NEAR = 0.05
_FAR = 3.0
_AT_MOST = 1e-6
_NOTHING = 1e-12
_GRADIENT = 1e-7
_SEARCH = 60


@dataclass(frozen=True)
class _Node:
    """A place on the profile: root of twice the fall, hazard up to the cell, its change by root, slope (above 0)."""

    root: float
    level: float
    change: float
    slope: float


def open_after(problem: Problem, fit: Fit, cell: int, reaching: np.ndarray, waiting: np.ndarray) -> tuple[Problem, Fit]:
    """Add the stretch after a cell where mass may lie once survival at the cell's end is held at some value.

    At the maximum nothing lies there. But when less than the most likely share may fail by the cell's end, lives whose
    intervals go on after it may have failed right after it, so the profile likelihood needs that cell too.

    Parameters
    ----------
    problem : Problem
        One segment.
    fit : Fit
        Its maximum.
    cell : int
        Any but the last.
    reaching, waiting : np.ndarray of bool, shape (n,)
        Whether the interval of each life goes on after its last cell; whether it entered at the end of a cell.

    Returns
    -------
    problem : Problem
        With one cell more when a life that can fail in this cell, and in none after it, goes on after it.
    fit : Fit
        The same maximum, nothing in the new cell.

    Raises
    ------
    Nothing.

    References
    ----------
    Vandal, Gentleman & Liu (2005), Can. J. Stat. 33, 71-83 (support under a constraint).
    """
    over = (problem.last == cell) & reaching
    if not over.any():
        return problem, fit
    opened = replace(
        problem,
        cells=problem.cells + 1,
        first=problem.first + (problem.first > cell),
        last=problem.last + (over | (problem.last > cell)),
        entered=problem.entered + ((problem.entered > cell + 1) | ((problem.entered == cell + 1) & ~waiting)),
    )
    return opened, replace(fit, hazard=np.insert(fit.hazard, cell + 1, 0.0))


def ratio_limits(problem: Problem, fit: Fit, cell: int, confidence: float) -> tuple[float, float]:
    """All values of survival at the end of a cell that the likelihood ratio does not reject.

    The profile likelihood is followed by tilting: the maximum of likelihood plus slope times cumulative hazard up to
    the cell is the maximum for some fixed survival there. The slope is moved, on each side, until twice the fall of
    the log-likelihood is the chi-square quantile; a cubic through the places visited and their slopes gives the limit.

    Parameters
    ----------
    problem : Problem
        One segment.
    fit : Fit
        Its maximum.
    cell : int
        Any but the last.
    confidence : float in (0, 1)
        Two-sided level.

    Returns
    -------
    lower, upper : float
        Of survival at the end of the cell; upper is 1 if no hazard at all is not rejected.

    Raises
    ------
    Nothing.

    References
    ----------
    Thomas & Grunkemeier (1975), J. Am. Stat. Assoc. 70, 865-871; Vandal, Gentleman & Liu (2005), Can. J. Stat. 33,
    71-83 (intervals).
    """
    ahead = _change_by_slope(problem, fit, cell)
    spread = float(ahead[: cell + 1].sum())
    guess = normal_quantile(confidence) / np.sqrt(spread) if spread > 0 else 0.1 * problem.total
    wanted = normal_quantile(confidence)
    found = [
        _level_at(problem, fit, cell, wanted, sign, ahead, min(guess, 0.5 * most), most)
        for sign, most in ((1.0, _largest_slope(problem, cell)), (-1.0, float("inf")))
    ]
    return float(np.exp(-found[0])), float(np.exp(-found[1]))


def _largest_slope(problem: Problem, cell: int) -> float:
    # a steeper tilt would drive some cell's hazard to infinity: each is held back by the units known to outlive it
    m = problem.cells
    came = np.bincount(problem.entered, weights=problem.weight, minlength=m)
    gone = np.bincount(problem.first, weights=problem.weight, minlength=m)
    return float((np.cumsum(came) - np.cumsum(gone))[: cell + 1].min())


def _change_by_slope(problem: Problem, fit: Fit, cell: int) -> np.ndarray:
    # first-order change of the increments for a unit of slope, with the present support
    free = np.flatnonzero(fit.hazard > 0)
    change = np.zeros(len(fit.hazard))
    if free.size and free[0] <= cell:
        matrix = curvature_at(problem, fit.hazard, free)
        matrix[np.diag_indices(free.size)] += 1e-10 * np.trace(matrix) / free.size
        change[free] = np.linalg.solve(matrix, (free <= cell).astype(float))
    return change


def _level_at(
    problem: Problem, fit: Fit, cell: int, wanted: float, sign: float, ahead: np.ndarray, slope: float, most: float
) -> float:
    # hazard up to the cell at which the root is the wanted one, on the side of the sign; slopes stay below `most`
    up_to = slice(0, cell + 1)
    start = float(fit.hazard[up_to].sum())
    near = other = _Node(0.0, start, sign * max(float(ahead[up_to].sum()), 0.0) ** 0.5, 0.0)
    far = None
    hazard = np.maximum(fit.hazard + sign * slope * ahead, 0.1 * fit.hazard)
    level = start
    for _ in range(_SEARCH):
        tilted = fit_segment(problem, hazard, (cell, sign * slope), tolerance=_GRADIENT)
        reached = float(tilted.hazard[up_to].sum())
        root = float(np.sqrt(max(2.0 * (fit.log_likelihood - tilted.log_likelihood), 0.0)))
        hazard = tilted.hazard if root < _FAR * wanted else hazard
        node = _Node(root, reached, sign * root / slope, slope)
        if sign < 0 and reached < _NOTHING and root < wanted:
            return 0.0
        if far is None and root < wanted and slope > (1.0 - _AT_MOST) * most:
            # beyond the steepest tilt the likelihood falls in a straight line
            return reached + (wanted**2 - root**2) / (2.0 * most)
        if root >= wanted:
            far = node
        elif root > _TOO_NEAR * wanted or far is not None:
            near, other = node, near
        level, change = _cubic(near, far or other, wanted)
        if abs(root - wanted) < _CLOSE or (far and far.slope - near.slope < 1e-7 * far.slope):
            break
        slope = _next_slope(slope, wanted / (sign * change) if sign * change > 0 else np.inf, near, far, most)
    return max(level, 0.0)


def _next_slope(slope: float, target: float, near: _Node, far: _Node | None, most: float) -> float:
    if far is not None:
        margin = 0.02 * (far.slope - near.slope)
        return min(max(target, near.slope + margin), far.slope - margin)
    ceiling = min(8.0 * slope, 0.5 * (slope + most))
    return min(max(target, 1.05 * slope), ceiling) if near.slope > 0 else ceiling


def _cubic(a: _Node, b: _Node, root: float) -> tuple[float, float]:
    # value and derivative by root of the cubic through two places and their derivatives
    width = b.root - a.root
    if abs(width) < 1e-9:
        return a.level, a.change
    t = (root - a.root) / width
    jump, left, right = b.level - a.level, a.change * width, b.change * width
    bend, twist = 3 * jump - 2 * left - right, left + right - 2 * jump
    return a.level + t * (left + t * (bend + t * twist)), (left + t * (2 * bend + 3 * t * twist)) / width
