"""Log-likelihood of location-scale survival models with two derivatives, for a batch of weight vectors at once."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.likelihood.aft_layout import Layout
from workbench.estimate.likelihood.families import Family

__all__ = ["PriorCentre", "evaluate_likelihood", "evaluate_penalty", "gradients_of", "point_slopes"]


@dataclass(frozen=True, eq=False)
class PriorCentre:
    """Where the normal priors of B fits are centred.

    Attributes
    ----------
    effects : np.ndarray of float, shape (B, k)
        Of the effects on log time.
    log_shape : np.ndarray of float, shape (B,)
        Of the log of 1 / scale.
    """

    effects: np.ndarray
    log_shape: np.ndarray

    @classmethod
    def at_zero(cls, batch: int, columns: int) -> "PriorCentre":
        """Centres of no effect and shape 1."""
        return cls(np.zeros((batch, columns)), np.zeros(batch))

    def take(self, rows: np.ndarray | slice) -> "PriorCentre":
        """The centres of some of the fits."""
        return PriorCentre(self.effects[rows], self.log_shape[rows])

    def mean(self) -> "PriorCentre":
        """The mean of all centres, for one fit."""
        return PriorCentre(self.effects.mean(axis=0, keepdims=True), self.log_shape.mean(keepdims=True))


Pieces = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, tuple[np.ndarray, np.ndarray] | None]


def _pieces(layout: Layout, family: Family, params: np.ndarray) -> Pieces:
    """Value, slope and curvature of each point in z, cross term with 1 / scale, and what spans add to those of it."""
    exact, survived, ended, between, entry = layout.kinds
    shrinkage = params[:, -1:]
    location = layout.patterns.located(params[:, :-1])[:, layout.pattern]
    z = shrinkage * layout.near - location
    value, score, curve = np.empty_like(z), np.empty_like(z), np.empty_like(z)
    for part, pieces in (
        (exact, family.exact),
        (survived, family.survived),
        (ended, family.ended),
        (entry, family.survived),
    ):
        if part.stop > part.start:
            value[:, part], score[:, part], curve[:, part] = pieces(z[:, part])
    cross_near, far_terms = curve * layout.near, None
    if between.stop > between.start:
        z_far = shrinkage * layout.far - location[:, between]
        logged, d1, d2, d11, d12, d22 = family.between(z[:, between], z_far)
        near = layout.near[between]
        value[:, between], score[:, between] = logged, d1 + d2
        curve[:, between] = d11 + 2.0 * d12 + d22
        cross_near[:, between] = (d11 + d12) * near + (d12 + d22) * layout.far
        far_terms = (
            d2 * (layout.far - near),
            (d12 * near + d22 * layout.far) * (layout.far - near),
        )
    return value, score, curve, cross_near, far_terms


def point_slopes(layout: Layout, family: Family, params: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return by how much the log-likelihood of each point rises with its location / scale, and with 1 / scale.

    Shapes: params (p,), returns (N,), (N,); late entries count as points of weight 1.
    """
    _, score, _, _, far_terms = _pieces(layout, family, params[None, :])
    shape = score[0] * layout.near
    exact, between = layout.kinds[0], layout.kinds[3]
    shape[exact] += 1.0 / params[-1]
    if far_terms is not None:
        shape[between] += far_terms[0][0]
    return -score[0], shape


def gradients_of(layout: Layout, slopes: tuple[np.ndarray, np.ndarray], points: np.ndarray) -> np.ndarray:
    """Return the sums of slopes in each parameter, weighted anew for each of B fits.

    Shapes: slopes (N,), points (B, N), returns (B, p).
    """
    location, shape = slopes
    return np.column_stack([layout.patterns.slopes(layout.sums(points * location)), points @ shape])


def evaluate_likelihood(
    layout: Layout, family: Family, points: np.ndarray, *, params: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the log-likelihood of log time and its first and second derivatives.

    The parameters are (intercept / scale, effects / scale, 1 / scale), in which z = a y - x theta is linear, so that
    the log-likelihood without late entries is concave.

    Shapes: points (B, N) as of `Layout.points_of`, params (B, p), returns (B,).
    """
    exact, between = layout.kinds[0], layout.kinds[3]
    value, score, curve, cross_near, far_terms = _pieces(layout, family, params)
    value *= points
    score *= points
    curve *= points
    cross_near *= points
    failures = points[:, exact].sum(axis=1)
    a = params[:, -1]
    total = value.sum(axis=1) + failures * np.log(a)
    slope_a = score @ layout.near + failures / a
    curve_a = cross_near @ layout.near - failures / a**2
    if far_terms is not None:
        slope_a += (far_terms[0] * points[:, between]).sum(axis=1)
        curve_a += (far_terms[1] * points[:, between]).sum(axis=1)
    gradient, curvature = np.empty(params.shape), np.empty((*params.shape, params.shape[1]))
    gradient[:, :-1], gradient[:, -1] = -layout.patterns.slopes(layout.sums(score)), slope_a
    curvature[:, :-1, :-1] = layout.patterns.curvature(layout.sums(curve))
    curvature[:, :-1, -1] = curvature[:, -1, :-1] = -layout.patterns.slopes(layout.sums(cross_near))
    curvature[:, -1, -1] = curve_a
    return total, gradient, curvature


def evaluate_penalty(
    precision: np.ndarray, centre: PriorCentre, params: np.ndarray, *, shape_precision: float = 0.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the log density of normal priors on effects and log shape, with derivatives as of the likelihood.

    Shapes: precision (k,), params (B, k + 2), returns (B,).
    """
    a = params[:, -1:]
    effect = params[:, 1:-1] / a
    gap = effect - centre.effects
    pull = precision * gap
    size = params.shape[1]
    gradient, curvature = np.zeros(params.shape), np.zeros((*params.shape, size))
    gradient[:, 1:-1] = -pull / a
    gradient[:, -1] = (pull * effect / a).sum(axis=1)
    diagonal = np.arange(1, size - 1)
    curvature[:, diagonal, diagonal] = -precision / a**2
    curvature[:, 1:-1, -1] = curvature[:, -1, 1:-1] = precision * (effect + gap) / a**2
    curvature[:, -1, -1] = -(precision * (effect + 2.0 * gap) * effect / a**2).sum(axis=1)
    value = -0.5 * (pull * gap).sum(axis=1)
    if shape_precision:
        off = np.log(a[:, 0]) - centre.log_shape
        value -= 0.5 * shape_precision * off**2
        gradient[:, -1] -= shape_precision * off / a[:, 0]
        curvature[:, -1, -1] -= shape_precision * (1.0 - off) / a[:, 0] ** 2
    return value, gradient, curvature
