"""Fits of location-scale survival models: one, or one to each of a thousand weighted replicates."""

import numpy as np

from workbench.estimate.likelihood.aft_likelihood import PriorCentre, evaluate_penalty
from workbench.estimate.likelihood.ascent import Summit, climb, objective_of
from workbench.estimate.likelihood.problem import POINTS_AT_ONCE, AftBatch, AftProblem, params_of
from workbench.estimate.likelihood.score_steps import expand

__all__ = ["fit_batch"]

PLATEAU = 1e-7
"""Information a unit of weight about a coefficient under which late entries have led to a plateau, not a maximum."""


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

    `start` is one fit, from which all begin, several of them a step over score sums on. Without `centre` the priors are
    centred at no effect and shape 1.

    Shapes: weights (B, n), scale (B,).
    """
    weights = np.atleast_2d(np.asarray(weights, dtype=float))
    batch, k = weights.shape[0], problem.columns
    centre = PriorCentre.at_zero(batch, k) if centre is None else centre
    fixed = problem.family.fixed_scale if scale is None else scale
    if start is None and batch > 1:
        held_once = None if fixed is None else float(np.ravel(fixed)[0])
        start = fit_batch(problem, weights.mean(axis=0), centre.mean(), scale=held_once)
    around = None
    if start is not None and batch > 1:
        around = expand(problem, start, weights=weights.mean(axis=0), free_scale=fixed is None, centre=centre.mean())
    chunk = max(1, POINTS_AT_ONCE // max(1, weights.shape[1]))
    parts = []
    for begin in range(0, batch, chunk):
        rows = slice(begin, min(begin + chunk, batch))
        points = problem.layout.points_of(problem.cells.fold(weights[rows]))
        if around is not None:
            begun = around.begun(points, centre.take(rows))
        else:
            begun = _begin(problem, points, None if start is None else params_of(problem, start, len(points)))
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
        summit = climb(problem, points, centre, begun=begun, free_scale=free_scale)
        again = np.flatnonzero(~_no_plateau(problem, points, summit))
        if again.size:
            anew = _begin(problem, points[again], None)
            if not free_scale:
                anew[:, :-1] *= (begun[again, -1] / anew[:, -1])[:, None]
                anew[:, -1] = begun[again, -1]
            renewed = climb(problem, points[again], centre.take(again), begun=anew, free_scale=free_scale)
            summit = summit.replaced(again, renewed)
        params, value, converged = summit.params, summit.value, _no_plateau(problem, points, summit)
        a = params[:, -1:]
        if problem.has_prior:
            value = (
                value - evaluate_penalty(problem.precision, centre, params, shape_precision=problem.shape_precision)[0]
            )
        exact = problem.layout.kinds[0]
        value = value - points[:, exact] @ (problem.layout.near[exact] + problem.shift)
        intercept = params[:, 0] / a[:, 0] + problem.shift
        matrix = None
        if covariance:
            curvature = objective_of(problem, points, centre, params=params, free_scale=free_scale)[2]
            matrix = _covariance(curvature, params, free_scale)
        return params[:, 1:-1] / a, intercept, 1.0 / a[:, 0], value, converged, matrix


def _no_plateau(problem: AftProblem, points: np.ndarray, summit: Summit) -> np.ndarray:
    """Whether each climb has reached a maximum, and no mere plateau as late entries can make; shape (B,)."""
    if not problem.layout.has_entry:
        return summit.converged
    size = problem.layout.sums(np.abs(points)) @ problem.layout.design**2
    return np.asarray(summit.converged & (summit.information[:, :-1] >= PLATEAU * size).all(axis=1))


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
