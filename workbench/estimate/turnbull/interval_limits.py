"""Interval limits: a fitted segment and what mass is worth in, likelihood-ratio limits of the mean worth out."""

from dataclasses import dataclass, replace

import numpy as np

from workbench.estimate.turnbull.mean_worth import Worth
from workbench.estimate.turnbull.npmle import Fit, NpmleProblem, change_by_push, fit_segment

__all__ = ["interval_curve_limits", "open_after", "ratio_limits"]

_CLOSE = 0.02
_TOO_NEAR = 0.05
_FAR = 3.0
_AT_MOST = 1e-6
_NOTHING = 1e-12
_GRADIENT = 1e-7
_SEARCH = 60


@dataclass(frozen=True)
class _Node:
    """A place on the profile: root of twice the fall, level of the worth, its change by root, slope (above 0)."""

    root: float
    level: float
    change: float
    slope: float


@dataclass(frozen=True)
class _Reached:
    """Where a search ended: level of the worth, slope there, hazards of the last maximum visited."""

    level: float
    slope: float
    hazard: np.ndarray


def open_after(
    problem: NpmleProblem, fit: Fit, cell: int, *, reaching: np.ndarray, waiting: np.ndarray
) -> tuple[NpmleProblem, Fit]:
    """Add the stretch after a cell where mass may lie once survival at the cell's end is held at some value.

    At the maximum nothing lies there. But when less than the most likely share may fail by the cell's end, lives whose
    intervals go on after it may have failed right after it, so the profile likelihood needs that cell too.

    Shapes: reaching, waiting (n,).

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


def interval_curve_limits(
    problem: NpmleProblem, fit: Fit, cells: np.ndarray, *, sides: tuple[np.ndarray, np.ndarray], wanted: float
) -> tuple[np.ndarray, np.ndarray]:
    """Likelihood-ratio limits of survival at the ends of some cells, each search begun where the last one ended.

    Shapes: cells (k,), sides (n,), returns (k,).
    """
    found = np.empty((2, len(cells)))
    ended: list[_Reached | None] = [None, None]
    for i, cell in enumerate(cells):
        opened, opened_fit = open_after(problem, fit, int(cell), reaching=sides[0], waiting=sides[1])
        worth, more = Worth.of((np.arange(opened.cells) > cell).astype(float)), int(cell) + 1
        for side, sign in enumerate((1.0, -1.0)):
            begun = ended[side]
            if begun and opened is not problem:
                begun = replace(begun, hazard=np.insert(begun.hazard, more, 0.0))
            reached = _search(opened, opened_fit, worth, wanted=wanted, sign=sign, begun=begun)
            found[side, i] = np.exp(-reached.level)
            if opened is not problem:
                hazard = np.delete(reached.hazard, more)
                hazard[more : more + 1] += reached.hazard[more]
                reached = replace(reached, hazard=hazard)
            ended[side] = reached
    return found[0], found[1]


def ratio_limits(problem: NpmleProblem, fit: Fit, worths: tuple[Worth, Worth], *, wanted: float) -> tuple[float, float]:
    """All values of a mean worth, such as survival at the end of a cell, that the likelihood ratio does not reject.

    The profile likelihood is followed by tilting: the maximum of likelihood plus slope times the level of the worth is
    the maximum for some fixed mean. The slope is moved, on each side, until twice the fall of the log-likelihood is
    the chi-square quantile; a cubic through the places visited and their slopes gives the limit.

    References
    ----------
    Thomas & Grunkemeier (1975), J. Am. Stat. Assoc. 70, 865-871; Vandal, Gentleman & Liu (2005), Can. J. Stat. 33,
    71-83 (intervals); Murphy & van der Vaart (1997), Ann. Stat. 25, 1471-1509 (beside a curve of any form).
    """
    lower, upper = (
        _search(problem, fit, worth, wanted=wanted, sign=sign).level
        for worth, sign in zip(worths, (1.0, -1.0), strict=True)
    )
    return float(np.exp(-lower)), float(np.exp(-upper))


def _search(
    problem: NpmleProblem, fit: Fit, worth: Worth, *, wanted: float, sign: float, begun: _Reached | None = None
) -> _Reached:
    push = worth.slope(fit.hazard)
    ahead = change_by_push(problem, fit.hazard, push)
    spread = max(float(push @ ahead), 0.0)
    most = _largest_slope(problem, worth) if sign > 0 else float("inf")
    guess = wanted / np.sqrt(spread) if spread > 0 else 0.1 * problem.total
    slope = min(begun.slope if begun else guess, 0.5 * most)
    hazard = begun.hazard if begun else fit.hazard + sign * slope * ahead
    start = _Node(0.0, worth.level(fit.hazard), sign * spread**0.5, 0.0)
    return _level_at(
        problem,
        fit,
        worth,
        wanted=wanted,
        start=start,
        hazard=np.maximum(hazard, 0.1 * fit.hazard),
        slopes=(sign * slope, most),
    )


def _largest_slope(problem: NpmleProblem, worth: Worth) -> float:
    # a steeper tilt would drive a worthless cell's hazard to infinity: each is held back by those known to outlive it
    return float(np.cumsum(problem.drift)[: worth.worthless].min(initial=np.inf))


def _level_at(
    problem: NpmleProblem,
    fit: Fit,
    worth: Worth,
    *,
    wanted: float,
    start: _Node,
    hazard: np.ndarray,
    slopes: tuple[float, float],
) -> _Reached:
    # level of the worth at which the root is the wanted one, on the side of the tilt; slopes stay below `most`
    tilt, most = slopes
    sign, slope = float(np.sign(tilt)), abs(tilt)
    near, other, far = start, start, None
    reached = _Reached(start.level, slope, hazard)
    for _ in range(_SEARCH):
        tilted = fit_segment(problem, hazard, (worth, sign * slope), tolerance=_GRADIENT)
        level = worth.level(tilted.hazard)
        root = float(np.sqrt(max(2.0 * (fit.log_likelihood - tilted.log_likelihood), 0.0)))
        hazard = tilted.hazard if root < _FAR * wanted else hazard
        node = _Node(root, level, sign * root / slope, slope)
        if root < wanted and ((sign < 0 and level < _NOTHING) or (sign > 0 and level > worth.deepest - _AT_MOST)):
            return _Reached(0.0 if sign < 0 else worth.deepest, slope, hazard)
        if far is None and root < wanted and slope > (1.0 - _AT_MOST) * most:
            # beyond the steepest tilt the likelihood falls in a straight line
            return _Reached(level + (wanted**2 - root**2) / (2.0 * most), slope, hazard)
        if root >= wanted:
            far = node
        elif root > _TOO_NEAR * wanted or far is not None:
            near, other = node, near
        level, change = _cubic(near, far or other, wanted)
        target = wanted / (sign * change) if sign * change > 0 else np.inf
        reached = _Reached(max(level, 0.0), min(target, 8.0 * slope), hazard)
        if abs(root - wanted) < _CLOSE or (far and far.slope - near.slope < 1e-7 * far.slope):
            break
        slope = _next_slope(slope, target, near, far=far, most=most)
    return reached


def _next_slope(slope: float, target: float, near: _Node, *, far: _Node | None, most: float) -> float:
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
