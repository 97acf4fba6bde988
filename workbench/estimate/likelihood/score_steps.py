"""Where does a maximum move to, by one Newton step, when lives are weighted anew or priors are centred elsewhere?"""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.likelihood.aft_likelihood import PriorCentre, evaluate_penalty, gradients_of, point_slopes
from workbench.estimate.likelihood.ascent import direction_of, longest_of, objective_of
from workbench.estimate.likelihood.problem import POINTS_AT_ONCE, AftBatch, AftProblem, batch_from, params_of

__all__ = ["Expansion", "expand", "step_from"]

MOST_STRETCHED = 1.5
"""Most that one step over score sums changes the log of the scale."""
FARTHEST = 100.0
"""Change of a parameter from which on a step over score sums is no place to begin a climb from."""


@dataclass(frozen=True, eq=False)
class Expansion:
    """A fit with the slope of each point there, and the curvature that all points and the prior have together.

    A step from it costs no likelihood: slopes are summed with other weights, and solved with the one curvature.

    Attributes
    ----------
    problem : AftProblem
        What was fitted.
    params : np.ndarray, shape (p,)
        Parameters of the fit.
    slopes : tuple of np.ndarray, shape (N,)
        Of each point, in its location / scale and in 1 / scale.
    inverse : np.ndarray, shape (p, p)
        Of the negative curvature.
    """

    problem: AftProblem
    params: np.ndarray
    slopes: tuple[np.ndarray, np.ndarray]
    inverse: np.ndarray

    def score_sums(self, points: np.ndarray) -> np.ndarray:
        """Slope of the log-likelihood under other weights.

        Shapes: points (B, N), returns (B, p).
        """
        return gradients_of(self.problem.layout, self.slopes, points)

    def score_spread(self, weight: np.ndarray, cluster: np.ndarray | None = None) -> np.ndarray:
        """Covariance of the score sums when lives are weighted by Gamma variables of their own, or one per cluster.

        Shapes: weight (n,), cluster (n,) of numbers from 0, returns (p, p).
        """
        cells, design = self.problem.cells, self.problem.layout.design
        location, shape = self._slopes_of_cells()
        if cluster is not None:
            rows = cells.cell_of
            parts = [weight * location[rows] * column[cells.pattern[rows]] for column in design.T]
            sums = np.stack([np.bincount(cluster, part) for part in (*parts, weight * shape[rows])])
            return np.asarray(sums @ sums.T)
        units = cells.fold(weight[None, :]).single
        spread = np.empty(self.inverse.shape)
        within, across = (
            np.bincount(cells.pattern, units * location * other, len(design)) for other in (location, shape)
        )
        spread[:-1, :-1] = design.T @ (within[:, None] * design)
        spread[-1, :-1] = spread[:-1, -1] = across @ design
        spread[-1, -1] = units @ shape**2
        return spread

    def _slopes_of_cells(self) -> tuple[np.ndarray, np.ndarray]:
        """Slopes of whole cells, late entries taken off; shape (m,), (m,)."""
        layout, size = self.problem.layout, len(self.problem.cells.pattern)
        location, shape = (np.bincount(layout.cell, layout.sign * slope, size) for slope in self.slopes)
        return location, shape

    def stepped(self, sums: np.ndarray, centre: PriorCentre) -> np.ndarray:
        """Parameters after one step along score sums, with priors centred anew.

        The step is taken in effects and log scale, in which the prior of the effects is a parabola.

        Shapes: sums (B, p), returns (B, p).
        """
        begun = np.tile(self.params, (len(sums), 1))
        if self.problem.has_prior:
            precision, shape_precision = self.problem.precision, self.problem.shape_precision
            sums = sums + evaluate_penalty(precision, centre, begun, shape_precision=shape_precision)[1]
        step = sums @ self.inverse
        a = self.params[-1]
        moved = (step[:, :-1] - self.params[:-1] / a * step[:, -1:]) / a
        scale = a * np.exp(np.clip(step[:, -1:] / a, -MOST_STRETCHED, MOST_STRETCHED))
        return np.concatenate([(self.params[:-1] / a + moved) * scale, scale], axis=1)

    def begun(self, points: np.ndarray, centre: PriorCentre) -> np.ndarray:
        """Where to begin the climbs under other weights and centres: a step on, unless it leads far off.

        Shapes: points (B, N), returns (B, p).
        """
        begun = self.stepped(self.score_sums(points), centre)
        lost = ~(np.abs(begun - self.params).max(axis=1) < FARTHEST)
        begun[lost] = self.params
        return begun


def expand(
    problem: AftProblem, fit: AftBatch, *, weights: np.ndarray, free_scale: bool, centre: PriorCentre | None = None
) -> Expansion | None:
    """Return the expansion around a fit under weights of lives; None where the fit or its curvature is no answer.

    Shapes: weights (n,).
    """
    params = params_of(problem, fit, 1)
    if params is None:
        return None
    points = problem.layout.points_of(problem.cells.fold(weights[None, :]))
    centre = PriorCentre.at_zero(1, problem.columns) if centre is None else centre
    with np.errstate(all="ignore"):
        value, _, curvature = objective_of(problem, points, centre, params=params, free_scale=free_scale)
        slopes = point_slopes(problem.layout, problem.family, params[0])
    if not (np.isfinite(value[0]) and all(np.isfinite(v).all() for v in slopes)):
        return None
    size = len(curvature[0])
    inverse = direction_of(np.eye(size), np.broadcast_to(curvature, (size, size, size)))[0]
    if not free_scale:
        inverse[-1, :] = inverse[:, -1] = 0.0
    return Expansion(problem, params[0], slopes, 0.5 * (inverse + inverse.T))


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
        params = params_of(problem, fit, len(points))
        if params is None:
            params = np.full((len(points), problem.columns + 2), np.nan)
        centre = PriorCentre.at_zero(len(points), problem.columns)
        with np.errstate(all="ignore"):
            value, gradient, curvature = objective_of(problem, points, centre, params=params, free_scale=free_scale)
            made = np.isfinite(value)
            step = np.full(params.shape, np.nan)
            step[made] = direction_of(gradient[made], curvature[made])[0]
            parts.append(params + longest_of(params, step)[:, None] * step)
    params = np.concatenate(parts)
    return batch_from(problem, params, np.isfinite(params).all(axis=1))
