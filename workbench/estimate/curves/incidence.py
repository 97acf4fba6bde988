"""Cumulative incidence: lives with causes in, share failed of each cause by group with limits out."""

from collections.abc import Sequence

from workbench.checks import check_confidence
from workbench.errors import EstimateError
from workbench.estimate.shared import groups_of
from workbench.estimate.steps_by_cause import CumulativeIncidence, step_incidence
from workbench.estimate.turnbull import interval_incidence
from workbench.lives import Lives

__all__ = ["CumulativeIncidence", "cumulative_incidence"]


def cumulative_incidence(
    lives: Lives,
    by: str | Sequence[str] | None = None,
    *,
    within: str | Sequence[str] | None = None,
    confidence: float = 0.95,
) -> CumulativeIncidence:
    """Share of units lost to each cause by each day, the other causes being at work, by group.

    Parameters
    ----------
    lives : Lives
        n lives with causes, at least one; weights and delayed entry are taken.
    by : str, sequence of str, or None
        Covariates that make groups; None gives one, "all".
    within : str, sequence of str, or None
        Covariates whose values make strata for the test only.
    confidence : float in (0, 1)
        Two-sided level of the pointwise limits.

    Returns
    -------
    CumulativeIncidence
        `.table`: group, cause, time, incidence, std_error, lower, upper, at_risk, failures; one row per group, cause
        and day on which a unit failed or left. A failure that nobody could name is the cause "undetermined".
        A cause without failures so far: 0 to 1 - (alpha/2)^(1/n), n the units watched from day 0 on
        that are at risk or were lost to another cause, less the share that would have left since.
        `.test`: cause, statistic, degrees_of_freedom, p_value (Gray).

    Raises
    ------
    UsageError
        If a column or the confidence is wrong.
    EstimateError
        If there are no lives, or they carry no causes.

    References
    ----------
    Aalen & Johansen (1978), Scand. J. Stat. 5, 141-150 (estimate and variance); Gray (1988), Ann. Stat. 16, 1141-1154;
    Choudhury (2002), Stat. Med. 21, 1129-1144 (log(-log) limits).

    Examples
    --------
    >>> lives = Lives.from_arrays([1, 2, 3, 4], [1, 1, 0, 1], cause=["water", "bite", "", "water"])
    >>> cumulative_incidence(lives).at(2)[["cause", "incidence"]].values.tolist()
    [['bite', 0.25], ['water', 0.25]]
    """
    confidence = check_confidence(confidence)
    if len(lives) == 0:
        raise EstimateError("there are no lives, so there is no incidence")
    if lives.cause is None:
        raise EstimateError("these lives carry no causes; give cause= to Lives.from_arrays, or use survival_curve")
    groups = groups_of(lives, by)
    if not lives.is_right_censored:
        return interval_incidence(lives, groups, within, confidence=confidence)
    return step_incidence(lives, groups, within, confidence=confidence)
