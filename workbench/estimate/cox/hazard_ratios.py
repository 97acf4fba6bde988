"""Hazard ratios: proportional-hazards regression of lives on terms, for any censoring, with honest gaps."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtrc, ndtr, ndtri

from workbench.checks import check_confidence, check_one_of, check_positive
from workbench.errors import EstimateError
from workbench.estimate.aft import LARGEST_EFFECT, beyond_sense_notes
from workbench.estimate.cox.hazard_fit import HazardFit, fit_partial_likelihood, fit_without_failures
from workbench.estimate.shared import ModelMatrix, groups_of, terms_of
from workbench.lives import Lives
from workbench.results import Result, columns_to_frame, freeze_columns
from workbench.threads import on_one_thread
from workbench.wording import count_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["HazardRatios", "fit_hazard_ratios", "lives_within"]

FEW_CLUSTERS = 20


@dataclass(frozen=True, kw_only=True, eq=False)
class HazardRatios(Result):
    """Hazard ratios of a proportional-hazards fit; the table has one row per level (not the reference) or number.

    Attributes
    ----------
    log_likelihood, null_log_likelihood : float
        At the maximum (without the penalty) and with all effects at 0: the partial likelihood, or for interval lives
        the full likelihood of the failures' intervals.
    aic : float
        -2 log_likelihood + 2 degrees of freedom.
    degrees_of_freedom : float
        Effects that the lives can tell apart; with shrinkage, how many they amount to.
    covariance : np.ndarray of float, shape (r, r)
        Of the log hazard ratios, row by row of the table; NaN where a row has no answer.
    test_columns : mapping of str to array
        Likelihood-ratio, score and Wald test of all effects at 0; NaN with shrinkage.
    units, failures : int
        Counts, weights included.
    ties : str
        How ties were treated; "not used" for interval lives.
    shrink, confidence : float
        As given.
    """

    log_likelihood: float
    null_log_likelihood: float
    aic: float
    degrees_of_freedom: float
    covariance: np.ndarray
    test_columns: Mapping[str, np.ndarray]
    units: int
    failures: int
    ties: str
    shrink: float
    confidence: float

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "test_columns", freeze_columns(self.test_columns))

    @property
    def tests(self) -> "pd.DataFrame":
        """The overall tests: test, statistic, degrees_of_freedom, p_value."""
        return columns_to_frame(self.test_columns)


@on_one_thread
def fit_hazard_ratios(
    lives: Lives,
    terms: Sequence[str] | str,
    *,
    ties: str = "efron",
    within: str | Sequence[str] | None = None,
    shrink: float = 0.0,
    confidence: float = 0.95,
) -> HazardRatios:
    """Fit proportional hazards (Cox regression) to lives.

    Exact and right-censored lives: partial likelihood. Lives whose failure lies in an interval: maximum likelihood
    with a free baseline, never mid-points or the day found. Weights give what the repeated rows would give.

    Parameters
    ----------
    lives : Lives
        n lives; at risk only after their entry.
    terms : sequence of str, or str
        Covariates. Numbers enter linearly, others as levels against the reference (first category, else first sorted).
    ties : str
        "efron" or "breslow"; not used for interval lives.
    within : str or sequence of str, optional
        Covariates whose values each get their own baseline; units without a value are left out and counted.
    shrink : float
        Prior precision 1 / sd^2 of every level's effect (the reference too) and of a number's effect per standard
        deviation; 0 for none. 4 means sd 0.5.
    confidence : float
        Two-sided level of the limits.

    Returns
    -------
    HazardRatios
        Table: term, level, log_hazard_ratio, std_error, hazard_ratio, lower, upper, p_value; robust_std_error when the
        lives have clusters, and then limits and p value use it. A hazard ratio above 1 means failing sooner. With
        shrinkage p_value is NaN. A row without a finite answer is NaN, with the reason in `notes`.

    Raises
    ------
    UsageError
        If a covariate does not exist, or ties, shrink or confidence is out of range.
    LivesError
        If a number is missing.
    EstimateError
        If a term never varies, none is given, or no maximum is found.

    References
    ----------
    Cox (1972), J. R. Stat. Soc. B 34, 187-220; Efron (1977), J. Am. Stat. Assoc. 72, 557-565; Lin & Wei (1989),
    J. Am. Stat. Assoc. 84, 1074-1078 (clusters); Zeng, Mao & Lin (2016), Biometrika 103, 253-271 (intervals).

    Examples
    --------
    >>> lives = Lives.from_arrays([1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1], covariates={"x": [1, 1, 1, 0, 0, 0]})
    >>> float(fit_hazard_ratios(lives, "x", ties="breslow").table.log_hazard_ratio[0].round(6))
    1.475285
    """
    check_one_of("ties", ties, ("efron", "breslow"))
    confidence = check_confidence(confidence)
    shrink = check_positive("shrink", shrink, zero=True)
    lives, strata, notes = lives_within(lives, within)
    model = terms_of(lives, terms)
    if not model:
        raise EstimateError("terms is empty; name at least one covariate")
    if not lives.failed.any():
        fit, design = fit_without_failures(lives, model, shrink)
    elif lives.is_right_censored:
        fit, design = fit_partial_likelihood(lives, model, strata, ties=ties, shrink=shrink)
    else:
        from workbench.estimate.cox.interval_cox import fit_interval_hazards

        fit, design = fit_interval_hazards(lives, model, strata, shrink=shrink)
        notes += ("Failures lie in intervals, so the baseline was fitted with the ratios and ties was not used.",)
        ties = "not used"
    return _result(lives, fit, design, notes=notes, ties=ties, shrink=shrink, confidence=confidence)


def lives_within(lives: Lives, within: str | Sequence[str] | None) -> tuple[Lives, np.ndarray | None, tuple[str, ...]]:
    """Return the lives that have a stratum, its number, and how many have none and are left out.

    Shapes: returns strata (m,).
    """
    if within is None:
        return lives, None, ()
    groups = groups_of(lives, within)
    kept = np.flatnonzero(groups.codes >= 0)
    if len(kept) < len(lives):
        lives = lives.take(kept)
    return lives, groups.codes[kept].astype(np.int64), groups.notes


def _result(
    lives: Lives,
    fit: HazardFit,
    design: ModelMatrix,
    *,
    notes: tuple[str, ...],
    ties: str,
    shrink: float,
    confidence: float,
) -> HazardRatios:
    gap = np.where(fit.estimable, 0.0, np.nan)
    estimate = design.contrasts @ fit.coefficients + gap
    covariance = design.contrasts @ fit.covariance @ design.contrasts.T + gap[:, None] + gap[None, :]
    std_error = np.sqrt(np.diag(covariance))
    used = std_error
    extra = {}
    if lives.cluster is not None:
        used = np.full_like(std_error, np.nan)
        if fit.robust is not None:
            used = np.sqrt(np.maximum(np.diag(design.contrasts @ fit.robust @ design.contrasts.T), 0.0)) + gap
        extra = {"robust_std_error": used}
        notes += _cluster_notes(lives)
    z = ndtri(0.5 + confidence / 2)
    p_value = (
        np.full_like(estimate, np.nan) if shrink > 0 else 2 * ndtr(-np.abs(estimate) / np.where(used > 0, used, np.nan))
    )
    columns = {
        "term": np.array(design.term, dtype=object),
        "level": np.array(design.level, dtype=object),
        "log_hazard_ratio": estimate,
        "std_error": std_error,
        "hazard_ratio": _ratio(estimate),
        "lower": _ratio(estimate - z * used),
        "upper": _ratio(estimate + z * used),
        "p_value": p_value,
    }
    if lives.cluster is None or fit.robust is not None:
        notes += tuple(beyond_sense_notes(columns, "hazard_ratio"))
    return HazardRatios(
        columns=columns | extra,
        notes=(*notes, *fit.notes),
        log_likelihood=fit.log_likelihood,
        null_log_likelihood=fit.null_log_likelihood,
        aic=2 * fit.rank - 2 * fit.log_likelihood,
        degrees_of_freedom=fit.rank,
        covariance=covariance,
        test_columns=_tests(fit, estimate, covariance, shrink=shrink),
        units=lives.units,
        failures=lives.failures,
        ties=ties,
        shrink=shrink,
        confidence=confidence,
    )


def _ratio(log_ratio: np.ndarray) -> np.ndarray:
    """Ratios, those beyond all sense as NaN."""
    return np.exp(np.where(np.abs(log_ratio) <= LARGEST_EFFECT, log_ratio, np.nan))


def _cluster_notes(lives: Lives) -> tuple[str, ...]:
    import pandas as pd

    clusters = len(pd.unique(np.asarray(lives.cluster)))
    if clusters >= FEW_CLUSTERS:
        return ()
    return (
        f"Only {count_of(clusters, 'cluster')}: below {FEW_CLUSTERS} robust_std_error and the limits are too small.",
    )


def _tests(fit: HazardFit, estimate: np.ndarray, covariance: np.ndarray, *, shrink: float) -> dict[str, np.ndarray]:
    kept = fit.estimable
    wald = float("nan")
    if kept.any():
        wald = float(estimate[kept] @ np.linalg.pinv(covariance[np.ix_(kept, kept)]) @ estimate[kept])
    ratio = 2 * (fit.log_likelihood - fit.null_log_likelihood)
    statistic = np.array([ratio, fit.score_statistic, wald])
    rank = float(round(fit.rank))
    freedom = np.array([rank, rank, float(kept.sum())])
    if shrink > 0 or not rank:
        statistic, freedom = np.full(3, np.nan), np.full(3, np.nan)
    return {
        "test": np.array(["likelihood ratio", "score", "Wald"], dtype=object),
        "statistic": statistic,
        "degrees_of_freedom": freedom,
        "p_value": chdtrc(freedom, np.maximum(statistic, 0.0)),
    }
