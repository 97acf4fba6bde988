"""Proportional hazards with interval-censored lives: the full likelihood with a free step baseline, and its maximum."""

from dataclasses import dataclass, replace

import numpy as np

from workbench.errors import EstimateError
from workbench.estimate.shared import eigen_of

__all__ = ["IntervalMaximum", "IntervalProblem", "interval_problem", "maximise_intervals"]

RUNNING = 15.0
"""A range of the log hazard at which an effect that still rises has run away."""
LONGEST_STEP = 5.0
"""The most by which one step moves a log hazard; longer ones leave the region where derivatives say anything."""
MOST_CELLS = 30_000_000
"""Largest table of lives by points (240 MB each) that is worked on."""


@dataclass(frozen=True, eq=False)
class IntervalProblem:
    """Distinct lives as counts over the q points where a baseline can rise (of all strata in turn).

    A life of relative hazard r was at risk at points start ... middle - 1 without failing and failed at one of points
    middle ... end - 1; exact lives failed at point middle - 1 itself; lives with end == middle did not fail.

    Attributes
    ----------
    columns : np.ndarray of float, shape (m, k)
        Covariates of each distinct life.
    weight : np.ndarray of float, shape (m,)
        How many lives it stands for.
    start, middle, end : np.ndarray of int, shape (m,)
        Its points.
    exact : np.ndarray of bool, shape (m,)
        Whether its failure is known exactly.
    row : np.ndarray of int, shape (n,)
        Which distinct life each life is.
    points : np.ndarray of float, shape (q,)
        Times of the points.
    """

    columns: np.ndarray
    weight: np.ndarray
    start: np.ndarray
    middle: np.ndarray
    end: np.ndarray
    exact: np.ndarray
    row: np.ndarray
    points: np.ndarray

    @property
    def failed(self) -> np.ndarray:
        """True where a distinct life failed within an interval, shape (m,)."""
        return self.end > self.middle


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


def interval_problem(
    columns: np.ndarray,
    pattern: np.ndarray,
    strata: np.ndarray | None,
    *,
    ends: tuple[np.ndarray, np.ndarray, np.ndarray],
    weight: np.ndarray,
) -> IntervalProblem:
    """Reduce lives to distinct ones and find the points where the baseline can rise.

    Mass is best put at the last day that serves a failure interval (its upper end, or the day others entered); a point
    is left out when an earlier one serves every interval it serves and burdens nobody more.

    Shapes: columns (p, k), pattern (n,), strata (n,), ends (n,), weight (n,).
    """
    stratum = np.zeros(pattern.size, dtype=np.int64) if strata is None else strata
    keys = np.column_stack([pattern, stratum, *ends])
    distinct, row = np.unique(keys, axis=0, return_inverse=True)
    row = row.ravel()
    entry, lower, upper = distinct[:, 2], distinct[:, 3], distinct[:, 4]
    exact = lower == upper
    start, middle, end = (np.zeros(len(distinct), dtype=np.int64) for _ in range(3))
    points: list[np.ndarray] = []
    offset = 0
    for number in np.unique(distinct[:, 1]):
        mine = distinct[:, 1] == number
        where = _support(entry[mine], lower[mine], upper[mine])
        late = entry[mine] > 0
        start[mine] = offset + np.where(late, np.searchsorted(where, entry[mine], side="right"), 0)
        middle[mine] = offset + np.searchsorted(where, lower[mine], side="right")
        reach = offset + np.searchsorted(where, upper[mine], side="right")
        end[mine] = np.where(np.isfinite(upper[mine]), reach, middle[mine])
        points.append(where)
        offset += where.size
    return IntervalProblem(
        columns=columns[distinct[:, 0].astype(np.int64)],
        weight=np.bincount(row, weights=weight, minlength=len(distinct)),
        start=start,
        middle=middle,
        end=end,
        exact=exact,
        row=row,
        points=np.concatenate(points),
    )


def _support(entry: np.ndarray, lower: np.ndarray, upper: np.ndarray) -> np.ndarray:
    exact = lower == upper
    candidates = np.unique(np.concatenate([upper[np.isfinite(upper)], entry[entry > 0]]))
    if not np.isfinite(upper).any():
        return candidates[:0]
    candidates = candidates[candidates <= upper[np.isfinite(upper)].max()]
    known, starts = set(upper[exact].tolist()), np.unique(lower[~exact])
    kept: list[float] = []
    for point in candidates.tolist():
        if not kept or point in known:
            kept.append(point)
            continue
        after = np.searchsorted(starts, kept[-1], side="left")
        if after < starts.size and starts[after] < point:
            kept.append(point)
    return np.array(kept)


SMALLEST_HAZARD = 1e-150
"""Hazards below it count as this in derivatives, whose squares must stay finite."""


