"""Residuals of a proportional-hazards fit: of each life, and of each failure time."""

import numpy as np

from workbench.estimate.cox.partial_likelihood import PartialLikelihood

__all__ = ["cluster_scores", "martingale_residuals", "schoenfeld_residuals", "score_residuals"]


def martingale_residuals(likelihood: PartialLikelihood, coefficients: np.ndarray) -> np.ndarray:
    """Return failures less expected failures of each life.

    Shapes: coefficients (k,), returns (n,).

    References
    ----------
    Therneau & Grambsch (2000), Modeling Survival Data, ch. 4 and App. E (Efron's form).
    """
    table = likelihood.table
    _, hazard = likelihood.relative_hazard(coefficients)
    parts = likelihood.times(table.sums(hazard), table.failed @ hazard)
    expected = table.over_lives(parts.hazard)
    expected[table.event] -= parts.hazard_tied[table.last[table.event]]
    return np.asarray(table.event - hazard[table.pattern] * expected)


def score_residuals(likelihood: PartialLikelihood, coefficients: np.ndarray) -> np.ndarray:
    """Return what each life adds to the score, its share in everybody's expectation included.

    Shapes: coefficients (k,), returns (n, k).

    References
    ----------
    Lin & Wei (1989), J. Am. Stat. Assoc. 84, 1074-1078; Therneau & Grambsch (2000), App. E (Efron's form).
    """
    table, x = likelihood.table, likelihood.columns
    _, hazard = likelihood.relative_hazard(coefficients)
    both = hazard[:, None] * np.column_stack([np.ones_like(hazard), x])
    sums, tied = table.sums(both), table.failed @ both
    parts = likelihood.times(sums[:, 0], tied[:, 0])
    event, at = table.event, table.last[table.event]
    plain = table.over_lives(parts.hazard)
    plain[event] -= parts.hazard_tied[at]
    r = hazard[table.pattern]
    result = np.empty((len(table.pattern), x.shape[1]))
    for j in range(x.shape[1]):
        s, f = sums[:, j + 1], tied[:, j + 1]
        mean = (parts.hazard * s - parts.hazard_tied * f) / np.maximum(likelihood.deaths, 1.0)
        drift = table.over_lives(parts.square * s - parts.cross * f)
        drift[event] -= (parts.cross * s - parts.square_tied * f)[at]
        own = x[table.pattern, j]
        result[:, j] = r * (drift - own * plain)
        result[event, j] += own[event] - mean[at]
    return result


def cluster_scores(residuals: np.ndarray, weight: np.ndarray, clusters: np.ndarray) -> np.ndarray:
    """Sum weighted residuals over each cluster.

    Shapes: residuals (n, k), weight (n,), clusters (n,), returns (g, k).
    """
    count = int(clusters.max(initial=-1)) + 1
    columns = [np.bincount(clusters, weights=weight * column, minlength=count) for column in residuals.T]
    return np.column_stack(columns)


def schoenfeld_residuals(likelihood: PartialLikelihood, coefficients: np.ndarray) -> np.ndarray:
    """Return, per failure time, the covariates of those who failed less their expectation, summed over the failures.

    Shapes: coefficients (k,), returns (m, k).

    References
    ----------
    Schoenfeld (1982), Biometrika 69, 239-241.
    """
    table, x = likelihood.table, likelihood.columns
    _, hazard = likelihood.relative_hazard(coefficients)
    both = hazard[:, None] * np.column_stack([np.ones_like(hazard), x])
    sums, tied = table.sums(both), table.failed @ both
    parts = likelihood.times(sums[:, 0], tied[:, 0])
    expected = parts.hazard[:, None] * sums[:, 1:] - parts.hazard_tied[:, None] * tied[:, 1:]
    return np.asarray(np.asarray(table.failed @ x) - expected)
