"""Which model of which lives is to be fitted, and what is a fit of it?

log life = intercept + x · coefficients + scale · z, with z of a standard family (Weibull, exponential, lognormal,
log-logistic). Rows that are alike in covariates and times are one cell with the sum of their weights.
"""

from dataclasses import dataclass, replace

import numpy as np

from workbench.errors import EstimateError
from workbench.estimate.likelihood.aft_layout import Cells, Layout, cells_of, layout_of
from workbench.estimate.likelihood.families import Family, family_of
from workbench.estimate.likelihood.patterns import cell_patterns, patterns_from

__all__ = ["POINTS_AT_ONCE", "AftBatch", "AftProblem", "batch_from", "params_of"]

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
        layout = replace(self.layout, patterns=patterns_from(self.layout.design[:, 1:][:, used]))
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


def params_of(problem: AftProblem, fit: AftBatch, size: int) -> np.ndarray | None:
    """Parameters of one fit, for `size` others to begin from; None where it is no answer."""
    ((scale,), (intercept,), (coefficients,)) = fit.scale, fit.intercept, fit.coefficients
    params = np.r_[intercept - problem.shift, coefficients, 1.0]
    params = params * (1.0 / scale)
    return np.tile(params, (size, 1)) if fit.converged[0] and np.isfinite(params).all() else None


def batch_from(problem: AftProblem, params: np.ndarray, made: np.ndarray) -> AftBatch:
    """Fits that parameters stand for, without log-likelihood; `made` (B,) says which of them count."""
    a = params[:, -1]
    nothing = np.full(len(a), np.nan)
    return AftBatch(params[:, 1:-1] / a[:, None], params[:, 0] / a + problem.shift, 1.0 / a, nothing, made)
