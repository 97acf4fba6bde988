"""Gamma lives: log-likelihood with any censoring and late entry, and its maximum."""

import numpy as np
from scipy.special import gammainc, gammaincc, gammaln

from workbench.estimate.likelihood import Cells, CellWeights

__all__ = ["gamma_log_likelihood", "gamma_log_survival", "maximise_gamma"]


def gamma_log_survival(coordinates: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Log of the share of gamma lives beyond t.

    Shapes: coordinates (b, 2), t (q,), returns (b, q).
    """
    shape, x = np.exp(coordinates[:, :1]), t / np.exp(coordinates[:, 1:])
    with np.errstate(all="ignore"):
        ended = gammainc(shape, x)
        return np.asarray(np.where(ended < 0.5, np.log1p(-ended), np.log(gammaincc(shape, x))))


def gamma_log_likelihood(cells: Cells, folded: CellWeights, coordinates: np.ndarray) -> np.ndarray:
    """Log-likelihood of gamma lives.

    Shapes: coordinates (b, 2), returns (b,).
    """
    weights = folded.single
    exact = cells.lower == cells.upper
    suspended = ~np.isfinite(cells.upper)
    between = ~exact & ~suspended
    shape, log_scale = np.exp(coordinates[:, :1]), coordinates[:, 1:]
    with np.errstate(all="ignore"):
        x = cells.lower[exact] / np.exp(log_scale)
        density = (shape - 1.0) * np.log(x) - x - log_scale - gammaln(shape)
        total = density @ weights[exact] + gamma_log_survival(coordinates, cells.lower[suspended]) @ weights[suspended]
        if between.any():
            low, high = cells.lower[between] / np.exp(log_scale), cells.upper[between] / np.exp(log_scale)
            early = low < shape
            share = np.where(
                early,
                gammainc(shape, high) - gammainc(shape, low),
                gammaincc(shape, low) - gammaincc(shape, high),
            )
            total += np.log(share) @ weights[between]
        late = cells.entry > 0
        if late.any():
            total -= gamma_log_survival(coordinates, cells.entry[late]) @ weights[late]
    return np.asarray(total)


def maximise_gamma(
    cells: Cells, folded: CellWeights, location: float, *, scale: float
) -> tuple[np.ndarray, np.ndarray, bool]:
    """Find the maximum of the gamma likelihood.

    Shapes: returns (2,).
    """
    from scipy.optimize import minimize

    def height(coordinates: np.ndarray) -> np.ndarray:
        value = gamma_log_likelihood(cells, folded, coordinates)
        return np.where(np.isfinite(value), value, -np.inf)

    shape = 1.0 / np.expm1(min(max(scale, 0.05), 2.0) ** 2)
    start = np.array([np.log(shape), location - np.log(max(shape, 0.3))])
    found = minimize(
        lambda c: min(-float(height(c[None, :])[0]), 1e300),
        start,
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 2000},
    )
    best = np.asarray(found.x)
    step = 1e-3
    for _ in range(3):  # Newton steps on differences take the last digits
        slope, curvature = _differences(height, best, step)
        if not np.isfinite(curvature).all() or np.linalg.eigvalsh(curvature)[-1] >= 0:
            return best, curvature, False
        move = np.linalg.solve(curvature, slope)
        better = best - move
        if np.abs(move).max() > 0.1 or height(better[None, :])[0] < height(best[None, :])[0] - 1e-9:
            break
        best = better
        step = min(1e-2, 0.05 / np.sqrt(np.abs(np.diag(curvature)).max()))
    curvature = _differences(height, best, step)[1]
    fine = np.isfinite(curvature).all() and np.linalg.eigvalsh(curvature)[-1] < 0 and np.abs(best[0]) < 9.0
    return best, curvature, bool(fine and found.success)


def _differences(height, best: np.ndarray, step: float) -> tuple[np.ndarray, np.ndarray]:  # type: ignore[no-untyped-def]
    moves = step * np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1], [1, 1], [1, -1], [-1, 1], [-1, -1]])
    v = height(best + moves)
    with np.errstate(invalid="ignore"):
        slope = np.array([v[1] - v[2], v[3] - v[4]]) / (2.0 * step)
        cross = (v[5] - v[6] - v[7] + v[8]) / (4.0 * step**2)
        down, up = (v[1] - 2 * v[0] + v[2]) / step**2, (v[3] - 2 * v[0] + v[4]) / step**2
    return slope, np.array([[down, cross], [cross, up]])
