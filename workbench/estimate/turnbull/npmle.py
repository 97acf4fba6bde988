"""Npmle: lives as runs of cells in, the cumulative hazard of each cell that makes them most likely out.

With L the cumulative hazard at cell ends, the log-likelihood of interval-censored lives, delayed entry included, is
concave in L (log(exp(-x) - exp(-y)) is, and entry adds a linear term). So Newton steps on the cells with mass, each
solved under "no negative hazard" and shortened until the likelihood rises, reach the one maximum.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from workbench.estimate.turnbull.level_steps import bounded_step, free_step, summed_from_zero
from workbench.estimate.turnbull.mean_worth import Worth

__all__ = [
    "Fit",
    "NpmleProblem",
    "change_by_push",
    "change_of_lives",
    "directional_derivatives",
    "fit_segment",
    "likelihood",
    "segment_ends",
    "start_by_em",
]

_EM_STEPS = 40
_NEWTON_STEPS = 200
_NO_HAZARD = 1e-9


@dataclass(frozen=True, eq=False)
class NpmleProblem:
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

    @cached_property
    def spans(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Distinct pairs of levels around the lives that cannot have failed in the last cell, with their weights."""
        m, inner = self.cells, self.last < self.cells - 1
        key, place = np.unique(self.first[inner].astype(np.int64) * m + self.last[inner] + 1, return_inverse=True)
        return key // m, key % m, np.bincount(place, weights=self.weight[inner], minlength=key.size)

    @cached_property
    def drift(self) -> np.ndarray:
        """Slope of the log-likelihood by each level as far as it is linear, shape (m,)."""
        came = np.bincount(self.entered, weights=self.weight, minlength=self.cells)
        return came - np.bincount(self.first, weights=self.weight, minlength=self.cells)


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

    Shapes: first, entered (n,).
    """
    furthest = np.full(cells, -1)
    np.maximum.at(furthest, np.minimum(entered, cells - 1), first)
    return np.flatnonzero(np.maximum.accumulate(furthest) <= np.arange(cells))


def likelihood(problem: NpmleProblem, hazard: np.ndarray) -> float:
    """Log-likelihood of hazard increments.

    Shapes: hazard (m - 1,).
    """
    return _value(problem, *_failing(problem, hazard))


def _failing(problem: NpmleProblem, hazard: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    # levels before the cells, and the chance of each span to fail within it of those who reach it
    level = summed_from_zero(hazard)
    low, high, _ = problem.spans
    return level, -np.expm1(level[low] - level[high])


def _value(problem: NpmleProblem, level: np.ndarray, chance: np.ndarray) -> float:
    if (chance <= 0.0).any():
        return -np.inf
    return float(problem.drift @ level + problem.spans[2] @ np.log(chance))


def _slopes(problem: NpmleProblem, chance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    # gradient by increment, and the curvature of each span
    low, high, weight = problem.spans
    push = weight * (1.0 - chance) / chance
    pull = problem.drift + np.bincount(high, push, problem.cells) - np.bincount(low, push, problem.cells)
    return pull[::-1].cumsum()[::-1][1:], push / chance


def _between(problem: NpmleProblem, free: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    # levels of the spans when increments that are not free stay 0
    node = free.searchsorted(np.arange(problem.cells), side="left")
    return node[problem.spans[0]], node[problem.spans[1]]


def change_by_push(problem: NpmleProblem, hazard: np.ndarray, push: np.ndarray) -> np.ndarray:
    """First-order change of the increments with hazard when a small linear push is added to the log-likelihood.

    Shapes: hazard (m - 1,), push (m - 1,), returns (m - 1,).
    """
    free, change = np.flatnonzero(hazard > 0), np.zeros(hazard.size)
    if np.any(push[free] != 0.0):
        curve = _slopes(problem, _failing(problem, hazard)[1])[1]
        change[free] = free_step(*_between(problem, free), curve, gradient=push[free])
    return change


def change_of_lives(problem: NpmleProblem, hazard: np.ndarray, change: np.ndarray) -> np.ndarray:
    """Derivative of each life's log-likelihood when the increments move along a change.

    Shapes: hazard, change (m - 1,), returns (n,).
    """
    level, moved = summed_from_zero(hazard), summed_from_zero(change)
    inner, after = problem.last < problem.cells - 1, np.minimum(problem.last + 1, problem.cells - 1)
    gap = np.where(inner, level[after] - level[problem.first], 1.0)
    odds = np.where(inner, 1.0 / np.expm1(gap), 0.0)
    return np.asarray(moved[problem.entered] - moved[problem.first] + odds * (moved[after] - moved[problem.first]))


def _step(
    problem: NpmleProblem,
    curve: np.ndarray,
    free: np.ndarray,
    *,
    gradient: np.ndarray,
    hazard: np.ndarray,
    tilt: tuple[Worth, float] | None,
) -> np.ndarray:
    low, high = _between(problem, free)
    if tilt is None or tilt[0].single:
        return bounded_step(low, high, curve, gradient=gradient, hazard=hazard[free])
    node = free.searchsorted(tilt[0].at + 1, side="left")
    shares = np.bincount(node, tilt[0].shares(hazard), free.size + 1)
    try:
        return bounded_step(low, high, curve, gradient=gradient, hazard=hazard[free], bend=(shares, tilt[1]))
    except np.linalg.LinAlgError:  # a step that climbs all the same
        return bounded_step(low, high, curve, gradient=gradient, hazard=hazard[free])


def _begin(problem: NpmleProblem) -> np.ndarray:
    """Where to begin: at the maximum itself where every failure lies in one cell, else after some steps of EM."""
    first, last, m = problem.first, problem.last, problem.cells
    inner = last < m - 1
    if (first[inner] < last[inner]).any():
        return start_by_em(problem)
    failed = np.bincount(first[inner], weights=problem.weight[inner], minlength=m)[:-1]
    outliving = problem.drift.cumsum()[:-1]  # came by then, less those whose cell of failure has come
    return np.where(failed > 0, np.log1p(failed / np.maximum(outliving, 1e-300)), 0.0)


def start_by_em(problem: NpmleProblem, steps: int = _EM_STEPS) -> np.ndarray:
    """Hazard increments after some steps of expectation and maximisation from equal masses.

    Shapes: returns (m - 1,).

    References
    ----------
    Turnbull (1976), J. R. Stat. Soc. B 38, 290-295, in terms of hazards, so that delayed entry needs no ghosts.
    """
    m = problem.cells
    share = 1.0 / np.arange(m, 0, -1)
    entrants = np.bincount(problem.entered, weights=problem.weight, minlength=m).cumsum()
    first, after, before, gone = problem.first, problem.last + 1, np.ones(m + 1), np.zeros(m)
    for _ in range(steps):
        (1.0 - share).cumprod(out=before[1:])
        pull = problem.weight / (before[first] - before[after])
        spread = np.bincount(first, weights=pull, minlength=m + 1)
        spread -= np.bincount(after, weights=pull, minlength=m + 1)
        failed = before[:-1] * share * np.maximum(spread.cumsum()[:-1], 0.0)
        failed[:-1].cumsum(out=gone[1:])
        share = failed / np.maximum(entrants - gone, 1e-300)
        share = np.minimum(np.maximum(share, 1e-12), 1.0 - 1e-9)
        share[-1] = 1.0
    return -np.log1p(-share[:-1])


def directional_derivatives(problem: NpmleProblem, hazard: np.ndarray) -> np.ndarray:
    """Slope of the log-likelihood when mass moves from all cells into one cell.

    Shapes: hazard (m - 1,), returns (m,).
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
    problem: NpmleProblem,
    start: np.ndarray | None = None,
    tilt: tuple[Worth, float] | None = None,
    *,
    tolerance: float = 1e-10,
) -> Fit:
    """Maximise the likelihood of one segment, or the likelihood plus `slope` times the level of some worth.

    Shapes: start (m - 1,).

    References
    ----------
    Wang (2007), J. R. Stat. Soc. B 69, 185-198 (constrained Newton steps on the support).
    """
    hazard = _begin(problem) if start is None else start
    worth, steepness = tilt or (None, 0.0)

    def tilted(hazard: np.ndarray) -> tuple[float, np.ndarray]:
        level, chance = _failing(problem, hazard)
        value = _value(problem, level, chance)
        return value + (steepness * worth.level(hazard) if worth else 0.0), chance

    (value, chance), total, worst = tilted(hazard), problem.total, np.inf
    for _ in range(_NEWTON_STEPS):
        gradient, curve = _slopes(problem, chance)
        if worth:
            gradient += steepness * worth.slope(hazard)
        worst = float(np.maximum(gradient, np.abs(gradient) * np.minimum(hazard, 1.0)).max(initial=0.0)) / total
        if worst <= tolerance:
            break
        free = np.flatnonzero((hazard > 0) | (gradient > 0))
        step = np.zeros(len(hazard))
        step[free] = _step(problem, curve, free, gradient=gradient[free], hazard=hazard, tilt=tilt)
        rise, length, rounding = float(gradient @ step), 1.0, 1e-13 * (abs(value) + total)
        while length > 1e-10:
            trial = hazard + length * step
            trial_value, trial_chance = tilted(trial)
            if trial_value >= value + 1e-4 * length * rise - rounding:
                break
            length *= 0.5
        else:
            break
        hazard, value, chance = trial, trial_value, trial_chance
    tiny = (hazard < _NO_HAZARD) & (hazard > 0)
    if tiny.any() and np.isfinite(likelihood(problem, np.where(tiny, 0.0, hazard))):
        hazard = np.where(tiny, 0.0, hazard)
    return Fit(hazard, likelihood(problem, hazard), worst)
