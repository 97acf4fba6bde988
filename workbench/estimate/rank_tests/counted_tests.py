"""Counted tests: counts at failure times by group and stratum in, observed minus expected and its variance out."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.rank_tests.rank_weights import time_weights
from workbench.estimate.shared import eigen_of
from workbench.estimate.steps import RiskSets

__all__ = ["ScoreEvidence", "chi_square", "counted_evidence", "counted_pairs", "tables_of", "whitening"]

_BLOCK = 2_000_000


@dataclass(frozen=True, eq=False)
class ScoreEvidence:
    """What a rank test rests on, for g groups.

    Attributes
    ----------
    excess : np.ndarray, shape (g,)
        Weighted failures observed minus expected.
    variance : np.ndarray, shape (g, g)
        Its variance under no difference.
    expected : np.ndarray, shape (g,)
        Failures expected by the log-rank test, whatever the weight.
    """

    excess: np.ndarray
    variance: np.ndarray
    expected: np.ndarray


def counted_evidence(
    strata: list[tuple[np.ndarray, np.ndarray]], weight: str, rho: float, *, gamma: float
) -> ScoreEvidence:
    """Weighted log-rank evidence with hypergeometric variance, summed over strata.

    Shapes: strata (g, k).

    References
    ----------
    Mantel (1966), Cancer Chemother. Rep. 50, 163-170; Tarone & Ware (1977), Biometrika 64, 156-160.
    """
    groups = strata[0][0].shape[0]
    excess, variance, expected = np.zeros(groups), np.zeros((groups, groups)), np.zeros(groups)
    for at_risk, failures in strata:
        n, d = at_risk.sum(axis=0), failures.sum(axis=0)
        w = time_weights(n, d, weight, rho=rho, gamma=gamma)
        hazard = d / n
        expected += at_risk @ hazard
        excess += failures @ w - at_risk @ (w * hazard)
        spread = w * w * hazard * (n - d) / (np.maximum(n - 1.0, 1.0) * n)
        shared = at_risk * spread
        variance += np.diag(shared @ n) - shared @ at_risk.T
    return ScoreEvidence(excess, variance, expected)


def counted_pairs(
    strata: list[tuple[np.ndarray, np.ndarray]], pairs: np.ndarray, weight: str, *, rho: float, gamma: float
) -> np.ndarray:
    """Chi-square of each pair of groups, the others left out.

    Shapes: pairs (p, 2), returns (p,).
    """
    excess, variance = np.zeros(len(pairs)), np.zeros(len(pairs))
    for at_risk, failures in strata:
        step = max(1, _BLOCK // max(at_risk.shape[1], 1))
        for start in range(0, len(pairs), step):
            block = slice(start, start + step)
            a, b = pairs[block, 0], pairs[block, 1]
            n_a, d_a = at_risk[a], failures[a]
            n, d = n_a + at_risk[b], d_a + failures[b]
            w = time_weights(n, d, weight, rho=rho, gamma=gamma)
            share = n_a / np.maximum(n, 1.0)
            excess[block] += np.sum(w * (d_a - d * share), axis=1)
            spread = w * w * d * (n - d) / np.maximum(n - 1.0, 1.0)
            variance[block] += np.sum(spread * share * (1.0 - share), axis=1)
    return np.where(variance > 0, excess**2 / np.where(variance > 0, variance, 1.0), np.nan)


def tables_of(counts: RiskSets, groups: int, strata: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Units at risk and failures of each group at each failure time of its stratum.

    Shapes: returns (groups, k).
    """
    tables = []
    for s in range(strata):
        rows = slice(int(counts.bounds[s * groups]), int(counts.bounds[(s + 1) * groups]))
        hit = counts.failures[rows] > 0
        if not hit.any():
            continue
        days = np.unique(counts.time[rows][hit])
        at_risk, failures = np.empty((groups, days.size)), np.zeros((groups, days.size))
        for g in range(groups):
            number = s * groups + g
            at_risk[g] = counts.count_at(number, days)
            mine = counts.rows(number)
            own = counts.failures[mine] > 0
            failures[g, np.searchsorted(days, counts.time[mine][own])] = counts.failures[mine][own]
        tables.append((at_risk, failures))
    return tables or [(np.zeros((groups, 0)), np.zeros((groups, 0)))]


def whitening(variance: np.ndarray, contrast: np.ndarray | None = None) -> np.ndarray:
    """Matrix that turns an excess into independent standard normal parts under no difference.

    Shapes: variance (g, g), contrast (g,), returns (g, r).
    """
    if contrast is not None:
        spread = float(contrast @ variance @ contrast)
        largest = float(np.abs(variance).max(initial=0.0)) * float(contrast @ contrast)
        return (contrast / np.sqrt(spread))[:, None] if spread > 1e-12 * largest else np.zeros((len(contrast), 0))
    values, vectors = eigen_of(variance)
    kept = values > 1e-10 * max(float(values[-1]), 1e-300)
    return np.asarray(vectors[:, kept] / np.sqrt(values[kept]))


def chi_square(statistic: float | np.ndarray, degrees: int) -> np.ndarray:
    """Upper tail of the chi-square distribution."""
    from scipy.special import chdtrc

    values = np.asarray(statistic, dtype=float)
    return chdtrc(degrees, values) if degrees > 0 else np.full(values.shape, np.nan)
