"""Rank weights: counts at failure times in, the weight of each time or the score of each unit in a test out."""

import numpy as np

from workbench.estimate.steps import RiskSets

__all__ = ["WEIGHTS", "average_scores", "time_weights", "unit_scores"]

WEIGHTS = ("logrank", "gehan", "tarone-ware", "peto", "fleming-harrington")
"""Weights for exact and right-censored lives."""


def time_weights(at_risk: np.ndarray, failures: np.ndarray, weight: str, *, rho: float, gamma: float) -> np.ndarray:
    """Weight of each failure time in a weighted log-rank test.

    Shapes: at_risk, failures (..., k), returns (..., k).

    References
    ----------
    Gehan (1965), Biometrika 52, 203-223; Tarone & Ware (1977), Biometrika 64, 156-160; Peto & Peto (1972), J. R.
    Stat. Soc. A 135, 185-207; Fleming & Harrington (1991), Counting Processes and Survival Analysis, ch. 7.
    """
    if weight == "logrank":
        return np.ones(np.shape(at_risk))
    if weight == "gehan":
        return at_risk
    if weight == "tarone-ware":
        return np.asarray(np.sqrt(at_risk))
    if weight == "peto":
        return np.cumprod(1.0 - failures / (at_risk + 1.0), axis=-1)
    survival = np.cumprod(1.0 - failures / np.maximum(at_risk, 1.0), axis=-1)
    before = np.ones(np.shape(at_risk))
    before[..., 1:] = survival[..., :-1]
    return before**rho * (1.0 - before) ** gamma


def unit_scores(
    pooled: RiskSets, time: np.ndarray, failed: np.ndarray, *, weight: str, rho: float, gamma: float
) -> np.ndarray:
    """Score of each life: its weight if it failed, minus the weighted hazard it has lived through.

    Shapes: time (n,), failed (n,), returns (n,).
    """
    hit = pooled.failures > 0
    days, n, d = pooled.time[hit], pooled.at_risk[hit].astype(float), pooled.failures[hit].astype(float)
    return _looked_up(days, time_weights(n, d, weight, rho=rho, gamma=gamma), d / n, time=time, failed=failed)


def average_scores(
    pooled: RiskSets, time: np.ndarray, failed: np.ndarray, *, weight: str, rho: float, gamma: float
) -> np.ndarray:
    """Scores with ties broken in every order and averaged, as exact tests use them.

    Shapes: returns (n,).

    References
    ----------
    Hothorn & Lausen (2003), Comput. Stat. Data Anal. 43, 121-137 (scores under ties).
    """
    hit = pooled.failures > 0
    days, n, d = pooled.time[hit], pooled.at_risk[hit], pooled.failures[hit]
    first = np.cumsum(d) - d
    turn = np.arange(int(d.sum())) - np.repeat(first, d)
    left = (np.repeat(n, d) - turn).astype(float)
    weights = time_weights(left, np.ones(left.size), weight, rho=rho, gamma=gamma)
    lived = np.cumsum(weights / left)
    failure_score = np.add.reduceat(weights - lived, first) / d if d.size else np.zeros(0)
    after = np.append(0.0, lived[first + d - 1]) if d.size else np.zeros(1)
    place = np.searchsorted(days, time, side="right")
    scores = -after[place]
    scores[failed] = failure_score[place[failed] - 1]
    return scores


def _looked_up(
    days: np.ndarray, weights: np.ndarray, hazard: np.ndarray, *, time: np.ndarray, failed: np.ndarray
) -> np.ndarray:
    lived = np.append(0.0, np.cumsum(weights * hazard))
    place = np.searchsorted(days, time, side="right")
    scores = -lived[place]
    scores[failed] += weights[place[failed] - 1]
    return scores
