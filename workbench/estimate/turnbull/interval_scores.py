"""Interval scores: interval-censored lives in, the score of each in a test of equal life out."""

import numpy as np

from workbench.estimate.turnbull.interval_curves import mass_of
from workbench.lives import Lives

__all__ = ["interval_scores"]


def interval_scores(lives: Lives, kind: str) -> np.ndarray:
    """Score of each life against the curve of all lives together.

    Shapes: returns (n,).

    References
    ----------
    Sun (1996), Stat. Med. 15, 1387-1395; Finkelstein (1986), Biometrics 42, 845-854; Fay (1999), Stat. Med. 18,
    273-285 (both as scores).
    """
    fitted = mass_of(lives.lower, lives.upper, lives.entry, weight=lives.weight)
    cells, share = fitted.cells, fitted.hazard
    begin = np.searchsorted(fitted.ends, np.arange(len(share)), side="left")
    starts = np.append(0, fitted.ends[:-1] + 1)
    before, level = np.ones(len(share)), np.zeros(len(share))
    after, level_after = np.zeros(len(share)), np.zeros(len(share))
    for segment, start in enumerate(starts):
        rows = slice(int(start), int(fitted.ends[segment]) + 1)
        after[rows] = np.cumprod(1.0 - share[rows])
        before[rows] = np.append(1.0, after[rows][:-1])
        if kind == "sun":
            level_after[rows] = np.cumsum(share[rows])
        else:
            level_after[rows] = -np.log(np.where(after[rows] > 0, after[rows], 1.0))
        level[rows] = np.append(0.0, level_after[rows][:-1])
    first = cells.first
    last = np.minimum(cells.last, fitted.ends[begin[first]])
    low, high = before[first], after[last]
    lived = (low * level[first] - high * level_after[last]) / (low - high)
    return np.asarray(level[cells.entered] - lived)
