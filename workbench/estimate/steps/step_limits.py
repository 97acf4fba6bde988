"""Limits: survival, its summed variance terms and the units still at risk in, pointwise limits out."""

from statistics import NormalDist

import numpy as np

__all__ = ["INTERVALS", "bound_at_first_failure", "curve_limits", "exact_bound", "normal_quantile", "square_and_add"]

INTERVALS = ("log-log", "log", "linear", "logit", "arcsine")
"""The scales on which limits of a survival curve can be formed."""


def normal_quantile(confidence: float) -> float:
    """Two-sided standard normal quantile."""
    return NormalDist().inv_cdf(0.5 + 0.5 * confidence)


def exact_bound(at_risk: np.ndarray, confidence: float, unknown: np.ndarray | int = 0) -> np.ndarray:
    """Lower limit of survival where no unit is known to have failed.

    With n units of known state it is (alpha / 2)^(1 / n). Units of which nobody knows whether they have failed yet
    count as failed: they are seen failed later on, so leaving them out would count survivors only.

    Shapes: at_risk (k,), unknown (k,), returns (k,).

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26, 404-413.

    Examples
    --------
    >>> exact_bound(np.array([10, 9]), 0.95, np.array([0, 1])).round(3).tolist()
    [0.692, 0.555]
    """
    tail = 0.5 - 0.5 * confidence
    n, failed = np.broadcast_arrays(np.asarray(at_risk, dtype=float), np.asarray(unknown, dtype=float))
    found = np.where(n > 0, tail ** (1.0 / np.maximum(n, 1.0)), 0.0)
    some = (failed > 0) & (n > 0)
    if some.any():
        from scipy.special import betaincinv

        found[some] = betaincinv(n[some], failed[some] + 1.0, tail)
    return found


def bound_at_first_failure(survival: np.ndarray, at_risk: np.ndarray, confidence: float) -> np.ndarray:
    """Exact lower limit that held just before the first failure, from that row of a curve on; 1 before.

    Shapes: survival, at_risk (k,), returns (k,).
    """
    failed = survival < 1
    return np.where(failed, exact_bound(at_risk[np.argmax(failed) :][:1], confidence), 1.0)


def curve_limits(
    survival: np.ndarray, spread: np.ndarray, at_risk: np.ndarray, *, confidence: float, interval: str
) -> tuple[np.ndarray, np.ndarray]:
    """Pointwise limits of one product-limit curve.

    Shapes: survival (k,), spread (k,), at_risk (k,), returns (k,).

    References
    ----------
    Borgan & Liestøl (1990), Scand. J. Stat. 17, 35-41 (log(-log), arcsine); Kalbfleisch & Prentice (2002), ch. 1.
    """
    lower, upper = np.zeros(len(survival)), np.ones(len(survival))
    inside = (survival > 0) & (survival < 1)
    s, error = survival[inside], normal_quantile(confidence) * np.sqrt(spread[inside])
    lower[inside], upper[inside] = _on_scale(interval, s, error)
    whole = survival == 1
    if whole.any():
        lower[whole] = exact_bound(at_risk[whole], confidence)
    dead = survival == 0
    if dead.any():
        last = int(np.argmax(dead)) - 1
        upper[dead] = upper[last] if last >= 0 else 1.0 - exact_bound(at_risk[:1], confidence)
    return lower, upper


def _on_scale(interval: str, s: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    # error is the half width on the log scale: z * se / s
    if interval == "log-log":
        factor = np.exp(error / np.log(s))
        return s ** (1.0 / factor), s**factor
    if interval == "log":
        return s * np.exp(-error), np.minimum(s * np.exp(error), 1.0)
    if interval == "linear":
        return np.maximum(s - s * error, 0.0), np.minimum(s + s * error, 1.0)
    if interval == "logit":
        odds, factor = s / (1.0 - s), np.exp(error / (1.0 - s))
        return odds / (odds + factor), odds * factor / (1.0 + odds * factor)
    angle, half = np.arcsin(np.sqrt(s)), 0.5 * error * np.sqrt(s / (1.0 - s))
    return np.sin(np.maximum(angle - half, 0.0)) ** 2, np.sin(np.minimum(angle + half, 0.5 * np.pi)) ** 2


def square_and_add(first: tuple[float, float, float], second: tuple[float, float, float]) -> tuple[float, float, float]:
    """Difference of two independent estimates with limits from the limits of each.

    References
    ----------
    Newcombe (1998), Stat. Med. 17, 873-890; Zou & Donner (2008), Stat. Med. 27, 1693-1702.
    """
    (a, la, ua), (b, lb, ub) = first, second
    difference = a - b
    down = float(np.sqrt((a - la) ** 2 + (ub - b) ** 2))
    up = float(np.sqrt((ua - a) ** 2 + (b - lb) ** 2))
    return difference, difference - down, difference + up
