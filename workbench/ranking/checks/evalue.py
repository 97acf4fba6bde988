"""E-value: how strong an unrecorded difference between units would have to be to explain an association away."""

import numpy as np

__all__ = ["e_value", "e_value_of_interval"]


def e_value(risk_ratio: np.ndarray | float) -> np.ndarray:
    """Return the E-value of risk ratios.

    An unrecorded circumstance would have to go with both the protection level and the failure by a risk ratio of at
    least this much, above everything recorded, to explain the whole association; a weaker one could not.

    Shapes: risk_ratio (k,), returns (k,).

    References
    ----------
    VanderWeele & Ding (2017), Annals of Internal Medicine 167, 268-274.

    Examples
    --------
    >>> e_value([3.9, 0.8, 1.0]).round(2)
    array([7.26, 1.81, 1.  ])
    """
    ratio = np.atleast_1d(np.asarray(risk_ratio, dtype=float))
    known = np.isfinite(ratio) & (ratio > 0)
    away = np.where(known, ratio, 1.0)
    away = np.maximum(away, 1.0 / away)
    return np.where(known, away + np.sqrt(away * (away - 1.0)), np.nan)


def e_value_of_interval(lower: np.ndarray | float, upper: np.ndarray | float) -> np.ndarray:
    """Return the E-value of the limit nearer 1; 1 where the limits hold 1.

    Shapes: lower, upper (k,), returns (k,).

    References
    ----------
    VanderWeele & Ding (2017), Annals of Internal Medicine 167, 268-274.

    Examples
    --------
    >>> e_value_of_interval([0.71, 0.9], [0.91, 1.2]).round(2)
    array([1.43, 1.  ])
    """
    low = np.atleast_1d(np.asarray(lower, dtype=float))
    high = np.atleast_1d(np.asarray(upper, dtype=float))
    nearer = np.where(low > 1.0, low, np.where(high < 1.0, high, 1.0))
    return np.where(np.isfinite(low) & np.isfinite(high), e_value(nearer), np.nan)
