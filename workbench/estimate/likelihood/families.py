"""Standard location-scale families of log life: values, scores and curvatures of every kind of record at z."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, log_ndtr, ndtr, ndtri

from workbench.checks import check_one_of

__all__ = ["FAMILIES", "Family", "family_of", "log1mexp"]

Piece = tuple[np.ndarray, np.ndarray, np.ndarray]
HALF_LOG_TWO_PI = 0.5 * float(np.log(2 * np.pi))


@dataclass(frozen=True)
class Family:
    """One family of z = (log life - location) / scale; every function takes and returns arrays of one shape.

    Attributes
    ----------
    name : str
        As the caller names the life distribution.
    exact : function of z
        Log density of z, its first and its second derivative.
    survived : function of z
        Log of the share that lives beyond z, with two derivatives.
    ended : function of z
        Log of the share that has failed by z, with two derivatives.
    between : function of (z1, z2)
        Log of the share that fails between, with derivatives (value, d1, d2, d11, d12, d22).
    survival : function of z
        Share that lives beyond z.
    quantile : function of p
        z by which the share p has failed.
    fixed_scale : float or None
        Scale that belongs to the family (1 for the exponential).
    """

    name: str
    exact: Callable[[np.ndarray], Piece]
    survived: Callable[[np.ndarray], Piece]
    ended: Callable[[np.ndarray], Piece]
    between: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, ...]]
    survival: Callable[[np.ndarray], np.ndarray]
    quantile: Callable[[np.ndarray], np.ndarray]
    fixed_scale: float | None = None


def log1mexp(x: np.ndarray) -> np.ndarray:
    """Return log(1 - exp(-x)) for x > 0 without loss of digits.

    References
    ----------
    Maechler (2012), vignette "Accurately computing log(1 - exp(-|a|))".
    """
    return np.asarray(np.where(x < 0.6931471805599453, np.log(-np.expm1(-x)), np.log1p(-np.exp(-x))))


def _between_from(
    log_share: np.ndarray,
    log_pdf: tuple[np.ndarray, np.ndarray],
    slope: tuple[np.ndarray, np.ndarray],
) -> tuple[np.ndarray, ...]:
    f1, f2 = np.exp(log_pdf[0] - log_share), np.exp(log_pdf[1] - log_share)
    return log_share, -f1, f2, -f1 * (slope[0] + f1), f1 * f2, f2 * (slope[1] - f2)


# smallest extreme value: log life of the Weibull and the exponential


def _sev_exact(z: np.ndarray) -> Piece:
    rise = np.exp(z)
    return z - rise, 1.0 - rise, -rise


def _sev_survived(z: np.ndarray) -> Piece:
    fall = -np.exp(z)
    return fall, fall, fall


def _sev_ended(z: np.ndarray) -> Piece:
    rise = np.exp(z)
    value = log1mexp(rise)
    ratio = np.exp(z - rise - value)
    return value, ratio, ratio * (1.0 - rise - ratio)


def _sev_between(z1: np.ndarray, z2: np.ndarray) -> tuple[np.ndarray, ...]:
    h1, h2 = np.exp(z1), np.exp(z2)
    share = -h1 + log1mexp(h1 * np.expm1(z2 - z1))
    return _between_from(share, (z1 - h1, z2 - h2), (1.0 - h1, 1.0 - h2))


def _sev_survival(z: np.ndarray) -> np.ndarray:
    return np.asarray(np.exp(-np.exp(np.minimum(z, 700.0))))


def _sev_quantile(p: np.ndarray) -> np.ndarray:
    return np.asarray(np.log(-np.log1p(-p)))


# logistic: log life of the log-logistic


def _logistic_exact(z: np.ndarray) -> Piece:
    share = expit(z)
    return z - 2.0 * np.logaddexp(0.0, z), 1.0 - 2.0 * share, -2.0 * share * (1.0 - share)


def _logistic_survived(z: np.ndarray) -> Piece:
    share = expit(z)
    return -np.logaddexp(0.0, z), -share, -share * (1.0 - share)


def _logistic_ended(z: np.ndarray) -> Piece:
    share = expit(z)
    return -np.logaddexp(0.0, -z), 1.0 - share, -share * (1.0 - share)


def _logistic_between(z1: np.ndarray, z2: np.ndarray) -> tuple[np.ndarray, ...]:
    soft1, soft2 = np.logaddexp(0.0, z1), np.logaddexp(0.0, z2)
    share = z2 + log1mexp(z2 - z1) - soft1 - soft2
    return _between_from(share, (z1 - 2 * soft1, z2 - 2 * soft2), (1.0 - 2.0 * expit(z1), 1.0 - 2.0 * expit(z2)))


def _logistic_survival(z: np.ndarray) -> np.ndarray:
    return np.asarray(expit(-z))


def _logistic_quantile(p: np.ndarray) -> np.ndarray:
    return np.asarray(np.log(p) - np.log1p(-p))


# normal: log life of the lognormal


def _normal_log_pdf(z: np.ndarray) -> np.ndarray:
    return np.asarray(-0.5 * z * z - HALF_LOG_TWO_PI)


def _normal_exact(z: np.ndarray) -> Piece:
    return _normal_log_pdf(z), -z, np.full_like(z, -1.0)


def _normal_survived(z: np.ndarray) -> Piece:
    value = log_ndtr(-z)
    hazard = np.exp(_normal_log_pdf(z) - value)
    return value, -hazard, -hazard * (hazard - z)


def _normal_ended(z: np.ndarray) -> Piece:
    value, score, curve = _normal_survived(-z)
    return value, -score, curve


def _normal_between(z1: np.ndarray, z2: np.ndarray) -> tuple[np.ndarray, ...]:
    # measured from the nearer tail, so that a short interval far out keeps its digits
    mirrored = z1 + z2 < 0
    near, far = np.where(mirrored, -z2, z1), np.where(mirrored, -z1, z2)
    tail = log_ndtr(-near)
    share = np.where(
        near > -1.0, tail + log1mexp(tail - log_ndtr(-far)), np.log(np.maximum(ndtr(far) - ndtr(near), 1e-300))
    )
    return _between_from(share, (_normal_log_pdf(z1), _normal_log_pdf(z2)), (-z1, -z2))


def _normal_survival(z: np.ndarray) -> np.ndarray:
    return np.asarray(ndtr(-z))


WEIBULL = Family("weibull", _sev_exact, _sev_survived, _sev_ended, _sev_between, _sev_survival, _sev_quantile)
FAMILIES = {
    "weibull": WEIBULL,
    "exponential": Family(
        "exponential", _sev_exact, _sev_survived, _sev_ended, _sev_between, _sev_survival, _sev_quantile, 1.0
    ),
    "lognormal": Family(
        "lognormal", _normal_exact, _normal_survived, _normal_ended, _normal_between, _normal_survival, ndtri
    ),
    "loglogistic": Family(
        "loglogistic",
        _logistic_exact,
        _logistic_survived,
        _logistic_ended,
        _logistic_between,
        _logistic_survival,
        _logistic_quantile,
    ),
}
"""The families by the name of the life distribution."""


def family_of(distribution: str) -> Family:
    """Return the family of a life distribution."""
    return FAMILIES[check_one_of("distribution", distribution, tuple(FAMILIES))]
