"""Which shares of the classes (a cell of time and a cause, or surviving) are most likely, and within which limits?"""

from dataclasses import dataclass, replace

import numpy as np

from workbench.apart import both
from workbench.estimate.steps import normal_quantile
from workbench.estimate.turnbull.cause_levels import Bent, CauseLevels, Lean, bounded_move

__all__ = ["NO_MASS", "fit_masses", "limits_of_levels", "log_likelihood"]

NO_MASS = 1e-9
_NEWTON_STEPS = 300
_CLOSE_ENOUGH = 1e-13
_EM_STEPS = 30
_LIMIT_STEPS = 40
_CLOSE_LEVEL = 1e-5
_CLOSE_FALL = 1e-3
_CLOSE_RISE = 1e-5
_KEPT = 0.1
_INSIDE = 0.9
_FAR = 1e4
_FEWEST_APART = 100
"""Levels below which another process would take longer to start than it saves."""


def log_likelihood(problem: CauseLevels, share: np.ndarray) -> float:
    """Log-likelihood of shares of the classes.

    Shapes: share (m,).
    """
    return problem.value(_chances(problem, problem.levels(share)))


def fit_masses(problem: CauseLevels) -> np.ndarray:
    """Maximise the likelihood: some steps of expectation and maximisation, then bounded Newton steps.

    Shapes: returns (m,).

    References
    ----------
    Hudgens, Satten & Longini (2001), Biometrics 57, 74-80 (cause and interval together); Turnbull (1976), J. R. Stat.
    Soc. B 38, 290-295; Wang (2007), J. R. Stat. Soc. B 69, 185-198 (classes join the support where the slope peaks).
    """
    if problem.cause.size == 0:
        return np.zeros(0)
    share = problem.shares(_climbed(problem, problem.levels(_first_guess(problem)), Lean()))
    return np.where(share > NO_MASS, share, 0.0)


def _chances(problem: CauseLevels, level: np.ndarray) -> np.ndarray:
    return np.asarray(problem.base + problem.moved(level))


def _first_guess(problem: CauseLevels) -> np.ndarray:
    """Steps of expectation and maximisation from equal shares, and of their result the peaks of each cause."""
    m = problem.cause.size
    share = np.full(m, 1.0 / (m + 1))
    ended = problem.weight > 0
    begun = problem.total + problem.weight[~ended].sum()  # those under observation from the start
    for _ in range(_EM_STEPS):
        chance = _chances(problem, problem.levels(share))
        push = problem.weight / chance
        inside = problem.slopes(problem.pulled(np.where(ended, push, 0.0))) + push[ended & (problem.base > 0)].sum()
        seen = problem.slopes(problem.pulled(np.where(ended, 0.0, -push))) - push[~ended].sum() + begun
        rest = (1.0 - share.sum()) * push[ended & (problem.base > 0)].sum() / max(-push[~ended].sum() + begun, 1e-300)
        share = share * np.maximum(inside, 0.0) / np.maximum(seen, 1e-300)
        share = share / (share.sum() + rest)
    return share


def _climbed(problem: CauseLevels, level: np.ndarray, lean: Lean) -> np.ndarray:
    """The levels that make likelihood plus a fixed number times one level largest."""
    chance = _chances(problem, level)
    value = problem.value(chance) + lean.number * float(level[lean.level])
    for _ in range(_NEWTON_STEPS):
        move = bounded_move(problem, level, chance=chance, lean=lean)
        length = 1.0
        while move.rise > _CLOSE_ENOUGH and length > 1e-9:
            trial = chance + length * move.moved
            reached = problem.value(trial) + lean.number * float((level + length * move.change)[lean.level])
            if reached > value:
                break
            length *= 0.5
        else:
            return level
        level, chance, value = level + length * move.change, trial, reached
    return level


@dataclass(frozen=True)
class _Reached:
    """Where a search ended: levels, the number of the tilt, the limit, and a curvature of nearby."""

    level: np.ndarray
    number: float
    limit: float
    bent: Bent | None = None


