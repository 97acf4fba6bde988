"""Where is the (penalised) likelihood highest? Damped Newton, one fit or a thousand weighted replicates at once."""

from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dposv

from workbench.estimate.likelihood.aft_likelihood import PriorCentre, evaluate_likelihood, evaluate_penalty
from workbench.estimate.likelihood.problem import AftProblem
from workbench.estimate.shared import eigen_of

__all__ = ["Summit", "climb", "direction_of", "longest_of", "objective_of"]

MOST_ROUNDS = 200
"""Evaluations after which a replicate is given up."""
ENOUGH = 1e-9
"""Newton decrement (twice the log-likelihood still to gain) at which the last step is taken."""
LEAST_EIGENVALUE = 1e-12
"""Of a curvature scaled to a diagonal of ones, below which it is not solved but lifted."""


@dataclass(frozen=True, eq=False)
class Summit:
    """Where B climbs have ended.

    Attributes
    ----------
    params : np.ndarray, shape (B, p)
        Parameters after the last step.
    converged : np.ndarray of bool, shape (B,)
        Whether that is a maximum.
    value : np.ndarray, shape (B,)
        Objective there.
    information : np.ndarray, shape (B, p)
        Diagonal of the negative curvature before the last step.
    """

    params: np.ndarray
    converged: np.ndarray
    value: np.ndarray
    information: np.ndarray

    def replaced(self, rows: np.ndarray, other: "Summit") -> "Summit":
        """The same with some of the climbs ended elsewhere.

        Shapes: rows (m,) of numbers, other of m climbs.
        """
        names = ("params", "converged", "value", "information")
        parts = {name: getattr(self, name).copy() for name in names}
        for name in names:
            parts[name][rows] = getattr(other, name)
        return Summit(**parts)


def objective_of(
    problem: AftProblem, points: np.ndarray, centre: PriorCentre, *, params: np.ndarray, free_scale: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the penalised log-likelihood of log time, -inf where it is no number, and two derivatives.

    Shapes: points (B, N), params (B, p).
    """
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


def climb(
    problem: AftProblem, points: np.ndarray, centre: PriorCentre, *, begun: np.ndarray, free_scale: bool
) -> Summit:
    """Newton with shortened steps, each replicate at its own pace.

    Shapes: points (B, N), begun (B, p).

    References
    ----------
    Parameters in which the likelihood is concave: Burridge (1981), J. R. Stat. Soc. B 43, 41-45. Damped Newton with
    lifted eigenvalues: Nocedal & Wright, Numerical Optimization, ch. 3.
    """
    result, converged = begun.copy(), np.zeros(len(begun), dtype=bool)
    value, gradient, curvature = objective_of(problem, points, centre, params=begun, free_scale=free_scale)
    reached, known = value.copy(), _information(curvature)
    live = np.flatnonzero(np.isfinite(value))
    at, value = begun[live], value[live]
    step, gain = direction_of(gradient[live], curvature[live])
    length = longest_of(at, step)
    for _ in range(MOST_ROUNDS):
        done = gain < ENOUGH
        if done.any():
            ended = live[done]
            result[ended], converged[ended] = at[done] + length[done, None] * step[done], True
            reached[ended] = value[done] + 0.5 * gain[done]
        going = ~done & (length > 1e-12)
        if not going.any():
            break
        live, at, value, step, gain, length = (v[going] for v in (live, at, value, step, gain, length))
        here = (points, centre) if len(live) == len(points) else (points[live], centre.take(live))
        trial = at + length[:, None] * step
        tried, gradient, curvature = objective_of(problem, *here, params=trial, free_scale=free_scale)
        better = tried >= value + 1e-4 * length * gain - 1e-13 * np.abs(value)
        length[~better] *= 0.25
        at[better], value[better] = trial[better], tried[better]
        if better.any():
            known[live[better]] = _information(curvature[better])
            step[better], gain[better] = direction_of(gradient[better], curvature[better])
            length[better] = longest_of(at[better], step[better])
    return Summit(result, converged, reached, known)


def _information(curvature: np.ndarray) -> np.ndarray:
    return -np.diagonal(curvature, axis1=1, axis2=2)


def longest_of(params: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Return the longest step up to 1 that keeps 1 / scale within a factor of five.

    Shapes: params, step (B, p), returns (B,).
    """
    a, change = params[:, -1], step[:, -1]
    return np.asarray(np.minimum(1.0, np.where(change < 0, 0.8, 4.0) * a / np.maximum(np.abs(change), 1e-300)))


def direction_of(gradient: np.ndarray, curvature: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return Newton steps and decrements; where the curvature is not negative definite its eigenvalues are lifted.

    Shapes: gradient (B, p), curvature (B, p, p), returns (B, p), (B,).
    """
    size = 1.0 / np.sqrt(np.maximum(np.abs(np.diagonal(curvature, axis1=1, axis2=2)), 1e-300))
    scaled = -curvature * size[:, :, None] * size[:, None, :]
    slope = gradient * size
    step = np.empty_like(slope)
    solvable = scaled - LEAST_EIGENVALUE * np.eye(scaled.shape[1])
    # one factorisation answers both questions, whether there is a maximum and where, and is faster alone than stacked
    failed = np.zeros(len(slope), dtype=bool)
    for b, matrix in enumerate(solvable):
        _, step[b], failed[b] = dposv(matrix.T, slope[b], lower=1, overwrite_a=1)
    if failed.any():
        values, vectors = eigen_of(scaled[failed])
        lifted = np.maximum(np.abs(values), 1e-10 * np.abs(values).max(axis=1, keepdims=True))
        along = (slope[failed, None, :] @ vectors)[:, 0, :] / lifted
        step[failed] = (vectors @ along[:, :, None])[:, :, 0]
    return step * size, (step * slope).sum(axis=1)