class _Model:
    """Value, gradient and Hessian of the log-likelihood in coefficients and baseline steps."""

    def __init__(self, problem: IntervalProblem) -> None:
        self.problem = problem
        place = np.arange(problem.points.size)
        self.survived = ((place >= problem.start[:, None]) & (place < problem.middle[:, None])).astype(float)
        self.ended = ((place >= problem.middle[:, None]) & (place < problem.end[:, None])).astype(float)
        self.watched = self.survived + self.ended
        self.at = np.where(problem.exact, problem.middle - 1, 0)

    def pieces(self, beta: np.ndarray, steps: np.ndarray) -> tuple[np.ndarray, ...]:
        total = np.concatenate([[0.0], np.cumsum(steps)])
        p = self.problem
        eta = p.columns @ beta
        r = np.exp(np.clip(eta, -500.0, 500.0))
        before = (total[p.middle] - total[p.start]) * r
        within = (total[p.end] - total[p.middle]) * r
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
        return np.asarray((w * slopes.ended) @ self.ended + (w * slopes.survived) @ self.survived + known)

    def by_life(self, slopes: "_Slopes", directions: np.ndarray, free: np.ndarray) -> np.ndarray:
        """First derivatives of each life as the free steps move in some directions.

        Shapes: directions (f, k), free (f,), returns (m, k).
        """
        whole = np.zeros((self.problem.points.size, directions.shape[1]))
        whole[free] = directions
        moved = slopes.ended[:, None] * (self.ended @ whole) + slopes.survived[:, None] * (self.survived @ whole)
        return np.asarray(moved + slopes.at[:, None] * whole[self.at])

    def hessian(self, slopes: "_Slopes", steps: np.ndarray, free: np.ndarray) -> np.ndarray:
        """Minus the second derivatives over coefficients and the free steps."""
        p = self.problem
        w, x = p.weight, p.columns
        ended = self.ended[:, free]
        upper_left = (x * (w * slopes.eta_eta)[:, None]).T @ x
        corner = ((x * (w * slopes.eta_ended)[:, None]).T @ self.ended)[:, free]
        corner += ((x * (w * slopes.survived)[:, None]).T @ self.survived)[:, free]
        lower_right = (ended * (w * slopes.ended_ended)[:, None]).T @ ended
        hits = np.bincount(self.at[p.exact], weights=w[p.exact], minlength=steps.size)[free]
        lower_right -= np.diag(hits / np.maximum(steps[free], 1e-100) ** 2)
        return -np.block([[upper_left, corner], [corner.T, lower_right]])


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
    problem: IntervalProblem, penalty: np.ndarray, *, at_zero: bool = False, rounds: int = 120
) -> IntervalMaximum:
    """Maximise the penalised likelihood: a few steps of an expectation-maximisation, then projected Newton steps.

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
    model = _Model(replace(problem, columns=np.zeros((problem.weight.size, 0))) if at_zero else problem)
    penalty = penalty[: model.problem.columns.shape[1]]
    beta, steps = np.zeros(penalty.size), _first_steps(model)
    for _ in range(15):
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
    if at_zero:
        model, beta = _Model(problem), np.zeros(problem.columns.shape[1])
    return _at_maximum(model, beta, steps, converged=converged)


def _first_steps(model: _Model) -> np.ndarray:
    p = model.problem
    failures = float(p.weight @ (p.failed | p.exact))
    exposed = p.weight @ model.watched
    return np.where(exposed > 0, failures / max(p.points.size, 1) / np.maximum(exposed, 1.0), 0.0)


def _expectation_step(
    model: _Model, penalty: np.ndarray, beta: np.ndarray, *, steps: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    p = model.problem
    _, r, _, within = model.pieces(beta, steps)
    share = np.where(p.failed, p.weight * r / -np.expm1(-np.maximum(within, 1e-200)), 0.0)
    known = np.where(p.exact, p.weight, 0.0)
    events = (share @ model.ended) * steps + np.bincount(model.at, weights=known, minlength=steps.size)
    sums = (p.weight * r) @ model.watched
    mean = model.watched.T @ (p.columns * (p.weight * r)[:, None]) / np.maximum(sums, 1e-300)[:, None]
    score = (share * (model.ended @ steps) + known) @ p.columns - events @ mean - penalty * beta
    rate = events / np.maximum(sums, 1e-300)
    second = (p.columns * (p.weight * r * (model.watched @ rate))[:, None]).T @ p.columns - (
        mean * events[:, None]
    ).T @ mean
    new = beta
    if beta.size:
        new = beta + np.linalg.lstsq(second + np.diag(penalty), score, rcond=1e-10)[0].clip(-1.0, 1.0)
    sums = (p.weight * np.exp(np.clip(p.columns @ new, -500.0, 500.0))) @ model.watched
    return new, np.where(sums > 0, events / np.maximum(sums, 1e-300), 0.0)


def _newton_round(
    model: _Model, penalty: np.ndarray, beta: np.ndarray, *, steps: np.ndarray, value: float
) -> tuple[np.ndarray, np.ndarray, float, float]:
    w, k = model.problem.weight, beta.size
    slopes = model.slopes(beta, steps)
    gradient = model.gradient(slopes)
    largest = steps.max(initial=0.0)
    at_zero = (steps <= 1e-8 * largest) & (gradient <= 0)
    steps = np.where(at_zero, 0.0, steps)
    free = np.flatnonzero(~at_zero)
    slope = np.concatenate([(w * slopes.eta) @ model.problem.columns - penalty * beta, gradient[free]])
    hessian = model.hessian(slopes, steps, free)
    hessian[np.arange(k), np.arange(k)] += penalty
    direction = _lifted_solve(hessian, slope)
    gain = float(slope @ direction)
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
    return new_beta, new_steps, new, max(gain, 1e-6) if new > value else 0.0


def _lifted_solve(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    size = np.sqrt(np.maximum(np.abs(np.diag(matrix)), 1e-300))
    values, vectors = eigen_of(matrix / np.outer(size, size))
    floor = 1e-8 * max(float(values.max(initial=0.0)), 1e-300)
    return np.asarray((vectors @ ((vectors.T @ (right / size)) / np.maximum(np.abs(values), floor))) / size)


def _at_maximum(model: _Model, beta: np.ndarray, steps: np.ndarray, *, converged: bool) -> IntervalMaximum:
    p, k = model.problem, beta.size
    slopes = model.slopes(beta, steps)
    free = np.flatnonzero(steps > 1e-8 * steps.max(initial=0.0))
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
