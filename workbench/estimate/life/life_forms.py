"""Life distributions by name: their parameters, quantiles, survival and hazard as functions of two smooth coordinates.

The coordinates are (location, log scale) of log life for weibull, exponential, lognormal and loglogistic, and
(log shape, log scale) for gamma; every function takes them as an array (b, 2) and returns (b, q).
"""

import numpy as np
from scipy.special import gammainccinv, gammaincinv, gammaln

from workbench.estimate.life.gamma_life import gamma_log_survival
from workbench.estimate.likelihood import FAMILIES

__all__ = ["DISTRIBUTIONS", "PARAMETERS", "SENSIBLE", "cumulative_hazard", "log_hazard", "log_quantile"]

# name: ((parameter, coordinate, sign, whether it is the exponential of sign x coordinate), ...)
PARAMETERS: dict[str, tuple[tuple[str, int, float, bool], ...]] = {
    "weibull": (("shape", 1, -1.0, True), ("scale", 0, 1.0, True)),
    "exponential": (("scale", 0, 1.0, True),),
    "lognormal": (("mu", 0, 1.0, False), ("sigma", 1, 1.0, True)),
    "loglogistic": (("scale", 0, 1.0, True), ("shape", 1, -1.0, True)),
    "gamma": (("shape", 0, 1.0, True), ("scale", 1, 1.0, True)),
}
"""Parameters of each distribution in the order of its table, and how they follow from the coordinates."""

DISTRIBUTIONS = tuple(PARAMETERS)
"""The names known."""

SENSIBLE = 1000.0
"""A time limit more than this many times its estimate is no figure that anyone could use (a judgement, no source)."""


def log_quantile(distribution: str, coordinates: np.ndarray, p: np.ndarray) -> np.ndarray:
    """Log of the time by which the share p has failed.

    Shapes: coordinates (b, 2), p (q,), returns (b, q).
    """
    first, second = coordinates[:, :1], coordinates[:, 1:]
    with np.errstate(all="ignore"):
        if distribution == "gamma":
            shape = np.exp(first)
            lower_tail = np.log(gammaincinv(shape, p))
            # below the smallest number the incomplete gamma function is x^k / gamma(k + 1)
            tiny = (np.log(p) + gammaln(shape + 1.0)) / shape
            body = np.where(p > 0.5, np.log(gammainccinv(shape, 1.0 - p)), lower_tail)
            return np.asarray(second + np.where(np.isfinite(body), body, tiny))
        return np.asarray(first + np.exp(second) * FAMILIES[distribution].quantile(p))


def cumulative_hazard(distribution: str, coordinates: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Minus the log of the share still working at t.

    Shapes: coordinates (b, 2), t (q,), returns (b, q).
    """
    with np.errstate(all="ignore"):
        if distribution == "gamma":
            return -gamma_log_survival(coordinates, t)
        z = (np.log(t) - coordinates[:, :1]) / np.exp(coordinates[:, 1:])
        return np.where(t > 0, -FAMILIES[distribution].survived(z)[0], 0.0)


def log_hazard(distribution: str, coordinates: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Log of the failure rate at t.

    Shapes: coordinates (b, 2), t (q,), returns (b, q).
    """
    with np.errstate(all="ignore"):
        first, second = coordinates[:, :1], coordinates[:, 1:]
        if distribution == "gamma":
            shape = np.exp(first)
            density = (shape - 1.0) * np.log(t) - t / np.exp(second) - shape * second - gammaln(shape)
        else:
            z = (np.log(t) - first) / np.exp(second)
            density = FAMILIES[distribution].exact(z)[0] - second - np.log(t)
        return np.asarray(density + cumulative_hazard(distribution, coordinates, t))
