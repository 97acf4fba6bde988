"""Trial size by formula: failures needed to see a hazard ratio, units that bring them, and the power of a trial."""

import math

from workbench.checks import check_confidence, check_positive
from workbench.errors import UsageError

__all__ = [
    "failures_to_detect",
    "failures_to_detect_by_shares",
    "power_of_shares",
    "units_for_failures",
    "units_with_dropout",
]


def failures_to_detect(
    hazard_ratio: float,
    *,
    power: float = 0.8,
    significance: float = 0.05,
    share: float = 0.5,
    explained: float = 0.0,
) -> float:
    """Failures needed, in both groups together, to see a hazard ratio; before rounding up.

    Parameters
    ----------
    hazard_ratio : float > 0, not 1
        Hazard of one group over that of the other.
    power : float in (0, 1)
        Chance to find it significant.
    significance : float in (0, 1)
        Two-sided level of the test.
    share : float in (0, 1)
        Share of units in one of the groups.
    explained : float in [0, 1)
        Squared correlation of the choice with the other terms of the model.

    Returns
    -------
    float
        (z(1 - significance/2) + z(power))^2 / (share (1 - share) (1 - explained) ln(hazard ratio)^2).

    Raises
    ------
    UsageError
        If a number is out of range, or the hazard ratio is 1.

    References
    ----------
    Schoenfeld (1983), Biometrics 39, 499-503; with other terms Hsieh & Lavori (2000), Control. Clin. Trials 21, 552.

    Examples
    --------
    >>> round(failures_to_detect(2.0), 1)
    65.3
    """
    ratio = _checked_ratio(hazard_ratio)
    share = check_confidence(share, "share")
    if not 0.0 <= explained < 1.0:
        raise UsageError(f"explained must lie from 0 to below 1; got {explained!r}")
    return _deviates(power, significance) ** 2 / (share * (1.0 - share) * (1.0 - explained) * math.log(ratio) ** 2)


def failures_to_detect_by_shares(
    hazard_ratio: float, *, power: float = 0.8, significance: float = 0.05, allocation: float = 1.0
) -> float:
    """Failures needed to see a hazard ratio by Freedman's formula, which is more careful for large ratios.

    References
    ----------
    Freedman (1982), Stat. Med. 1, 121-129; unequal groups Rosner (2006), Fundamentals of Biostatistics, 14.12.

    Examples
    --------
    >>> round(failures_to_detect_by_shares(2.0), 1)
    70.6
    """
    ratio, k = _checked_ratio(hazard_ratio), check_positive("allocation", allocation)
    return ((k * ratio + 1.0) / (ratio - 1.0)) ** 2 / k * _deviates(power, significance) ** 2


def units_for_failures(failures: float, fail_share_reference: float, fail_share_new: float) -> int:
    """Units a group that bring so many failures, in two groups of one size.

    References
    ----------
    Freedman (1982), Stat. Med. 1, 121-129.

    Examples
    --------
    >>> units_for_failures(252.04, 0.489, 0.3707)
    294
    """
    shares = check_confidence(fail_share_reference, "fail_share_reference") + check_confidence(
        fail_share_new, "fail_share_new"
    )
    return math.ceil(check_positive("failures", failures) / shares)


def power_of_shares(
    units_new: int,
    units_reference: int,
    fail_share_new: float,
    *,
    fail_share_reference: float,
    hazard_ratio: float,
    significance: float = 0.05,
) -> float:
    """Chance that a trial of this size finds a hazard ratio significant, by Freedman's formula.

    References
    ----------
    Freedman (1982); in this form Rosner (2006), Fundamentals of Biostatistics, 6th ed., equation 14.35.

    Examples
    --------
    >>> round(power_of_shares(12, 12, 0.8, fail_share_reference=0.2, hazard_ratio=0.139), 6)
    0.744937
    """
    from scipy.stats import norm

    ratio = check_positive("hazard_ratio", hazard_ratio)
    new, reference = check_positive("units_new", units_new), check_positive("units_reference", units_reference)
    share_new = check_confidence(fail_share_new, "fail_share_new")
    failures = new * share_new + reference * check_confidence(fail_share_reference, "fail_share_reference")
    k = new / reference
    z = math.sqrt(k * failures) * abs(ratio - 1.0) / (k * ratio + 1.0)
    return float(norm.cdf(z - norm.ppf(1.0 - check_confidence(significance, "significance") / 2.0)))


def units_with_dropout(
    hazard_reference: float,
    hazard_new: float,
    *,
    dropout_hazard: float,
    length: float,
    entry_spread: float = 0.0,
    power: float = 0.8,
    significance: float = 0.05,
) -> tuple[int, int]:
    """Units, and failures expected, for a trial, half with each level, that go out over a while and some are lost.

    References
    ----------
    Lachin & Foulkes (1986), Biometrics 42, 507-519, in the form with the log hazard ratio.

    Examples
    --------
    >>> units_with_dropout(0.2, 0.1, dropout_hazard=0.1, length=2, entry_spread=0.5, power=0.9)
    (430, 91)
    """
    from scipy.stats import norm

    old, new = check_positive("hazard_reference", hazard_reference), check_positive("hazard_new", hazard_new)
    lost = check_positive("dropout_hazard", dropout_hazard, zero=True)
    whole, spread = check_positive("length", length), check_positive("entry_spread", entry_spread, zero=True)
    if spread >= whole:
        raise UsageError(f"entry_spread must be shorter than length {whole:g}; got {entry_spread!r}")
    ratio, w = _checked_ratio(new / old), 0.5
    pooled = w * new + (1.0 - w) * old
    p_old, p_new, p_pooled = (_fail_share(h, lost, whole, spread=spread) for h in (old, new, pooled))
    alternative = math.sqrt(1.0 / (w * p_new) + 1.0 / ((1.0 - w) * p_old))
    null = math.sqrt(1.0 / (w * p_pooled) + 1.0 / ((1.0 - w) * p_pooled))
    z_alpha = norm.ppf(1.0 - check_confidence(significance, "significance") / 2.0)
    z_beta = norm.ppf(check_confidence(power, "power"))
    units = ((z_alpha * null + z_beta * alternative) / math.log(ratio)) ** 2
    return math.ceil(units), math.ceil(units * (w * p_new + (1.0 - w) * p_old))


def _fail_share(hazard: float, lost: float, whole: float, *, spread: float) -> float:
    total = hazard + lost
    if spread == 0.0:
        return hazard / total * -math.expm1(-total * whole)
    still_out = (math.exp(-total * (whole - spread)) - math.exp(-total * whole)) / (total * spread)
    return hazard / total * (1.0 - still_out)


def _checked_ratio(hazard_ratio: float) -> float:
    ratio = check_positive("hazard_ratio", hazard_ratio)
    if ratio == 1.0:
        raise UsageError("hazard_ratio must differ from 1: no number of failures shows a difference that is not there")
    return ratio


def _deviates(power: float, significance: float) -> float:
    from scipy.stats import norm

    tail = check_confidence(significance, "significance") / 2.0
    return float(norm.ppf(1.0 - tail) + norm.ppf(check_confidence(power, "power")))
