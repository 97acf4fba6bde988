"""Proportional hazards with interval-censored lives: the full likelihood with a free step baseline, and its maximum."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg.lapack import dpotrf, dpotrs

from workbench.errors import EstimateError
from workbench.estimate.cox.interval_problem import IntervalProblem
from workbench.estimate.shared import eigen_of

__all__ = ["RUNNING", "IntervalMaximum", "maximise_intervals"]

RUNNING = 15.0
"""A range of the log hazard at which an effect that still rises has run away."""
LONGEST_STEP = 5.0
"""The most by which one step moves a log hazard; longer ones leave the region where derivatives say anything."""
MOST_CELLS = 30_000_000
"""Most different lives times points; past it a fit takes minutes."""
FIRST_STEPS = 15
"""Steps of the expectation-maximisation before the first Newton step."""
NO_FAILURES = 1e-8
"""Expected failures at a point below which the baseline does not rise there."""
FLOOR = 1e-8
"""Eigenvalues below this share of the largest are lifted to it."""
SMALLEST_HAZARD = 1e-150
"""Hazards below it count as this in derivatives, whose squares must stay finite."""


@dataclass(frozen=True, eq=False)
class IntervalMaximum:
    """The maximum over coefficients (k,) and baseline steps (q,).

    Attributes
    ----------
    coefficients : np.ndarray of float, shape (k,)
        Log hazard ratios of the columns.
    steps : np.ndarray of float, shape (q,)
        Rise of the cumulative baseline hazard at each point, at least 0.
    log_likelihood : float
        Without the penalty.
    information : np.ndarray of float, shape (k, k)
        Of the profile likelihood, without the penalty.
    scores : np.ndarray of float, shape (m, k)
        What each distinct life adds to the profile score.
    converged : bool
        Whether the gain still to be had is negligible.
    """

    coefficients: np.ndarray
    steps: np.ndarray
    log_likelihood: float
    information: np.ndarray
    scores: np.ndarray
    converged: bool


class _Model:
    """Value, gradient and Hessian of the log-likelihood in coefficients and baseline steps."""

    def __init__(self, problem: IntervalProblem) -> None:
        self.problem = problem
        self.at = np.where(problem.exact, problem.middle - 1, 0)

    def survived(self, values: np.ndarray) -> np.ndarray:
        """Sum values of lives over those that survived each point.

        Shapes: values (m,), returns (q,).
        """
        return self._over(values, self.problem.start, self.problem.middle)

    def ended(self, values: np.ndarray) -> np.ndarray:
        """Sum values of lives over those that may have failed at each point.

        Shapes: values (m,), returns (q,).
        """
        return self._over(values, self.problem.middle, self.problem.end)

    def watched(self, values: np.ndarray) -> np.ndarray:
        """Sum values of lives over those at risk at each point.

        Shapes: values (m,), returns (q,).
        """
        return self._over(values, self.problem.start, self.problem.end)

    def _over(self, values: np.ndarray, first: np.ndarray, stop: np.ndarray) -> np.ndarray:
        """Summed from the end: at the last points, where a step may grow for ever, little is left that could cancel."""
        size = self.problem.points.size + 1
        return np.cumsum((np.bincount(stop, values, size) - np.bincount(first, values, size))[:0:-1])[::-1]

    def ended_at_both(self, values: np.ndarray) -> np.ndarray:
        """Sum values of lives over those that may have failed at either of two points, the first not after the second.

        Such lives have intervals that begin up to the first and end after the second, so nothing cancels.

        Shapes: values (m,), returns (q, q), to be read on and above the diagonal.
        """
        p, size = self.problem, self.problem.points.size + 1
        spans = np.bincount(p.middle * size + p.end, values, size**2).reshape(size, size)
        return np.cumsum(np.cumsum(spans, axis=0)[:-1, :0:-1], axis=1)[:, ::-1]

    def pieces(self, beta: np.ndarray, steps: np.ndarray) -> tuple[np.ndarray, ...]:
        total = np.concatenate([[0.0], np.cumsum(steps)])
        p = self.problem
        eta = p.columns @ beta
        r = np.exp(np.clip(eta, -500.0, 500.0))
        before = (total[p.middle] - total[p.start]) * r
        within = np.maximum(total[p.end] - total[p.middle], 0.0) * r
        return eta, r, before, within

    def value(self, beta: np.ndarray, steps: np.ndarray) -> float:
        p = self.problem
        eta, _, before, within = self.pieces(beta, steps)
        with np.errstate(divide="ignore"):
            chance = np.where(p.failed, np.log(-np.expm1(-within)), 0.0)
            chance[p.exact] = eta[p.exact] + np.log(steps[self.at[p.exact]])
        return float(p.weight @ (chance - before))

    def slopes(self, beta: np.ndarray, steps: np.ndarray) -> "_Slopes":
        """Derivatives of what each life adds, weights not yet applied."""
        p = self.problem
        _, r, before, within = self.pieces(beta, steps)
        safe = np.where(p.failed, np.maximum(within, SMALLEST_HAZARD), 1.0)
        first = np.where(p.failed, 1.0 / np.expm1(np.minimum(safe, 700.0)), 0.0)
        second = np.where(p.failed, -first * (1.0 + first), 0.0)
        with np.errstate(over="ignore"):  # a hazard of nothing under a ratio that runs away; held at a finite number
            curve = -np.minimum(first * r, 1 / SMALLEST_HAZARD) * np.minimum((1.0 + first) * r, 1 / SMALLEST_HAZARD)
        return _Slopes(
            eta=p.exact - before + first * within,
            ended=r * first,
            survived=-r,
            at=np.where(p.exact, 1.0 / np.maximum(steps[self.at], 1e-100), 0.0) if steps.size else np.zeros(r.size),
            # past 700 the chance is one to the last digit, and a square of what runs away would overflow
            eta_eta=-before + first * within + second * np.minimum(within, 700.0) ** 2,
            eta_ended=r * (first + second * within),
            ended_ended=np.where(p.failed, curve, 0.0),
        )

    def gradient(self, slopes: "_Slopes") -> np.ndarray:
        """First derivatives in the steps, over all lives."""
        w = self.problem.weight
        known = np.bincount(self.at, weights=w * slopes.at, minlength=self.problem.points.size)
        ended = np.diag(self.ended_at_both(w * slopes.ended))
        return np.asarray(ended + self.survived(w * slopes.survived) + known)

    def by_life(self, slopes: "_Slopes", directions: np.ndarray, free: np.ndarray) -> np.ndarray:
        """First derivatives of each life as the free steps move in some directions.

        Shapes: directions (f, k), free (f,), returns (m, k).
        """
        p = self.problem
        whole = np.zeros((p.points.size, directions.shape[1]))
        whole[free] = directions
        total = np.vstack([np.zeros(whole.shape[1]), np.cumsum(whole, axis=0)])
        moved = slopes.ended[:, None] * (total[p.end] - total[p.middle])
        moved += slopes.survived[:, None] * (total[p.middle] - total[p.start])
        return np.asarray(moved + slopes.at[:, None] * whole[self.at])

    def hessian(self, slopes: "_Slopes", steps: np.ndarray, free: np.ndarray) -> np.ndarray:
        """Minus the second derivatives over coefficients and the free steps."""
        p = self.problem
        w, k, q = p.weight, p.columns.shape[1], steps.size
        whole = np.zeros((k + free.size, k + free.size))
        whole[:k, :k] = (p.columns * (w * slopes.eta_eta)[:, None]).T @ p.columns
        for j, x in enumerate(p.columns.T):
            corner = self.ended(x * w * slopes.eta_ended) + self.survived(x * w * slopes.survived)
            whole[j, k:] = whole[k:, j] = corner[free]
        both = np.triu(self.ended_at_both(w * slopes.ended_ended)[np.ix_(free, free)])
        hits = np.bincount(self.at[p.exact], weights=w[p.exact], minlength=q)[free]
        both += np.triu(both, 1).T - np.diag(hits / np.maximum(steps[free], 1e-100) ** 2)
        whole[k:, k:] = both
        return -whole


@dataclass(frozen=True, eq=False)
class _Slopes:
    """Derivatives of what each life adds.

    `eta` in its log hazard ratio, `ended` in every step at which it may have failed, `survived` in every step that it
    survived, `at` beside these in the step of a failure known exactly; then the second ones in eta, in eta and a step
    at which it may have failed, and in two such steps. Shapes: each (m,).
    """

    eta: np.ndarray
    ended: np.ndarray
    survived: np.ndarray
    at: np.ndarray
    eta_eta: np.ndarray
    eta_ended: np.ndarray
    ended_ended: np.ndarray


def maximise_intervals(
    problem: IntervalProblem,
    penalty: np.ndarray,
    *,
    null: IntervalMaximum | None = None,
    rounds: int = 120,
) -> IntervalMaximum:
    """Maximise the penalised likelihood from the maximum without effects, or without effects where none is given.

    A few steps of an expectation-maximisation, then projected Newton steps.

    Shapes: penalty (k,).

    References
    ----------
    Zeng, Mao & Lin (2016), Biometrika 103, 253-271 (likelihood, expectation-maximisation, profile likelihood).
    """
    if problem.weight.size * problem.points.size > MOST_CELLS:
        raise EstimateError(
            f"{problem.weight.size:,} different lives with {problem.points.size:,} different ends are too many "
            "for this fit; round the days, or fit parts of the fleet"
        )
    model = _Model(replace(problem, columns=np.zeros((problem.weight.size, 0))) if null is None else problem)
    penalty = penalty[: model.problem.columns.shape[1]]
    beta, steps = np.zeros(penalty.size), _first_steps(model) if null is None else null.steps
    for _ in range(FIRST_STEPS if null is None else 0):
        beta, steps = _expectation_step(model, penalty, beta, steps=steps)
    value = model.value(beta, steps) - 0.5 * float(penalty @ beta**2)
    if not np.isfinite(value):
        raise EstimateError("the likelihood of the intervals cannot be computed; check the covariates' sizes")
    converged = False
    for _ in range(rounds):
        beta, steps, value, gain = _newton_round(model, penalty, beta, steps=steps, value=value)
        converged = gain < 1e-9
        if converged or (gain < 1e-4 and beta.size and np.ptp(model.problem.columns @ beta) > RUNNING):
            break
    if null is None:
        model, beta = _Model(problem), np.zeros(problem.columns.shape[1])
    return _at_maximum(model, beta, steps, converged=converged)


def _first_steps(model: _Model) -> np.ndarray:
    p = model.problem
    failures = float(p.weight @ (p.failed | p.exact))
    exposed = model.watched(p.weight)
    return np.where(exposed > 0, failures / max(p.points.size, 1) / np.maximum(exposed, 1.0), 0.0)


def _expectation_step(
    model: _Model, penalty: np.ndarray, beta: np.ndarray, *, steps: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    p = model.problem
    _, r, _, within = model.pieces(beta, steps)
    share = np.where(p.failed, p.weight * r / -np.expm1(-np.maximum(within, 1e-200)), 0.0)
    known = np.where(p.exact, p.weight, 0.0)
    events = model.ended(share) * steps + np.bincount(model.at, weights=known, minlength=steps.size)
    sums = model.watched(p.weight * r)
    rate = events / np.maximum(sums, 1e-300)
    mean = np.zeros((steps.size, beta.size))
    for j, x in enumerate(p.columns.T):
        mean[:, j] = model.watched(x * p.weight * r) / np.maximum(sums, 1e-300)
    score = (share * within / r + known) @ p.columns - events @ mean - penalty * beta
    total = np.concatenate([[0.0], np.cumsum(rate)])
    second = (p.columns * (p.weight * r * (total[p.end] - total[p.start]))[:, None]).T @ p.columns - (
        mean * events[:, None]
    ).T @ mean
    new = beta
    if beta.size:
        new = beta + np.linalg.lstsq(second + np.diag(penalty), score, rcond=1e-10)[0].clip(-1.0, 1.0)
    sums = model.watched(p.weight * np.exp(np.clip(p.columns @ new, -500.0, 500.0)))
    return new, np.where(sums > 0, events / np.maximum(sums, 1e-300), 0.0)


def _newton_round(
    model: _Model, penalty: np.ndarray, beta: np.ndarray, *, steps: np.ndarray, value: float
) -> tuple[np.ndarray, np.ndarray, float, float]:
    w, k = model.problem.weight, beta.size
    slopes = model.slopes(beta, steps)
    gradient = model.gradient(slopes)
    free = np.flatnonzero((steps > 0) | (gradient > 0))
    slope = np.concatenate([(w * slopes.eta) @ model.problem.columns - penalty * beta, gradient[free]])
    hessian = model.hessian(slopes, steps, free)
    hessian[np.arange(k), np.arange(k)] += penalty
    direction, gain = _bounded_direction(hessian, slope, np.append(np.full(k, np.inf), steps[free]))
    reach = np.abs(model.problem.columns @ direction[:k]).max(initial=0.0)
    direction *= min(1.0, LONGEST_STEP / max(reach, LONGEST_STEP))
    for halving in range(40):
        scale = 0.5**halving
        new_beta = beta + scale * direction[:k]
        new_steps = steps.copy()
        new_steps[free] = np.maximum(steps[free] + scale * direction[k:], 0.0)
        new = model.value(new_beta, new_steps) - 0.5 * float(penalty @ new_beta**2)
        if new > value or (new >= value - 1e-12 * (1 + abs(value)) and gain < 1e-7):
            return new_beta, new_steps, new, gain
    new_beta, new_steps = _expectation_step(model, penalty, beta, steps=steps)
    new = model.value(new_beta, new_steps) - 0.5 * float(penalty @ new_beta**2)
    if new > value:
        return new_beta, new_steps, new, max(gain, 1e-6)
    return beta, steps, value, 0.0


def _bounded_direction(hessian: np.ndarray, slope: np.ndarray, room: np.ndarray) -> tuple[np.ndarray, float]:
    """Newton direction in which nothing falls by more than its room, and the gain to be had without that bound.

    What would fall further is held at its bound and the rest solved anew, first where the likelihood rises that way.
    """
    newton = direction = _lifted_solve(hessian, slope)
    inside = np.ones(slope.size, dtype=bool)
    while (beyond := inside & (direction < -room)).any():
        falling = beyond & (slope < 0)
        inside &= ~(falling if falling.any() else beyond)
        direction = np.where(inside, 0.0, -room)
        rest = slope[inside] - hessian[np.ix_(inside, ~inside)] @ direction[~inside]
        direction[inside] = _lifted_solve(hessian[np.ix_(inside, inside)], rest)
    return direction if slope @ direction > 0 else newton, float(slope @ newton)


def _lifted_solve(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Solve with a positive matrix; one that is not is made so by its eigenvalues."""
    size = np.sqrt(np.maximum(np.abs(np.diag(matrix)), 1e-300))
    scaled = matrix / np.outer(size, size)
    factor, failure = dpotrf(scaled, lower=1)
    if not failure and np.diag(factor).min(initial=1.0) ** 2 > FLOOR:
        return np.asarray(dpotrs(factor, right / size, lower=1)[0] / size)
    values, vectors = eigen_of(scaled)
    floor = FLOOR * max(float(values.max(initial=0.0)), 1e-300)
    return np.asarray((vectors @ ((vectors.T @ (right / size)) / np.maximum(np.abs(values), floor))) / size)


def _at_maximum(model: _Model, beta: np.ndarray, steps: np.ndarray, *, converged: bool) -> IntervalMaximum:
    p, k = model.problem, beta.size
    slopes = model.slopes(beta, steps)
    free = np.flatnonzero(steps * model.watched(-p.weight * slopes.survived) > NO_FAILURES)
    hessian = model.hessian(slopes, steps, free)
    corner, block = hessian[:k, k:], hessian[k:, k:]
    size = np.sqrt(np.maximum(np.diag(block), 1e-300))
    pull = np.linalg.pinv(block / np.outer(size, size), rcond=1e-10, hermitian=True) / np.outer(size, size) @ corner.T
    information = hessian[:k, :k] - corner @ pull
    scores = slopes.eta[:, None] * p.columns - model.by_life(slopes, pull, free)
    return IntervalMaximum(
        coefficients=beta,
        steps=steps,
        log_likelihood=model.value(beta, steps),
        information=(information + information.T) / 2,
        scores=scores,
        converged=converged,
    )
