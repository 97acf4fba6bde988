"""Location-scale survival models fitted by damped Newton, one fit or a thousand weighted replicates at once.

log life = intercept + x · coefficients + scale · z, with z of a standard family (Weibull, exponential, lognormal,
log-logistic). Rows that are alike in covariates and times are one cell with the sum of their weights.
"""

from dataclasses import dataclass, replace

import numpy as np

from workbench.errors import EstimateError
from workbench.estimate.likelihood.aft_layout import Cells, Layout, cell_patterns, cells_of, layout_of
from workbench.estimate.likelihood.aft_likelihood import PriorCentre, evaluate_likelihood, evaluate_penalty
from workbench.estimate.likelihood.families import Family, family_of
from workbench.estimate.shared import eigen_of

__all__ = ["AftBatch", "AftProblem", "fit_batch", "step_from"]

MOST_ROUNDS = 200
"""Evaluations after which a replicate is given up."""
ENOUGH = 1e-9
"""Newton decrement (twice the log-likelihood still to gain) at which the last step is taken."""
PLATEAU = 1e-7
"""Information a unit of weight about a coefficient under which late entries have led to a plateau, not a maximum."""
POINTS_AT_ONCE = 1 << 16
"""Weights worked on together; more would leave the processor's cache."""


@dataclass(frozen=True, eq=False)
class AftProblem:
    """A model and its rows, ready to be fitted to any weights; build with `AftProblem.build`.

    Attributes
    ----------
    family : Family
        Distribution of z.
    precision : np.ndarray of float, shape (k,)
        Prior precision of each coefficient; 0 is free.
    cells : Cells
        The m distinct rows; `cells.cell_of` (n,) says which row each life is.
    layout : Layout
        The cells as points of log time.
    shift : float
        Taken off every log time while fitting.
    shape_precision : float
        Prior precision of log (1 / scale) around the centre's `log_shape`; 0 leaves the scale free.
    """

    family: Family
    precision: np.ndarray
    cells: Cells
    layout: Layout
    shift: float
    shape_precision: float = 0.0

    @property
    def columns(self) -> int:
        """Number k of coefficients."""
        return int(self.precision.shape[0])

    @property
    def has_prior(self) -> bool:
        """Whether anything is held by a prior."""
        return bool(self.precision.any()) or self.shape_precision > 0

    @classmethod
    def build(
        cls,
        lower: np.ndarray,
        upper: np.ndarray,
        entry: np.ndarray,
        *,
        columns: np.ndarray,
        precision: np.ndarray | None = None,
        distribution: str = "weibull",
        pattern: np.ndarray | None = None,
    ) -> "AftProblem":
        """Make a problem of lives and dense covariate columns.

        Shapes: lower, upper, entry (n,), columns (n, k), precision (k,), pattern (n,).
        """
        family = family_of(distribution)
        at_zero = np.flatnonzero((lower == upper) & (upper <= 0))
        if at_zero.size:
            raise EstimateError(
                f"row {at_zero[0]}: the failure is at time 0, where a {distribution} has no density; "
                "give the interval in which it happened, such as lower=0, upper=1"
            )
        columns = np.asarray(columns, dtype=float).reshape(len(columns), -1)
        if pattern is None:
            columns, pattern = cell_patterns(columns)
        cells = cells_of(lower, upper, entry, pattern=pattern)
        known = np.where(np.isfinite(cells.upper), cells.upper, cells.lower)
        known = known[known > 0]
        shift = float(np.mean(np.log(known))) if known.size else 0.0
        free = np.zeros(columns.shape[1]) if precision is None else np.asarray(precision, dtype=float)
        return cls(family, free, cells, layout_of(cells, columns, shift), shift)

    def restricted(self, used: np.ndarray) -> "AftProblem":
        """The same rows with some of the columns."""
        if len(used) == self.columns:
            return self
        layout = layout_of(self.cells, self.layout.design[:, 1:][:, used], self.shift)
        return replace(self, precision=self.precision[used], layout=layout)


@dataclass(frozen=True, eq=False)
class AftBatch:
    """B fits of one problem.

    Attributes
    ----------
    coefficients : np.ndarray, shape (B, k)
        Effects on log time.
    intercept, scale : np.ndarray, shape (B,)
        Location of log time at x = 0, and scale (the inverse of a Weibull shape).
    log_likelihood : np.ndarray, shape (B,)
        Of the times themselves, without the prior.
    converged : np.ndarray of bool, shape (B,)
        False where no maximum was reached; the figures of such a replicate mean nothing.
    covariance : np.ndarray, shape (B, k + 2, k + 2), or None
        Inverse of the (penalised) observed information of (intercept, coefficients, log scale), when asked for; NaN
        where that information has no inverse. A fixed scale has variance 0.
    """

    coefficients: np.ndarray
    intercept: np.ndarray
    scale: np.ndarray
    log_likelihood: np.ndarray
    converged: np.ndarray
    covariance: np.ndarray | None = None


