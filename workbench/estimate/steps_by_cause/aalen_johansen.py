"""Aalen-Johansen: counts of one group in, cumulative incidence of one cause with its variance and limits out."""

import numpy as np

from workbench.estimate.steps import curve_limits

__all__ = ["incidence_curve", "incidence_limits"]


def incidence_curve(at_risk: np.ndarray, own: np.ndarray, every: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cumulative incidence of one cause and its standard error.

    The variance is that of the Aalen-Johansen estimator with multinomial increments (equal to the infinitesimal
    jackknife): an increment of cause l at u moves F(t) by S(u-) if l is the cause, less (F(t) - F(u)) / (1 - d/n).

    Shapes: at_risk (m,), own, every (m,), returns (m,).

    References
    ----------
    Aalen & Johansen (1978), Scand. J. Stat. 5, 141-150; Andersen, Borgan, Gill & Keiding (1993), Statistical Models
    Based on Counting Processes, IV.4 (multinomial increments).
    """
    n = np.maximum(at_risk.astype(float), 1.0)
    d, e = own / n, every / n
    after = np.cumprod(1.0 - e)
    before = np.concatenate([[1.0], after[:-1]]) if after.size else after
    incidence = np.cumsum(before * d)
    # with b = (F(t) - F(u)) / (1 - e(u)) a day adds (d (a - b)^2 + (e - d) b^2 - (d a - e b)^2) / n, a = S(u-)
    inner = 1.0 / np.where(e < 1.0, 1.0 - e, 1.0)  # where e is 1 it meets a factor 0 below
    flat = before**2 * d * (1.0 - d) / n
    slope = before * d * (1.0 - e) * inner / n
    bend = e * (1.0 - e) * inner**2 / n
    t = incidence
    c0 = np.cumsum(flat + 2 * slope * t + bend * t**2)
    c1 = np.cumsum(slope + bend * t)
    c2 = np.cumsum(bend)
    variance = c0 - 2 * c1 * t + c2 * t**2
    return incidence, np.sqrt(np.maximum(variance, 0.0))


def incidence_limits(
    incidence: np.ndarray, std_error: np.ndarray, at_risk: np.ndarray, *, confidence: float
) -> tuple[np.ndarray, np.ndarray]:
    """Pointwise limits of a cumulative incidence, log(-log) on 1 - F.

    Shapes: incidence, std_error (m,), at_risk (m,), returns (m,).

    References
    ----------
    Choudhury (2002), Stat. Med. 21, 1129-1144.
    """
    other = 1.0 - incidence
    other[incidence > 1.0 - 1e-12] = 0.0
    spread = (std_error / np.where(other > 0, other, 1.0)) ** 2
    low, high = curve_limits(other, spread, at_risk, confidence=confidence, interval="log-log")
    return 1.0 - high, 1.0 - low
