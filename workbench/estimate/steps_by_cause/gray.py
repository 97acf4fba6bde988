"""Gray's test: does the cumulative incidence of one cause differ between groups, other causes being at work."""

import numpy as np
from scipy.special import chdtrc

__all__ = ["gray_scores", "gray_test"]


def gray_test(scores: np.ndarray, variance: np.ndarray) -> tuple[float, float, float]:
    """Turn summed scores and their variance into a chi-square test.

    Shapes: scores (g,), variance (g, g).
    """
    scale = np.abs(variance).max(initial=0.0)
    rank = int(np.linalg.matrix_rank(variance, tol=1e-9 * scale))
    if rank == 0:
        return float("nan"), float("nan"), float("nan")
    statistic = float(scores @ np.linalg.pinv(variance, rcond=1e-9, hermitian=True) @ scores)
    return statistic, float(rank), float(chdtrc(rank, max(statistic, 0.0)))


def gray_scores(at_risk: np.ndarray, own: np.ndarray, other: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sum Gray's scores (observed less expected failures of a cause) and their covariance over times.

    Shapes: at_risk, own, other (m, g), returns (g,).

    References
    ----------
    Gray (1988), Ann. Stat. 16, 1141-1154 (rho = 0), with the hypergeometric correction for ties.
    """
    g = at_risk.shape[1]
    scores, covariance = np.zeros(g), np.zeros((g, g))
    drift, mixed, spread = np.zeros((g, g)), np.zeros((g, g)), np.zeros(g)
    survival, incidence, pooled = np.ones(g), np.zeros(g), 0.0
    for y, d, e in zip(at_risk, own, other, strict=True):
        here = (y > 0) & (survival > 0)
        size = np.where(here, y / np.where(here, survival, 1.0), 0.0)
        total, failures = size.sum(), float(d[here].sum())
        if total == 0:
            continue
        if failures:
            share = size * (1.0 - incidence)
            scores += np.where(here, d, 0.0) - failures * share / share.sum()
        before = survival
        safe = np.where(here, y, 1.0)
        survival = np.where(here, before * (y - d - e) / safe, before)
        incidence = np.where(here, incidence + before * d / safe, incidence)
        now = pooled + failures / total
        slope = np.diag(size) - np.outer(size, size) / total
        if pooled < 1.0:
            drift = drift + slope * failures / (total * (1.0 - pooled))
        left = np.where(survival > 0, (1.0 - now) / np.where(survival > 0, survival, 1.0), 0.0)
        if failures:
            corrected = 1.0 - (failures - 1.0) / np.maximum(total * before - 1.0, 1e-300) if failures > 1 else 1.0
            weight = np.where(here, corrected * before * failures / (total * safe), 0.0)
            pull = 1.0 - left
            step = slope - drift * pull
            spread, mixed = spread + weight * pull**2, mixed + step * (weight * pull)
            covariance += (step * weight) @ step.T
        competing = here & (e > 0)
        if competing.any():
            corrected = np.where(e > 1, 1.0 - (e - 1.0) / np.maximum(y - 1.0, 1e-300), 1.0)
            weight = np.where(competing, corrected * before**2 * e / safe**2, 0.0)
            step = drift * left
            spread, mixed = spread + weight * left**2, mixed - step * (weight * left)
            covariance += (step * weight) @ step.T
        pooled = now
    cross = drift @ mixed.T
    return scores, covariance + (drift * spread) @ drift.T + cross + cross.T
