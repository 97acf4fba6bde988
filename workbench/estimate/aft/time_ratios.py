"""Time ratios: lives and terms in, accelerated failure time model with intervals out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtr

from workbench.checks import check_confidence, check_positive, did_you_mean
from workbench.errors import EstimateError, UsageError
from workbench.estimate.aft.time_ratio_notes import (
    assumption_notes,
    beyond_sense_notes,
    missing_row_notes,
    no_maximum_note,
    nothing_to_fit_note,
)
from workbench.estimate.likelihood import AftBatch, AftProblem, Estimable, family_of, find_estimable, fit_batch
from workbench.estimate.shared import ModelMatrix, Term, design_of, patterns_of, terms_of
from workbench.estimate.steps import normal_quantile
from workbench.lives import Lives
from workbench.results import Result, columns_to_frame
from workbench.threads import on_one_thread

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["TimeRatios", "fit_time_ratios"]

SMALLEST_SCALE, LARGEST_SCALE = 1e-5, 1e4
"""A scale beyond these means that the likelihood keeps rising towards 0 or infinity."""
LARGEST_EFFECT = float(np.log(1e6))
"""Ratios and limits beyond a million times, or a millionth, are not shown."""


@dataclass(frozen=True, kw_only=True, eq=False)
class TimeRatios(Result):
    """An accelerated failure time model; table: term level log_time_ratio std_error time_ratio lower upper p_value.

    Attributes
    ----------
    distribution : str
        weibull, exponential, lognormal or loglogistic.
    intercept, scale : float
        Location of log life with every term at its reference level (numbers at 0), and its scale (for a Weibull the
        inverse of the shape).
    log_likelihood, aic : float
        Of the times; without the prior. No AIC with shrinkage.
    covariance : np.ndarray, shape (r + 2, r + 2)
        Of (intercept, the r rows of the table, log scale).
    terms : tuple of (str, tuple of str)
        Each term with its levels, reference first.
    shrink, confidence : float
        As given.
    units, failures : int
        Lives behind the fit, weights counted.
    unit : str
        Unit of time.
    """

    distribution: str
    intercept: float
    scale: float
    log_likelihood: float
    aic: float
    covariance: np.ndarray
    terms: tuple[tuple[str, tuple[str, ...]], ...]
    shrink: float
    confidence: float
    units: int
    failures: int
    unit: str

    @property
    def parameters(self) -> dict[str, float]:
        """Every parameter by name: intercept, "term: level" for each row, scale."""
        named = zip(self.columns["term"], self.columns["level"], self.columns["log_time_ratio"], strict=True)
        rows = {f"{term}: {level}": float(value) for term, level, value in named}
        return {"intercept": self.intercept, **rows, "scale": self.scale}

    def survival(self, t: Any, at: Mapping[str, Any] | None = None) -> np.ndarray:
        """Share of units still working at t, for one combination of the terms.

        Parameters
        ----------
        t : array-like of float
            Times of at least 0.
        at : mapping of str to level or number, optional
            Terms that are not named stand at their reference level; numbers at 0.

        Returns
        -------
        np.ndarray
            Like t; NaN where a row that is needed is not estimable.

        Raises
        ------
        UsageError
            If a term or level does not exist.
        """
        location = self.intercept + _combined(self._row(at)[1:], self.columns["log_time_ratio"])
        with np.errstate(divide="ignore"):
            z = (np.log(np.asarray(t, dtype=float)) - location) / self.scale
        return np.asarray(family_of(self.distribution).survival(z))

    def quantile(self, p: Any, at: Mapping[str, Any] | None = None) -> "pd.DataFrame":
        """Time by which the share p has failed, for one combination of the terms.

        Parameters
        ----------
        p : float or array-like in (0, 1)
            Shares failed.
        at : mapping of str to level or number, optional
            As in `survival`.

        Returns
        -------
        pandas.DataFrame
            p, time, lower, upper; limits are normal on log time.

        Raises
        ------
        UsageError
            If a share lies outside (0, 1), or a term or level does not exist.
        """
        shares = np.atleast_1d(np.asarray(p, dtype=float))
        if not ((shares > 0) & (shares < 1)).all():
            raise UsageError(f"p must lie between 0 and 1, both excluded; got {p!r}")
        row, z = self._row(at), family_of(self.distribution).quantile(shares)
        middle = self.intercept + _combined(row[1:], self.columns["log_time_ratio"]) + self.scale * z
        used = np.r_[row != 0, True]
        towards = np.column_stack([np.tile(row, (len(z), 1)), self.scale * z])[:, used]
        error = np.sqrt(np.einsum("ri,ij,rj->r", towards, self.covariance[np.ix_(used, used)], towards))
        half = normal_quantile(self.confidence) * error
        table = {"p": shares, "time": np.exp(middle), "lower": np.exp(middle - half), "upper": np.exp(middle + half)}
        return columns_to_frame(table)

    def _row(self, at: Mapping[str, Any] | None) -> np.ndarray:
        levels = dict(self.terms)
        row: np.ndarray = np.r_[1.0, np.zeros(len(self.columns["term"]))]
        for name, value in (at or {}).items():
            if name not in levels:
                raise UsageError(f"unknown term {name!r}{did_you_mean(name, levels)} (there are: {', '.join(levels)})")
            of_term = self.columns["term"] == name
            if levels[name] == ("+1",):
                row[1:][of_term] = float(value)
            elif str(value) in levels[name]:
                row[1:][of_term & (self.columns["level"] == str(value))] = 1.0
            else:
                known = ", ".join(levels[name])
                raise UsageError(f"{name} has no level {value!r}{did_you_mean(str(value), levels[name])} ({known})")
        return row


@on_one_thread
def fit_time_ratios(
    lives: Lives,
    terms: Sequence[str] | str,
    *,
    distribution: str = "weibull",
    shrink: float = 0.0,
    confidence: float = 0.95,
) -> TimeRatios:
    """Fit log life = intercept + effects + scale x error by maximum (penalised) likelihood.

    A time ratio above 1 means that units of the level live that many times as long as those of the reference. Exact,
    suspended, early and interval-censored lives with late entry and weights enter as what they are: an interval is
    never read as its end or its middle.

    Parameters
    ----------
    lives : Lives
        n lives. A failure exactly at time 0 is refused, since no such distribution has a density there.
    terms : sequence of str, or str
        Covariates; numbers enter linearly, others as levels against the reference (see `terms_of`).
    distribution : str
        weibull, exponential, lognormal or loglogistic.
    shrink : float
        Prior precision 1 / sd squared on the log scale (4 means sd 0.5). Above 0 every level, the reference too, has
        its own effect from a normal prior around 0, and rows are differences to the reference, so that the choice of
        the reference changes no contrast; numbers are centred and divided by their standard deviation for the prior;
        intercept and scale are free. p values are then NaN.
    confidence : float
        Two-sided level of lower and upper.

    Returns
    -------
    TimeRatios
        Rows that the lives cannot tell are NaN, with the reason in `notes`; when a level has no failures the other
        rows are the values in the limit of its effect. Standard errors come from the observed information and take
        lives as independent of each other, whatever their clusters.

    Raises
    ------
    UsageError
        If a covariate or distribution does not exist, or shrink or confidence is out of range.
    LivesError, EstimateError
        If a term cannot be read, a failure is exactly at time 0, or there are no lives.

    References
    ----------
    Kalbfleisch & Prentice (2002), The Statistical Analysis of Failure Time Data, ch. 3; Lawless (2003), Statistical
    Models and Methods for Lifetime Data, ch. 6.

    Examples
    --------
    >>> import pandas as pd
    >>> seals = pd.DataFrame({"lid_seal": ["cord"] * 4 + ["o_ring"] * 4})
    >>> lives = Lives.from_arrays([40, 60, 70, 90, 80, 120, 140, 180], [True] * 8, covariates=seals)
    >>> float(fit_time_ratios(lives, "lid_seal").columns["time_ratio"][0].round(6))
    2.0
    """
    confidence, shrink = check_confidence(confidence), check_positive("shrink", shrink, zero=True)
    family = family_of(distribution)
    if not len(lives):
        raise EstimateError("there are no lives to fit time ratios to")
    read = terms_of(lives, terms)
    pattern, example = _ordered_patterns(read, len(lives))
    counts = np.bincount(pattern, weights=lives.weight, minlength=len(example))
    design = _design(read, example, counts, shrink=shrink)
    problem = AftProblem.build(
        lives.lower,
        lives.upper,
        lives.entry,
        columns=design.columns,
        precision=design.penalty,
        distribution=distribution,
        pattern=pattern,
    )
    free_scale = family.fixed_scale is None
    estimable = _everything(design) if shrink > 0 else find_estimable(problem, fixed_scale=not free_scale)
    transform = _transform(read, design, example[0])
    notes, fit = assumption_notes(lives, shrink), None
    if not lives.failures or not estimable.spread:
        notes.append(nothing_to_fit_note(lives))
    else:
        fit = _fit(problem, lives, estimable)
        reasons = missing_row_notes(read, lives, design, known=estimable.knows(transform)[1:])
        notes += [no_maximum_note(lives)] if fit is None else reasons
    values, covariance = _shown(transform, estimable, fit)
    columns = _columns(design, values, covariance, confidence=confidence, shrink=shrink)
    notes += beyond_sense_notes(columns)
    log_likelihood = np.nan if fit is None else float(fit.log_likelihood[0])
    parameters = 1 + len(estimable.used) + free_scale
    return TimeRatios(
        columns=columns,
        notes=tuple(notes),
        distribution=distribution,
        intercept=float(values[0]),
        scale=np.nan if fit is None else float(fit.scale[0]),
        log_likelihood=log_likelihood,
        aic=np.nan if shrink > 0 else 2.0 * parameters - 2.0 * log_likelihood,
        covariance=covariance,
        terms=tuple((t.name, t.levels) for t in read),
        shrink=shrink,
        confidence=confidence,
        units=lives.units,
        failures=lives.failures,
        unit=lives.unit,
    )


def _ordered_patterns(terms: tuple[Term, ...], n: int) -> tuple[np.ndarray, np.ndarray]:
    """Patterns in the order of their values, whatever the order of the lives."""
    pattern, example = patterns_of(terms, n)
    if not terms:
        return pattern, example
    keys = [t.values[example] if t.values is not None else t.codes[example] for t in terms]  # type: ignore[index]
    order = np.lexsort(keys[::-1])
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return rank[pattern], example[order]


def _design(terms: tuple[Term, ...], example: np.ndarray, counts: np.ndarray, *, shrink: float) -> ModelMatrix:
    if terms:
        return design_of(terms, example, counts, shrink=shrink)
    return ModelMatrix(np.zeros((len(example), 0)), np.zeros(0), np.zeros((0, 0)), (), ())


def _transform(terms: tuple[Term, ...], design: ModelMatrix, life: int) -> np.ndarray:
    """Rows that make (intercept at the references, table rows) of (constant, coefficients of the design)."""
    rows, k = design.contrasts.shape
    raw = np.zeros(rows)
    place = 0
    for term in terms:
        if term.values is not None:
            raw[place] = term.values[life]
        elif term.codes[life] > 0:  # type: ignore[index]
            raw[place + term.codes[life] - 1] = 1.0  # type: ignore[index]
        place += len(term.rows)
    transform = np.zeros((rows + 1, k + 1))
    transform[0, 0] = 1.0
    transform[0, 1:] = design.columns[0] - raw @ design.contrasts
    transform[1:, 1:] = design.contrasts
    return transform


def _everything(design: ModelMatrix) -> Estimable:
    patterns, k = design.columns.shape
    return Estimable(np.ones(patterns, dtype=bool), np.arange(k), np.zeros((k + 1, 0)), spread=True)


def _fit(problem: AftProblem, lives: Lives, estimable: Estimable) -> AftBatch | None:
    """The fit of the estimable part, or None when it has no maximum at finite values."""
    kept = estimable.kept[problem.cells.pattern][problem.cells.cell_of]
    part = problem.restricted(estimable.used)
    fit = fit_batch(part, np.where(kept, lives.weight, 0.0), covariance=True)
    in_range = SMALLEST_SCALE < fit.scale[0] < LARGEST_SCALE
    known = fit.covariance is not None and bool(np.isfinite(fit.covariance).all())
    return fit if fit.converged[0] and in_range and known else None


def _shown(transform: np.ndarray, estimable: Estimable, fit: AftBatch | None) -> tuple[np.ndarray, np.ndarray]:
    """(Intercept, rows) and the covariance of (intercept, rows, log scale); NaN where not estimable."""
    size = len(transform)
    values, covariance = np.full(size, np.nan), np.full((size + 1, size + 1), np.nan)
    if fit is None or fit.covariance is None:
        return values, covariance
    used = np.r_[0, estimable.used + 1]
    chain = np.zeros((size + 1, len(used) + 1))
    chain[:-1, :-1], chain[-1, -1] = transform[:, used], 1.0
    known = estimable.knows(transform)
    values[known] = (chain[:-1, :-1] @ np.r_[fit.intercept, fit.coefficients[0]])[known]
    found = np.r_[known, True]
    covariance[np.ix_(found, found)] = (chain @ fit.covariance[0] @ chain.T)[np.ix_(found, found)]
    return values, covariance


def _columns(
    design: ModelMatrix, values: np.ndarray, covariance: np.ndarray, *, confidence: float, shrink: float
) -> dict[str, np.ndarray]:
    effect, error = values[1:], np.sqrt(np.diag(covariance)[1:-1])
    half = normal_quantile(confidence) * error
    p_value = 2.0 * ndtr(-np.abs(effect) / error) if shrink == 0 else np.full(len(effect), np.nan)
    return {
        "term": np.array(design.term, dtype=object),
        "level": np.array(design.level, dtype=object),
        "log_time_ratio": effect,
        "std_error": error,
        "time_ratio": _ratio(effect),
        "lower": _ratio(effect - half),
        "upper": _ratio(effect + half),
        "p_value": p_value,
    }


def _ratio(effect: np.ndarray) -> np.ndarray:
    """exp, with NaN instead of figures that no reader could use."""
    return np.exp(np.where(np.abs(effect) < LARGEST_EFFECT, effect, np.nan))


def _combined(row: np.ndarray, effects: np.ndarray) -> float:
    """Sum of the effects that a row needs; those it does not need may be unknown."""
    return float(row[row != 0] @ effects[row != 0])