def limits_of_levels(
    problem: CauseLevels, best: np.ndarray, at: np.ndarray, *, confidence: float
) -> tuple[np.ndarray, np.ndarray]:
    """All values of some levels that the likelihood ratio does not reject; each search begins where the last ended.

    Among the shares that the likelihood does not reject, those with the highest level make likelihood plus a number
    times the level largest; each step finds shares and number together.

    Shapes: best (m,), at (k,), returns two of shape (k,).

    References
    ----------
    Thomas & Grunkemeier (1975), J. Am. Stat. Assoc. 70, 865-871; Owen (2001), Empirical Likelihood, ch. 2.
    """
    if at.size == 0:
        return np.zeros(0), np.zeros(0)
    top = problem.levels(best)
    goal = problem.value(_chances(problem, top)) - 0.5 * normal_quantile(confidence) ** 2

    def side(sign: float) -> np.ndarray:
        found, near = np.empty(len(at)), _Reached(top, 0.0, 0.0)
        for i, place in enumerate(at.tolist()):
            lean = Lean(place, near.number or sign * problem.total, sign, goal)
            near = (
                _limit(problem, near.level, lean, bent=near.bent)
                or _limit(problem, top, lean)
                or _bracketed(problem, top, lean)
            )
            found[i] = min(max(near.limit, 0.0), 1.0)
        return found

    if len(at) < _FEWEST_APART:
        return side(-1.0), side(1.0)
    return both(lambda: side(-1.0), lambda: side(1.0))


def _limit(problem: CauseLevels, level: np.ndarray, lean: Lean, *, bent: Bent | None = None) -> _Reached | None:
    """The limit by Newton steps; a curvature is kept while each step is far shorter than the one before."""
    chance, far = _chances(problem, level), 0.0
    for _ in range(_LIMIT_STEPS):
        bent = bent or problem.bent(problem.weight / chance**2)
        move = bounded_move(problem, level, chance=chance, lean=lean, bent=bent)
        falls = move.moved < 0.0
        length = min(1.0, _INSIDE * float(np.min(-chance[falls] / move.moved[falls], initial=np.inf)))
        level, before = level + length * move.change, level[lean.level]
        chance = chance + length * move.moved
        above = problem.value(chance) - lean.goal
        lean = replace(lean, number=move.number)
        left = 0.5 * float(np.abs(bent.curve) @ move.moved**2)  # by how much the likelihood may have been missed
        end = 0.5 * (1.0 + lean.sign)
        if above >= 0.0 and level[lean.level] == end:
            return _Reached(level, move.number, end, bent)
        near = abs(level[lean.level] - before) < _CLOSE_LEVEL and abs(above) < _CLOSE_FALL and left < _CLOSE_RISE
        if length == 1.0 and near:
            return _Reached(level, move.number, float(level[lean.level] + above / move.number), bent)
        bent, far = (bent if left < _KEPT * far else None), left
    return None


def _bracketed(problem: CauseLevels, top: np.ndarray, lean: Lean) -> _Reached:
    """The limit by false position on the number of the tilt, each time with the levels that are best under it."""
    low, high, number, level = (0.0, problem.value(_chances(problem, top)) - lean.goal), None, problem.total, top
    for _ in range(2 * _LIMIT_STEPS):
        level = _climbed(problem, level, replace(lean, number=lean.sign * number, goal=float("nan")))
        above = problem.value(_chances(problem, level)) - lean.goal
        if abs(above) < _CLOSE_FALL or (high is None and number > _FAR * problem.total):
            break
        low, high = ((number, above), high) if above > 0.0 else (low, (number, above))
        if high is None:
            number *= 4.0
        else:  # the root of the fall is nearly straight in the number
            number = low[0] + (high[0] - low[0]) * min(max(low[1] / (low[1] - high[1]), 0.1), 0.9)
    reached = float(level[lean.level])
    return _Reached(level, lean.sign * number, reached + max(above, 0.0) / (lean.sign * number) * (high is not None))
