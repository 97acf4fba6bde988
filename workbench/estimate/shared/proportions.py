"""Proportions: failures among units in, exact limits of the share out."""

from workbench.checks import check_confidence, check_whole
from workbench.errors import UsageError

__all__ = ["proportion_interval"]


def proportion_interval(failures: int, units: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided limits of the share that fails, for units that were all followed to the end.

    Parameters
    ----------
    failures : int
        Units that failed.
    units : int
        Units watched, at least 1.
    confidence : float in (0, 1)
        Two-sided level.

    Returns
    -------
    lower, upper : float
        Shares between 0 and 1. The true coverage is at least `confidence`.

    Raises
    ------
    UsageError
        If the counts are not whole, units is below 1, or there are more failures than units.

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26, 404-413.

    Examples
    --------
    >>> [round(limit, 3) for limit in proportion_interval(0, 10)]
    [0.0, 0.308]
    """
    from scipy.special import betaincinv

    x, n = check_whole("failures", failures), check_whole("units", units, least=1)
    if x > n:
        raise UsageError(f"failures must not exceed units; got {x} failures of {n} units")
    tail = 0.5 - 0.5 * check_confidence(confidence)
    lower = 0.0 if x == 0 else float(betaincinv(x, n - x + 1, tail))
    upper = 1.0 if x == n else float(betaincinv(x + 1, n - x, 1.0 - tail))
    return lower, upper
