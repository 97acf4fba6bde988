"""Proportionality: does a hazard ratio stay the same over time; residuals for a picture first, then a score test."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtrc

from workbench.checks import check_one_of
from workbench.errors import EstimateError
from workbench.estimate.cox.cox_residuals import schoenfeld_residuals
from workbench.estimate.cox.hazard_fit import inverse_in
from workbench.estimate.cox.hazard_ratios import lives_within
from workbench.estimate.cox.partial_likelihood import PartialLikelihood, free_directions, maximise
from workbench.estimate.cox.separation import levels_without_failures
from workbench.estimate.shared import ModelMatrix, design_of, patterns_of, terms_of
from workbench.estimate.steps import risk_sets, risk_table_of
from workbench.lives import Lives
from workbench.results import Result, columns_to_frame, freeze_columns
from workbench.wording import count_of, round_sense

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Proportionality", "proportionality_of"]

ALL_TERMS = "all terms"
SEEN = 2.80
"""Standard errors that show 8 times in 10 at two-sided 5 % (1.96 + 0.84)."""
FEW_FAILURES = 50


@dataclass(frozen=True, kw_only=True, eq=False)
class Proportionality(Result):
    """Check of proportional hazards; the table has a row per term and one for all terms.

    Attributes
    ----------
    residual_columns : mapping of str to array
        term, level, time, failures, log_hazard_ratio: per failure time, what the failures there say of each log hazard
        ratio (scaled Schoenfeld residuals, mean of the failures of that time). A level line means proportional.
    estimate_columns : mapping of str to array
        term, level, log_hazard_ratio: the constant that the fit assumes.
    clock : str
        How time was transformed for the test.
    unit : str
        Unit of time.
    """

    residual_columns: Mapping[str, np.ndarray]
    estimate_columns: Mapping[str, np.ndarray]
    clock: str
    unit: str

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "residual_columns", freeze_columns(self.residual_columns))
        object.__setattr__(self, "estimate_columns", freeze_columns(self.estimate_columns))

    @property
    def residuals(self) -> "pd.DataFrame":
        """Scaled residuals to draw against time, as a fresh DataFrame."""
        return columns_to_frame(self.residual_columns)


def proportionality_of(
    lives: Lives,
    terms: Sequence[str] | str,
    *,
    ties: str = "efron",
    within: str | Sequence[str] | None = None,
    clock: str = "survival",
) -> Proportionality:
    """Check whether hazard ratios stay the same over time.

    For each term the score test of an added effect term x g(time) at 0, with the information of the whole model.

    Parameters
    ----------
    lives : Lives
        n lives with covariates, exact or suspended.
    terms : sequence of str, or str
        Covariates of the model, as in `fit_hazard_ratios`.
    ties : str
        efron or breslow.
    within : str or sequence of str, optional
        Covariates whose levels have a baseline of their own; rows without a value are left out.
    clock : str
        What g(time) is: survival (one less the curve), rank, time or log.

    Returns
    -------
    Proportionality
        table: one row per term and one for all, with statistic, degrees of freedom and p value; residuals.

    Raises
    ------
    UsageError
        If ties or clock is unknown, or no column is called so.
    EstimateError
        If failures are known only to spans, come at one time alone, or a level has none.

    References
    ----------
    Grambsch & Therneau (1994), Biometrika 81, 515-526; Therneau & Grambsch (2000), Modeling Survival Data, ch. 6.

    Examples
    --------
    >>> lives = Lives.from_arrays([2, 3, 5, 7, 8, 9], [1, 1, 1, 1, 0, 1], covariates={"seal": list("ababab")})
    >>> len(proportionality_of(lives, ["seal"]).table)
    1
    """
    check_one_of("ties", ties, ("efron", "breslow"))
    check_one_of("clock", clock, ("survival", "rank", "time", "log"))
    if not lives.is_right_censored:
        raise EstimateError(
            "failures known only to intervals have no residuals; compare the ratios of early and late failures"
        )
    lives, strata, notes = lives_within(lives, within)
    model = terms_of(lives, terms)
    pattern, example = patterns_of(model, len(lives))
    counts = np.bincount(pattern, weights=lives.weight, minlength=len(example))
    design = design_of(model, example, counts)
    likelihood = PartialLikelihood(risk_table_of(lives, pattern, len(example), strata=strata), design.columns, ties)
    if np.unique(likelihood.table.times).size < 2:
        raise EstimateError("a change over time needs failures at two times at least")
    empty = levels_without_failures(model, example, likelihood.failed_by_pattern)
    if empty:
        name, level = empty[0]
        raise EstimateError(
            f"{name}: no failures with {level}, so there is no ratio to follow over time; pool the level"
        )
    best = maximise(likelihood, design.penalty)
    flat = free_directions(best.null.information, float(likelihood.deaths.sum()))
    if not best.converged:
        raise EstimateError(
            "an effect has no finite value, so there is no ratio to follow over time; see fit_hazard_ratios"
        )
    g = _clock(lives, likelihood, clock)
    columns = _tests(likelihood, best.coefficients, g, design=design, flat=flat)
    covariance = inverse_in(best.slopes.information, flat)
    return Proportionality(
        columns=columns,
        notes=(*notes, *_notes(columns, int(likelihood.deaths.sum()))),
        residual_columns=_residuals(likelihood, best.coefficients, covariance, design=design),
        estimate_columns={
            "term": np.array(design.term, dtype=object),
            "level": np.array(design.level, dtype=object),
            "log_hazard_ratio": design.contrasts @ best.coefficients,
        },
        clock=clock,
        unit=lives.unit,
    )


def _clock(lives: Lives, likelihood: PartialLikelihood, clock: str) -> np.ndarray:
    """g at each failure time, less its mean over the failures."""
    times, deaths = likelihood.table.times, likelihood.deaths
    if clock == "survival":
        counts = risk_sets(
            lives.time,
            lives.failed,
            lives.entry,
            weight=lives.weight,
            codes=np.zeros(len(lives), dtype=np.int64),
            groups=1,
        )
        after = np.cumprod(1.0 - counts.failures / counts.at_risk)
        g = 1.0 - np.append(1.0, after)[np.searchsorted(counts.time, times, side="left")]
    elif clock == "rank":
        distinct, place = np.unique(times, return_inverse=True)
        size = np.bincount(place, weights=deaths, minlength=distinct.size)
        g = (np.cumsum(size) - (size - 1) / 2)[place]
    else:
        if clock == "log" and times.min() <= 0:
            raise EstimateError("a failure at time 0 has no logarithm; use another clock")
        g = np.log(times) if clock == "log" else times
    return np.asarray(g - deaths @ g / deaths.sum())


def _tests(
    likelihood: PartialLikelihood, beta: np.ndarray, g: np.ndarray, *, design: ModelMatrix, flat: np.ndarray
) -> dict[str, np.ndarray]:
    score = g @ schoenfeld_residuals(likelihood, beta)
    plain = likelihood.at(beta).information
    mixed, square = likelihood.at(beta, g).information, likelihood.at(beta, g**2).information
    variance = square - mixed @ inverse_in(plain, flat) @ mixed
    reach = float(np.ptp(g))
    rows = []
    names = list(dict.fromkeys(design.term))
    for name in [*names, ALL_TERMS] if len(names) > 1 else names:
        mine = np.flatnonzero([name in (term, ALL_TERMS) for term in design.term])
        block = variance[np.ix_(mine, mine)]
        hidden = free_directions(block, float(np.trace(variance)), 1e-8)
        statistic = float(score[mine] @ inverse_in(block, hidden) @ score[mine])
        freedom = float(mine.size - hidden.shape[1])
        weakest = float(np.diag(block).min())
        factor = np.exp(min(SEEN * reach / np.sqrt(weakest), 700.0)) if weakest > 0 and name != ALL_TERMS else np.nan
        known = freedom > 0
        rows.append(
            (
                name,
                statistic if known else np.nan,
                freedom,
                chdtrc(freedom, max(statistic, 0.0)) if known else np.nan,
                factor,
            )
        )
    term, *values = zip(*rows, strict=True)
    found = np.array(values, dtype=float)
    found[3][found[3] > 1e6] = np.nan
    titles = ("statistic", "degrees_of_freedom", "p_value", "change_seen")
    return {"term": np.array(term, dtype=object)} | dict(zip(titles, found, strict=True))


def _residuals(
    likelihood: PartialLikelihood, beta: np.ndarray, covariance: np.ndarray, *, design: ModelMatrix
) -> dict[str, np.ndarray]:
    deaths, times = likelihood.deaths, likelihood.table.times
    per_failure = schoenfeld_residuals(likelihood, beta) / deaths[:, None]
    scaled = (beta + deaths.sum() * per_failure @ covariance) @ design.contrasts.T
    order = np.argsort(times, kind="stable")
    rows = len(design.term)
    return {
        "term": np.repeat(np.array(design.term, dtype=object), times.size),
        "level": np.repeat(np.array(design.level, dtype=object), times.size),
        "time": np.tile(times[order], rows),
        "failures": np.tile(deaths[order], rows),
        "log_hazard_ratio": scaled[order].T.ravel(),
    }


def _notes(columns: dict[str, np.ndarray], failures: int) -> list[str]:
    factor = columns["change_seen"]
    notes = []
    if failures < FEW_FAILURES:
        notes.append(f"With {count_of(failures, 'failure')} this check cannot see much; a large p value shows nothing.")
    if np.isfinite(factor).any():
        best = int(np.nanargmin(factor))
        notes.append(
            f"Even {columns['term'][best]}, the term seen best, would have to change its hazard ratio by a factor of "
            f"{round_sense(float(factor[best])):g} from the first failure to the last to be noticed 8 times in 10."
        )
    return notes
