"""What a season could have shown: the hazard ratio that its failures would reveal eight times in ten."""

import math

__all__ = ["LARGEST", "detectable_ratio"]

_DEVIATES = 2.80  # of 5 % on two sides and of 80 %, rounded as the formula is printed
LARGEST = 20.0
"""A season that could only show a larger hazard ratio could hardly show any (a judgement, no source)."""


def detectable_ratio(failures: int, share: float) -> float:
    """Return the smallest hazard ratio that a comparison could show, 8 times in 10 at the two-sided 5 % level.

    It depends on counts alone, never on the effect observed.

    References
    ----------
    Schoenfeld (1981), Biometrika 68, 316-319.

    Examples
    --------
    >>> round(detectable_ratio(40, 0.5), 2), detectable_ratio(0, 0.5)
    (2.42, nan)
    """
    if failures < 1 or not 0.0 < share < 1.0:
        return float("nan")
    exponent = _DEVIATES / math.sqrt(failures * share * (1.0 - share))
    return math.exp(exponent) if exponent <= math.log(LARGEST) else float("nan")
