"""Interval limits: a fitted segment and a cell in, likelihood-ratio limits of survival at the cell's end out."""

import numpy as np

from workbench.estimate.limits import normal_quantile
from workbench.estimate.npmle import Fit, Problem, curvature_at, fit_segment

__all__ = ["ratio_limits"]

_CLOSE = 1e-5
_SEARCH = 40


def ratio_limits(problem: Problem, fit: Fit, cell: int, confidence: float) -> tuple[float, float]:
    """All values of survival at the end of a cell that the likelihood ratio does not reject.

    The profile likelihood is followed by tilting: the maximum of likelihood plus slope times cumulative hazard up to
    the cell is the maximum for some fixed survival there. The slope is moved, on each side, until twice the fall of
    the log-likelihood is the chi-square quantile; its root is nearly linear in the slope, so secants find it.

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
    outlive = (problem.entered <= cell) & (problem.first > cell)
    spread = _spread_at(problem, fit, cell)
    guess = normal_quantile(confidence) / np.sqrt(spread) if spread > 0 else 0.1 * problem.total
    most = float(problem.weight[outlive].sum())
    lower = _limit(problem, fit, cell, confidence, min(guess, 0.5 * most), most)
    upper = _limit(problem, fit, cell, confidence, -guess, -np.inf)
    return lower, upper


def _spread_at(problem: Problem, fit: Fit, cell: int) -> float:
    # change of the hazard up to the cell for a unit of slope, with the present support
    free = np.flatnonzero(fit.hazard > 0)
    inside = (free <= cell).astype(float)
    if not inside.any():
        return 0.0
    matrix = curvature_at(problem, fit.hazard, free)
    matrix[np.diag_indices(free.size)] += 1e-10 * np.trace(matrix) / free.size
    return float(inside @ np.linalg.solve(matrix, inside))


def _limit(problem: Problem, fit: Fit, cell: int, confidence: float, slope: float, bound: float) -> float:
    wanted = normal_quantile(confidence)
    near, far = (0.0, 0.0), None
    hazard = fit.hazard
    reached = float(hazard[: cell + 1].sum())
    for _ in range(_SEARCH):
        tilted = fit_segment(problem, hazard, (cell, slope), tolerance=1e-8)
        hazard = tilted.hazard
        reached = float(hazard[: cell + 1].sum())
        root = np.sqrt(max(2.0 * (fit.log_likelihood - tilted.log_likelihood), 0.0))
        if abs(root - wanted) < _CLOSE or (slope < 0 and reached < 1e-12):
            break
        if root < wanted:
            near = (slope, root)
        else:
            far = (slope, root)
        slope = _next_slope(near, far, wanted, bound)
    return float(np.exp(-reached))


def _next_slope(near: tuple[float, float], far: tuple[float, float] | None, wanted: float, bound: float) -> float:
    # roots known below (near) and above (far) the wanted one
    if far is None:
        slope = near[0] * min(max(wanted / max(near[1], 1e-12), 1.1), 4.0)
        return slope if abs(slope) < abs(bound) else 0.5 * (near[0] + bound)
    share = (wanted - near[1]) / (far[1] - near[1])
    return near[0] + min(max(share, 0.05), 0.95) * (far[0] - near[0])
