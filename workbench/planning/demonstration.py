"""Demonstration: how many units show a reliability, what a season has shown, and limits of a mean life."""

import math

from workbench.checks import check_confidence, check_one_of, check_positive, check_whole
from workbench.errors import EstimateError, UsageError
from workbench.wording import count_of, percent_text

__all__ = ["demonstrated_reliability", "demonstration_sentence", "mean_life_interval", "units_to_demonstrate"]

MOST_UNITS = 10**12
"""More units than this are not a plan; the target is refused."""


def units_to_demonstrate(
    reliability: float,
    confidence: float,
    *,
    allowed_failures: int = 0,
    mission_ratio: float = 1.0,
    shape: float = 1.0,
) -> int:
    """Smallest number of units that demonstrates a reliability when at most some failures are allowed.

    The smallest n with P(X <= allowed_failures; n, 1 - R^(mission_ratio^shape)) <= 1 - confidence, X binomial. A test
    longer than the mission needs fewer units when wear makes late failures likelier; the Weibull shape says how much.

    Parameters
    ----------
    reliability : float in (0, 1)
        Share that must last the mission.
    confidence : float in (0, 1)
        One-sided.
    allowed_failures : int
        Failures in the test that still count as success.
    mission_ratio : float > 0
        Length of the test over length of the mission.
    shape : float > 0
        Weibull shape that carries the test's length over to the mission.

    Returns
    -------
    int
        Number of units.

    Raises
    ------
    UsageError
        If a target is impossible (reliability 0 or 1, confidence 0 or 1) or a number is out of range.
    EstimateError
        If more than a million million units would be needed.

    References
    ----------
    Success-run theorem and its binomial extension: Lipson & Sheth (1973), Statistical Design and Analysis of
    Engineering Experiments; extended test by the Weibull shape: Kapur & Lamberson (1977).

    Examples
    --------
    >>> units_to_demonstrate(0.9, 0.9), units_to_demonstrate(0.9, 0.9, mission_ratio=2, shape=2)
    (22, 6)
    """
    from scipy.stats import binom

    reliability = check_confidence(reliability, "reliability")
    confidence = check_confidence(confidence)
    allowed = check_whole("allowed_failures", allowed_failures)
    ratio = check_positive("mission_ratio", mission_ratio)
    shape = check_positive("shape", shape)
    fail_share = -math.expm1(ratio**shape * math.log(reliability))
    if fail_share <= 0.0:
        raise EstimateError("a unit in this test practically never fails, so no number of units demonstrates anything")

    def enough(n: int) -> bool:
        return bool(binom.logcdf(allowed, n, fail_share) <= math.log1p(-confidence) + 1e-12)

    low, high = allowed, max(2 * (allowed + 1), 2)
    while not enough(high):
        low, high = high, 2 * high
        if high > MOST_UNITS:
            raise EstimateError(
                f"more than {MOST_UNITS:.0e} units would be needed; lower the reliability or confidence"
            )
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def demonstrated_reliability(units: int, failures: int, confidence: float) -> float:
    """Lower limit of the share that lasts, shown by a test of so many units with so many failures.

    One-sided exact (Clopper-Pearson) limit; without failures (1 - confidence)^(1/units).

    Parameters
    ----------
    units : int
        Units tested for the whole mission.
    failures : int
        How many of them failed.
    confidence : float in (0, 1)
        One-sided.

    Returns
    -------
    float
        Between 0 and 1; 0 when every unit failed.

    Raises
    ------
    UsageError
        If there are no units, or more failures than units.

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26, 404-413.

    Examples
    --------
    >>> round(demonstrated_reliability(22, 0, 0.9), 4)
    0.9006
    """
    from scipy.stats import beta

    units, failures = check_whole("units", units, least=1), check_whole("failures", failures)
    confidence = check_confidence(confidence)
    if failures > units:
        raise UsageError(f"failures must not exceed units; got {failures} failures of {units} units")
    if failures == units:
        return 0.0
    return float(beta.ppf(1.0 - confidence, units - failures, failures + 1))


def demonstration_sentence(
    units: int, failures: int, confidence: float, *, mission: int, may_have: int = 0, counted: str = "unit"
) -> str:
    """What a season's count allows one to claim; `may_have` of the failures may have come only after the mission.

    `counted` names what is counted, units or deployments.

    Examples
    --------
    >>> demonstration_sentence(40, 6, 0.9, mission=180)
    'With 34 of 40 units lasting 180 days you may claim 75 % at 90 % confidence.'
    """
    claim = percent_text(demonstrated_reliability(units, failures, confidence))
    lasting = f"{units - failures} of {count_of(units, counted)} lasting {mission} days"
    if not may_have:
        return f"With {lasting} you may claim {claim} at {percent_text(confidence)} confidence."
    best = percent_text(demonstrated_reliability(units, failures - may_have, confidence))
    known = f"{units - failures} of {count_of(units, counted)} known to last {mission} days"
    late = "the one that may have failed by then" if may_have == 1 else f"the {may_have} that may have failed by then"
    return (
        f"With {known} you may claim {claim} at {percent_text(confidence)} confidence, counting as failed {late}; "
        f"{best} would be the claim had {'it' if may_have == 1 else 'they all'} lasted."
    )


def mean_life_interval(
    total_time: float, failures: int, *, confidence: float = 0.95, ended: str = "time"
) -> tuple[float, float]:
    """Two-sided limits of the mean life when failures come at a constant rate.

    Parameters
    ----------
    total_time : float > 0
        Time on test summed over all units, failed or not.
    failures : int
        How many failed.
    confidence : float in (0, 1)
        Two-sided.
    ended : {"time", "failure"}
        Whether observation ended at a set time or with the last failure.

    Returns
    -------
    lower, upper : float
        In the unit of total_time. Without failures only the lower limit exists, and upper is NaN.

    Raises
    ------
    UsageError
        If a number is out of range, or ended="failure" is said of a test without failures.

    References
    ----------
    Epstein & Sobel (1953), J. Am. Stat. Assoc. 48, 486-502: 2r degrees of freedom, and 2r + 2 for the lower limit of
    a test ended by time. NIST/SEMATECH e-Handbook of Statistical Methods 8.4.5.1.

    Examples
    --------
    >>> lower, upper = mean_life_interval(359, 9, confidence=0.95)
    >>> round(lower, 2), round(upper, 2)
    (21.01, 87.23)
    """
    from scipy.stats import chi2

    total = check_positive("total_time", total_time)
    failures = check_whole("failures", failures)
    tail = (1.0 - check_confidence(confidence)) / 2.0
    check_one_of("ended", ended, ("time", "failure"))
    if failures == 0:
        if ended == "failure":
            raise UsageError("a test that ended with a failure has at least one failure; got failures = 0")
        return float(2.0 * total / chi2.ppf(1.0 - tail, 2)), math.nan
    freedom = 2 * failures + (2 if ended == "time" else 0)
    return float(2.0 * total / chi2.ppf(1.0 - tail, freedom)), float(2.0 * total / chi2.ppf(tail, 2 * failures))
