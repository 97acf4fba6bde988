"""Whether one life distribution follows the lives: observed against expected failures in spans of time."""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from workbench.estimate.life.life_forms import cumulative_hazard, log_hazard
from workbench.estimate.likelihood import Cells, CellWeights, log1mexp
from workbench.estimate.shared import eigen_of

__all__ = ["SpanCheck", "check_spans"]

LEAST_FAILURES = 10
"""Under this many failures no check is made (a judgement, no source)."""


@dataclass(frozen=True, eq=False)
class SpanCheck:
    """Score test that the failure rate of a fit is right in every span of time.

    Attributes
    ----------
    edges : np.ndarray, shape (s - 1,)
        Times between the spans.
    excess : np.ndarray, shape (s,)
        Failures seen less failures expected in each span (for intervals: their expectation given what is known).
    statistic, p_value : float
        Chi-square and its tail; NaN when there are too few failures.
    degrees_of_freedom : int
        Of the statistic.
    """

    edges: np.ndarray
    excess: np.ndarray
    statistic: float
    p_value: float
    degrees_of_freedom: int


def check_spans(
    distribution: str, coordinates: np.ndarray, covariance: np.ndarray, *, cells: Cells, folded: CellWeights
) -> SpanCheck:
    """Test a fitted distribution against one whose failure rate is multiplied by a free factor in each span of time.

    Shapes: coordinates (2,), covariance (2, 2).

    References
    ----------
    Score test with estimated parameters: Cox & Hinkley (1974), Theoretical Statistics, sec. 9.3; chi-square tests of
    parametric models for censored data: Akritas (1988), J. Am. Stat. Assoc. 83, 222-230.
    """
    weights = folded.single
    failures = float(weights[np.isfinite(cells.upper)].sum())
    if failures < LEAST_FAILURES:
        return SpanCheck(np.zeros(0), np.zeros(0), np.nan, np.nan, 0)
    edges = _span_edges(
        distribution, coordinates, cells, weights=weights, spans=3 if failures < 30 else 4 if failures < 80 else 5
    )
    free = np.flatnonzero(np.diag(covariance) > 0)
    spans = len(edges) + 1
    steps = np.r_[np.sqrt(np.diag(covariance)[free]), np.full(spans, np.sqrt(spans / failures))] * 1e-2

    def height(moves: np.ndarray) -> np.ndarray:
        at = np.tile(coordinates, (len(moves), 1))
        at[:, free] += moves[:, : len(free)]
        return _log_likelihood(distribution, at, moves[:, len(free) :], edges=edges, cells=cells, weights=weights)

    slope, information = _score_and_information(height, steps)
    k = len(free)
    excess = slope[k:]
    nuisance = np.linalg.solve(information[:k, :k], information[:k, k:])
    spread = information[k:, k:] - information[k:, :k] @ nuisance
    values, vectors = eigen_of(spread)
    seen = values > 1e-2 * np.diag(information)[k:].max()
    along = vectors[:, seen].T @ excess
    statistic, degrees = float(np.sum(along**2 / values[seen])), int(seen.sum())
    return SpanCheck(edges, excess, statistic, float(chdtrc(degrees, statistic)) if degrees else np.nan, degrees)


def _span_edges(
    distribution: str, coordinates: np.ndarray, cells: Cells, *, weights: np.ndarray, spans: int
) -> np.ndarray:
    """Times between spans in which the fit expects equally many failures among those at risk."""
    suspended = ~np.isfinite(cells.upper)
    end = np.where(suspended, cells.lower, 0.5 * (cells.lower + np.where(suspended, cells.lower, cells.upper)))
    grid = np.linspace(0.0, end.max(), 129)
    hazard = cumulative_hazard(distribution, coordinates[None, :], grid)[0]
    # lives at risk in each step of the grid
    leaving = np.bincount(np.searchsorted(grid, end), weights, len(grid))
    coming = np.bincount(np.searchsorted(grid, cells.entry), weights, len(grid))
    at_risk = np.cumsum(coming)[:-1] - np.cumsum(leaving)[:-1]
    expected = np.r_[0.0, np.cumsum(at_risk * np.diff(hazard))]
    edges = np.interp(np.arange(1, spans) / spans * expected[-1], expected, grid)
    wide = ~suspended & (cells.lower < cells.upper)
    if weights[wide].sum() > 0.5 * weights[~suspended].sum():
        # failures known to intervals only: spans end where intervals do
        looks = np.unique(cells.upper[wide])
        looks = looks[looks < end.max()] if (looks < end.max()).any() else looks[:1]
        edges = looks[np.abs(looks[:, None] - edges).argmin(axis=0)]
    return np.unique(edges)


def _log_likelihood(
    distribution: str,
    coordinates: np.ndarray,
    log_factors: np.ndarray,
    *,
    edges: np.ndarray,
    cells: Cells,
    weights: np.ndarray,
) -> np.ndarray:
    """Log-likelihood (b,) when the failure rate is multiplied by exp(log_factors) (b, s) span by span."""
    factors = np.exp(log_factors)
    bounds = np.r_[0.0, edges, np.inf]

    def hazard_by(t: np.ndarray) -> np.ndarray:
        total = np.zeros((len(coordinates), len(t)))
        before = np.zeros_like(total)
        for span, end in enumerate(bounds[1:]):
            until = cumulative_hazard(distribution, coordinates, np.minimum(t, end))
            total += factors[:, span : span + 1] * (until - before)
            before = until
        return total

    exact = cells.lower == cells.upper
    suspended, late = ~np.isfinite(cells.upper), cells.entry > 0
    between = ~exact & ~suspended
    t = cells.lower[exact]
    rate = log_hazard(distribution, coordinates, t) + log_factors[:, np.searchsorted(edges, t)]
    value = (rate - hazard_by(t)) @ weights[exact] - hazard_by(cells.lower[suspended]) @ weights[suspended]
    if between.any():
        low, high = hazard_by(cells.lower[between]), hazard_by(cells.upper[between])
        value += (log1mexp(high - low) - low) @ weights[between]
    if late.any():
        value += hazard_by(cells.entry[late]) @ weights[late]
    return np.asarray(value)


def _score_and_information(height, steps: np.ndarray) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[no-untyped-def]
    """First derivative and minus the second by central differences at zero, all evaluations in one call."""
    d = len(steps)
    first, second = np.triu_indices(d, 1)
    unit = np.diag(steps)
    moves = np.vstack([np.zeros((1, d)), unit, -unit, unit[first] + unit[second], -unit[first] - unit[second]])
    with np.errstate(all="ignore"):
        v = height(moves)
    middle, up, down = v[0], v[1 : d + 1], v[d + 1 : 2 * d + 1]
    both, neither = v[2 * d + 1 : 2 * d + 1 + len(first)], v[2 * d + 1 + len(first) :]
    information = np.diag((2.0 * middle - up - down) / steps**2)
    mixed = both + neither - up[first] - down[first] - up[second] - down[second] + 2.0 * middle
    information[first, second] = information[second, first] = -mixed / (2.0 * steps[first] * steps[second])
    return (up - down) / (2.0 * steps), information
