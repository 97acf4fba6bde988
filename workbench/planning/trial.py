"""Trial size by formula: failures needed to see a hazard ratio, units that bring them, and the power of a trial."""

import math

from workbench.checks import check_confidence, check_positive
from workbench.errors import UsageError

__all__ = ["failures_to_detect", "units_with_dropout"]


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

    Parameters
    ----------
    hazard_reference, hazard_new : float
        Failures per unit and unit of time with each level, constant over time.
    dropout_hazard : float
        Units lost without a trace per unit and unit of time; 0 for none.
    length : float
        Time from the first unit out to the end of the trial, in the unit of time of the hazards.
    entry_spread : float
        Time over which the units go out, evenly.
    power : float
        Chance that the difference is seen.
    significance : float
        Two-sided level of the test.

    Returns
    -------
    units, failures : int
        Units in all, and failures that they are expected to bring.

    Raises
    ------
    UsageError
        If a value is out of range, the hazards are equal, or entry_spread is no shorter than length.

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
