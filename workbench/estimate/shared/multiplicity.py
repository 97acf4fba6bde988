"""Multiplicity: p values of several comparisons in, p values that account for having looked at all of them out."""

from typing import Any

import numpy as np

__all__ = ["adjusted_by_holm"]


def adjusted_by_holm(p_values: Any) -> np.ndarray:
    """Holm's step-down adjustment.

    Shapes: p_values (m,), returns (m,).

    References
    ----------
    Holm (1979), Scand. J. Stat. 6, 65-70.

    Examples
    --------
    >>> adjusted_by_holm([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    p = np.asarray(p_values, dtype=float)
    adjusted = np.full(p.shape, np.nan)
    known = np.flatnonzero(np.isfinite(p))
    order = known[np.argsort(p[known], kind="stable")]
    adjusted[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(order.size, 0, -1)), 1.0)
    return adjusted