def fit_batch(
    problem: AftProblem,
    weights: np.ndarray,
    centre: PriorCentre | None = None,
    *,
    start: AftBatch | None = None,
    scale: float | np.ndarray | None = None,
    covariance: bool = False,
) -> AftBatch:
    """Fit the problem to each of B vectors of weights of lives by maximum (penalised) likelihood.

    `start` is one fit, from which all begin. Without `centre` the priors are centred at no effect and shape 1.

    Shapes: weights (B, n), scale (B,).

    References
    ----------
    Parameters in which the likelihood is concave: Burridge (1981), J. R. Stat. Soc. B 43, 41-45. Damped Newton with
    lifted eigenvalues: Nocedal & Wright, Numerical Optimization, ch. 3.
    """
    weights = np.atleast_2d(np.asarray(weights, dtype=float))
    batch, k = weights.shape[0], problem.columns
    centre = PriorCentre.at_zero(batch, k) if centre is None else centre
    fixed = problem.family.fixed_scale if scale is None else scale
    if start is None and batch > 1:
        held_once = None if fixed is None else float(np.ravel(fixed)[0])
        start = fit_batch(problem, weights.mean(axis=0), centre.mean(), scale=held_once)
    chunk = max(1, POINTS_AT_ONCE // max(1, weights.shape[1]))
    parts = []
    for begin in range(0, batch, chunk):
        rows = slice(begin, min(begin + chunk, batch))
        points = problem.layout.points_of(problem.cells.fold(weights[rows]))
        size = points.shape[0]
        begun = _begin(problem, points, None if start is None else _params_of(problem, start, size))
        if fixed is not None:
            held = np.broadcast_to(fixed, (batch,))[rows]
            begun[:, :-1] *= (1.0 / (held * begun[:, -1]))[:, None]
            begun[:, -1] = 1.0 / held
        parts.append(
            _climb_twice(
                problem, points, centre.take(rows), begun=begun, free_scale=fixed is None, covariance=covariance
            )
        )
    joined = [None if p[0] is None else np.concatenate(p) for p in zip(*parts, strict=True)]
    return AftBatch(*joined)  # type: ignore[arg-type]


def step_from(problem: AftProblem, weights: np.ndarray, fit: AftBatch, *, free_scale: bool = True) -> AftBatch:
    """Take one Newton step from one fit towards the maximum for each of B other vectors of weights of lives.

    `log_likelihood` is NaN, and `converged` says where the step could be made.

    Shapes: weights (B, n).

    References
    ----------
    Pregibon (1981), Annals of Statistics 9, 705-724 (from memory): one step as the influence of one row on a fit.
    """
    parts = []
    chunk = max(1, POINTS_AT_ONCE // max(1, weights.shape[1]))
    for begin in range(0, len(weights), chunk):
        points = problem.layout.points_of(problem.cells.fold(weights[begin : begin + chunk]))
        params = _params_of(problem, fit, len(points))
        if params is None:
            params = np.full((len(points), problem.columns + 2), np.nan)
        centre = PriorCentre.at_zero(len(points), problem.columns)
        with np.errstate(all="ignore"):
            value, gradient, curvature = _objective(problem, points, centre, params=params, free_scale=free_scale)
            made = np.isfinite(value)
            step = np.full(params.shape, np.nan)
            step[made] = _direction(gradient[made], curvature[made])[0]
            parts.append(params + _longest(params, step)[:, None] * step)
    params = np.concatenate(parts)
    a = params[:, -1]
    made = np.isfinite(params).all(axis=1)
    return AftBatch(
        params[:, 1:-1] / a[:, None], params[:, 0] / a + problem.shift, 1.0 / a, np.full(len(a), np.nan), made
    )


def _params_of(problem: AftProblem, fit: AftBatch, size: int) -> np.ndarray | None:
    """Parameters of one fit, for `size` others to begin from; None where it is no answer."""
    ((scale,), (intercept,), (coefficients,)) = fit.scale, fit.intercept, fit.coefficients
    params = np.r_[intercept - problem.shift, coefficients, 1.0]
    params = params * (1.0 / scale)
    return np.tile(params, (size, 1)) if fit.converged[0] and np.isfinite(params).all() else None


def _begin(problem: AftProblem, points: np.ndarray, given: np.ndarray | None) -> np.ndarray:
    """Start values: `given`, or the spread of log times and the share that failed, without any effect."""
    if given is not None:
        return given
    layout, family = problem.layout, problem.family
    lived = np.s_[: layout.kinds[4].start]
    weight = points[:, lived]
    near = layout.near[lived]
    total = np.maximum(weight.sum(axis=1), 1e-300)
    mean = weight @ near / total
    spread = np.sqrt(np.maximum(weight @ near**2 / total - mean**2, 0.0))
    ended = weight[:, layout.kinds[0]].sum(axis=1) + weight[:, layout.kinds[2].start :].sum(axis=1)
    params = np.zeros((points.shape[0], problem.columns + 2))
    params[:, -1] = np.clip(1.2 / np.maximum(spread, 1e-3), 0.3, 3.0)
    params[:, 0] = params[:, -1] * mean - family.quantile(np.clip(ended / total, 1e-6, 0.9))
    return params


def _climb_twice(
    problem: AftProblem,
    points: np.ndarray,
    centre: PriorCentre,
    *,
    begun: np.ndarray,
    free_scale: bool,
    covariance: bool,
) -> tuple[np.ndarray | None, ...]:
    with np.errstate(all="ignore"):
        params, converged, value, curvature = _climb_and_look(
            problem, points, centre, begun=begun, free_scale=free_scale
        )
        again = np.flatnonzero(~converged)
        if again.size:
            anew = _begin(problem, points[again], None)
            if not free_scale:
                anew[:, :-1] *= (begun[again, -1] / anew[:, -1])[:, None]
                anew[:, -1] = begun[again, -1]
            renewed = _climb_and_look(problem, points[again], centre.take(again), begun=anew, free_scale=free_scale)
            params[again], converged[again], value[again], curvature[again] = renewed
        a = params[:, -1:]
        exact = problem.layout.kinds[0]
        value = value - points[:, exact] @ (problem.layout.near[exact] + problem.shift)
        intercept = params[:, 0] / a[:, 0] + problem.shift
        matrix = _covariance(curvature, params, free_scale) if covariance else None
        return params[:, 1:-1] / a, intercept, 1.0 / a[:, 0], value, converged, matrix


def _climb_and_look(
    problem: AftProblem, points: np.ndarray, centre: PriorCentre, *, begun: np.ndarray, free_scale: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Parameters, whether they are a maximum and no mere plateau, log-likelihood, and curvature with the prior's."""
    params, converged = _climb(problem, points, centre, params=begun, free_scale=free_scale)
    value, _, curvature = evaluate_likelihood(problem.layout, problem.family, points, params=params)
    if problem.has_prior:
        curvature = (
            curvature + evaluate_penalty(problem.precision, centre, params, shape_precision=problem.shape_precision)[2]
        )
    design = problem.layout.design
    size = (np.abs(points) @ (design**2)[problem.layout.pattern]) if problem.layout.has_entry else 0.0
    information = -np.diagonal(curvature, axis1=1, axis2=2)[:, :-1]
    return params, converged & (information >= PLATEAU * size).all(axis=1), value, curvature


def _objective(
    problem: AftProblem, points: np.ndarray, centre: PriorCentre, *, params: np.ndarray, free_scale: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    value, gradient, curvature = evaluate_likelihood(problem.layout, problem.family, points, params=params)
    if problem.has_prior:
        more = evaluate_penalty(problem.precision, centre, params, shape_precision=problem.shape_precision)
        value, gradient, curvature = value + more[0], gradient + more[1], curvature + more[2]
    if not free_scale:
        gradient[:, -1] = 0.0
        curvature[:, -1, :] = curvature[:, :, -1] = 0.0
        curvature[:, -1, -1] = -1.0
    fine = np.isfinite(value) & np.isfinite(gradient).all(axis=1) & np.isfinite(curvature).all(axis=(1, 2))
    return np.where(fine, value, -np.inf), gradient, curvature


def _climb(
    problem: AftProblem, points: np.ndarray, centre: PriorCentre, *, params: np.ndarray, free_scale: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Newton with shortened steps, each replicate at its own pace; returns parameters and who reached a maximum."""
    result, converged = params.copy(), np.zeros(len(params), dtype=bool)
    value, gradient, curvature = _objective(problem, points, centre, params=params, free_scale=free_scale)
    live = np.flatnonzero(np.isfinite(value))
    at, value = params[live], value[live]
    step, gain = _direction(gradient[live], curvature[live])
    length = _longest(at, step)
    for _ in range(MOST_ROUNDS):
        done = gain < ENOUGH
        if done.any():
            result[live[done]], converged[live[done]] = at[done] + length[done, None] * step[done], True
        going = ~done & (length > 1e-12)
        if not going.any():
            break
        live, at, value, step, gain, length = (v[going] for v in (live, at, value, step, gain, length))
        here = (points, centre) if len(live) == len(points) else (points[live], centre.take(live))
        trial = at + length[:, None] * step
        reached, gradient, curvature = _objective(problem, *here, params=trial, free_scale=free_scale)
        better = reached >= value + 1e-4 * length * gain - 1e-13 * np.abs(value)
        length[~better] *= 0.25
        at[better], value[better] = trial[better], reached[better]
        if better.any():
            step[better], gain[better] = _direction(gradient[better], curvature[better])
            length[better] = _longest(at[better], step[better])
    return result, converged


def _longest(params: np.ndarray, step: np.ndarray) -> np.ndarray:
    """The longest step up to 1 that keeps 1 / scale within a factor of five."""
    a, change = params[:, -1], step[:, -1]
    return np.asarray(np.minimum(1.0, np.where(change < 0, 0.8, 4.0) * a / np.maximum(np.abs(change), 1e-300)))


def _direction(gradient: np.ndarray, curvature: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Newton steps and decrements; where the curvature is not negative definite its eigenvalues are lifted."""
    size = 1.0 / np.sqrt(np.maximum(np.abs(np.diagonal(curvature, axis1=1, axis2=2)), 1e-300))
    scaled = -curvature * size[:, :, None] * size[:, None, :]
    slope = gradient * size
    definite = _definite(scaled - 1e-12 * np.eye(scaled.shape[1]))  # well enough to be solved
    step = np.empty_like(slope)
    step[definite] = np.linalg.solve(scaled[definite], slope[definite, :, None])[:, :, 0]
    values, vectors = eigen_of(scaled[~definite])
    lifted = np.maximum(np.abs(values), 1e-10 * np.abs(values).max(axis=1, keepdims=True))
    along = (slope[~definite, None, :] @ vectors)[:, 0, :] / lifted
    step[~definite] = (vectors @ along[:, :, None])[:, :, 0]
    return step * size, (step * slope).sum(axis=1)


def _definite(matrices: np.ndarray) -> np.ndarray:
    """Whether each symmetric matrix is positive definite.

    Shapes: matrices (B, k, k), returns (B,).
    """
    try:
        np.linalg.cholesky(matrices)
    except np.linalg.LinAlgError:
        if len(matrices) == 1:
            return np.zeros(1, dtype=bool)
        half = len(matrices) // 2
        return np.concatenate([_definite(matrices[:half]), _definite(matrices[half:])])
    return np.ones(len(matrices), dtype=bool)


def _covariance(curvature: np.ndarray, params: np.ndarray, free_scale: bool) -> np.ndarray:
    """Covariance of (intercept, coefficients, log scale) by the chain rule from that of the parameters."""
    batch, size = params.shape
    a = params[:, -1]
    information = -curvature
    if not free_scale:
        information[:, -1, :] = information[:, :, -1] = 0.0
        information[:, -1, -1] = 1.0
    scale_by = 1.0 / np.sqrt(np.abs(np.diagonal(information, axis1=1, axis2=2)) + 1e-300)
    scaled = information * scale_by[:, :, None] * scale_by[:, None, :]
    inverse = np.full(scaled.shape, np.nan)
    for b in range(batch):
        if np.isfinite(scaled[b]).all() and np.linalg.cond(scaled[b]) < 1e14:
            inverse[b] = np.linalg.inv(scaled[b]) * scale_by[b][:, None] * scale_by[b][None, :]
    if not free_scale:
        inverse[:, -1, :] = inverse[:, :, -1] = 0.0
    chain = np.zeros((batch, size, size))
    diagonal = np.arange(size - 1)
    chain[:, diagonal, diagonal] = 1.0 / a[:, None]
    chain[:, :-1, -1] = -params[:, :-1] / a[:, None] ** 2
    chain[:, -1, -1] = -1.0 / a
    return chain @ inverse @ np.swapaxes(chain, 1, 2)
