"""Proportional hazards on right-censored lives: the fit as plain arrays, with what could not be estimated and why."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from workbench.errors import EstimateError
from workbench.estimate.cox.cox_residuals import cluster_scores, score_residuals
from workbench.estimate.cox.partial_likelihood import CoxMaximum, PartialLikelihood, free_directions, maximise
from workbench.estimate.cox.separation import (
    face_of,
    levels_without_failures,
    patterns_without_failures,
    rising_direction,
)
from workbench.estimate.shared import ModelMatrix, Term, design_of, eigen_of, patterns_of
from workbench.estimate.steps import risk_table_of
from workbench.lives import Lives
from workbench.wording import join_words

__all__ = [
    "HazardFit",
    "fit_partial_likelihood",
    "fit_without_failures",
    "inverse_in",
    "outside_of",
    "reasons_for_empty",
    "reasons_for_order",
    "reasons_for_twins",
]

STEEP = 12.0
"""A fitted range of the log hazard beyond which separation is looked for."""


@dataclass(frozen=True, eq=False)
class HazardFit:
    """A fit in the coefficients of the design (k) and the rows of its table (r).

    Attributes
    ----------
    coefficients : np.ndarray of float, shape (k,)
        Of the design's columns.
    covariance : np.ndarray of float, shape (k, k)
        Inverse information, penalty included.
    robust : np.ndarray of float, shape (k, k), or None
        Covariance from the scores of clusters.
    estimable : np.ndarray of bool, shape (r,)
        Rows of the table that have a finite answer.
    log_likelihood, null_log_likelihood : float
        Without the penalty, at the maximum and with all effects at 0.
    score_statistic : float
        Score test of all effects at 0.
    rank : float
        Number of effects that the lives can tell apart, those without a finite value counted (with shrinkage: how many
        they amount to).
    notes : tuple of str
        What could not be estimated, and why.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    robust: np.ndarray | None
    estimable: np.ndarray
    log_likelihood: float
    null_log_likelihood: float
    score_statistic: float
    rank: float
    notes: tuple[str, ...] = ()


def fit_partial_likelihood(
    lives: Lives, terms: Sequence[Term], strata: np.ndarray | None, *, ties: str, shrink: float
) -> tuple[HazardFit, ModelMatrix]:
    """Fit proportional hazards by partial likelihood.

    Shapes: strata (n,).
    """
    pattern, example = patterns_of(terms, len(lives))
    counts = np.bincount(pattern, weights=lives.weight, minlength=len(example))
    design = design_of(terms, example, counts, shrink=shrink)
    table = risk_table_of(lives, pattern, len(example), strata=strata)
    likelihood = PartialLikelihood(table, design.columns, ties)
    empty = levels_without_failures(terms, example, likelihood.failed_by_pattern)
    notes = list(reasons_for_empty(empty, terms, shrink))
    null = likelihood.null
    twins = free_directions(null.information, float(likelihood.deaths.sum()))
    if shrink > 0:
        best, flat = maximise(likelihood, design.penalty), np.zeros((design.columns.shape[1], 0))
    else:
        notes += reasons_for_twins(twins, design, empty)
        unfailed = patterns_without_failures(terms, example, empty)
        likelihood, best, flat, more = _limit(likelihood, design, unfailed)
        notes += more
    statistic = float(null.score @ inverse_in(null.information, twins) @ null.score)
    fit = _assemble(likelihood, best, flat, design=design, lives=lives)
    rank = fit.rank if shrink > 0 else float(design.columns.shape[1] - twins.shape[1])
    fit = replace(fit, null_log_likelihood=null.value, score_statistic=statistic, rank=rank, notes=tuple(notes))
    return fit, design


def fit_without_failures(lives: Lives, terms: Sequence[Term], shrink: float) -> tuple[HazardFit, ModelMatrix]:
    """Return the fit of lives none of which failed: nothing, or with shrinkage what was assumed."""
    pattern, example = patterns_of(terms, len(lives))
    counts = np.bincount(pattern, weights=lives.weight, minlength=len(example))
    design = design_of(terms, example, counts, shrink=shrink)
    k, rows = design.columns.shape[1], len(design.term)
    sentence = f"None of the {lives.units} units failed, so there are no hazard ratios to give."
    if shrink > 0:
        sentence = f"None of the {lives.units} units failed; what is shown is the prior assumption only."
    return HazardFit(
        coefficients=np.zeros(k),
        covariance=np.eye(k) / shrink if shrink > 0 else np.zeros((k, k)),
        robust=None,
        estimable=np.full(rows, shrink > 0),
        log_likelihood=0.0,
        null_log_likelihood=0.0,
        score_statistic=0.0,
        rank=0.0,
        notes=(sentence,),
    ), design


def _limit(
    likelihood: PartialLikelihood, design: ModelMatrix, unfailed: np.ndarray
) -> tuple[PartialLikelihood, CoxMaximum, np.ndarray, list[str]]:
    """Maximise; where effects run away, follow them to the limit and maximise what is left."""
    table, columns = likelihood.table, design.columns
    rising = known = np.zeros((columns.shape[1], 0))
    if unfailed.any():
        table = table.only_patterns(~unfailed)
    deaths = float(likelihood.deaths.sum())
    for _ in range(columns.shape[1] + 1):
        if table is not likelihood.table:
            likelihood = PartialLikelihood(table, columns, likelihood.ties)
        best = maximise(likelihood, design.penalty)
        known = known if rising.shape[1] else free_directions(best.null.information, deaths)
        height = columns[~unfailed] @ best.coefficients
        direction = None
        if not best.converged or np.ptp(height) > STEEP:
            direction = rising_direction(table, columns)
        if direction is None:
            if not best.converged:
                raise EstimateError("no maximum of the likelihood was found; leave out a term, or use shrink above 0")
            break
        rising = np.column_stack([rising, direction])
        table = table.only_at(face_of(table, columns, direction))
    flat = free_directions(best.null.information, deaths)
    return likelihood, best, flat, reasons_for_order(rising, design, known)


def _assemble(
    likelihood: PartialLikelihood,
    best: CoxMaximum,
    flat: np.ndarray,
    *,
    design: ModelMatrix,
    lives: Lives,
) -> HazardFit:
    information = best.slopes.information
    covariance = inverse_in(information + np.diag(design.penalty), flat)
    robust = None
    if lives.cluster is not None and likelihood.deaths.size:
        numbers = np.asarray(pd.factorize(lives.cluster)[0])
        scores = cluster_scores(score_residuals(likelihood, best.coefficients), lives.weight, numbers)
        robust = covariance @ (scores.T @ scores) @ covariance
    return HazardFit(
        coefficients=best.coefficients,
        covariance=covariance,
        robust=robust,
        estimable=~outside_of(design, flat),
        log_likelihood=best.slopes.value,
        null_log_likelihood=float("nan"),
        score_statistic=float("nan"),
        rank=float(np.trace(covariance @ information)),
    )


def inverse_in(information: np.ndarray, flat: np.ndarray) -> np.ndarray:
    """Invert an information matrix outside its flat directions.

    Shapes: information (k, k), flat (k, q), returns (k, k).
    """
    k = information.shape[0]
    basis = np.linalg.svd(flat, full_matrices=True)[0][:, flat.shape[1] :] if flat.shape[1] else np.eye(k)
    if not basis.shape[1]:
        return np.zeros((k, k))
    part = basis.T @ information @ basis
    diagonal = np.diag(part)
    size = np.sqrt(np.maximum(diagonal, 1e-30 * diagonal.max() + 1e-300))
    values, vectors = eigen_of(part / size / size[:, None])
    half = basis @ (vectors / size[:, None]) / np.sqrt(np.maximum(values, 1e-14 * values.max(initial=0.0) + 1e-300))
    return np.asarray(half @ half.T)


def outside_of(design: ModelMatrix, flat: np.ndarray) -> np.ndarray:
    """Mark the rows of a table that change along a flat direction, so that the lives say nothing about them.

    Shapes: flat (k, q), returns (r,).
    """
    size = np.linalg.norm(design.contrasts, axis=1)
    return np.asarray(np.linalg.norm(design.contrasts @ flat, axis=1) > 1e-6 * size)


def reasons_for_empty(empty: Sequence[tuple[str, str]], terms: Sequence[Term], shrink: float) -> list[str]:
    """Say in words what the levels without failures mean for the table."""
    references = {term.name: term.levels[0] for term in terms if not term.is_numeric}
    notes = []
    for name, level in empty:
        start = f"{name}: no failures with {level}"
        if shrink > 0:
            notes.append(f"{start}; what is said of it rests on the shrinkage.")
        elif level == references[name]:
            notes.append(f"{start}, the reference level, so no ratio to it can be given; take another reference.")
        else:
            notes.append(f"{start}, so no hazard ratio can be given for it; the other rows are the limit values.")
    return notes


def reasons_for_twins(twins: np.ndarray, design: ModelMatrix, empty: Sequence[tuple[str, str]]) -> list[str]:
    """Say in words which rows of the table cannot be told apart.

    Shapes: twins (k, q).
    """
    if not twins.shape[1]:
        return []
    shown = outside_of(design, twins)
    shadow = design.contrasts @ twins
    linked = (np.abs(shadow @ shadow.T) > 1e-9) & shown[:, None] & shown[None, :]
    alone: list[str] = []
    notes, left = [], set(np.flatnonzero(shown).tolist())
    while left:
        group, fresh = set(), {min(left)}
        while fresh:
            group |= fresh
            fresh = {int(j) for i in fresh for j in np.flatnonzero(linked[i])} - group
        left -= group
        names = [_row_name(design, i) for i in sorted(group) if (design.term[i], design.level[i]) not in empty]
        if len(names) == 1:
            alone += names
        elif names:
            notes.append(f"{join_words(names)} cannot be told apart: they vary together in these units.")
    if alone:
        verb = "never varies" if len(alone) == 1 else "never vary"
        notes.append(f"{join_words(alone)} {verb} among units that were out together when one failed: no ratio.")
    return notes


def reasons_for_order(directions: np.ndarray, design: ModelMatrix, known: np.ndarray) -> list[str]:
    """Say in words which rows have no finite answer because the failures came in their order.

    Shapes: directions (k, q), known (k, s).
    """
    rows = np.flatnonzero(outside_of(design, directions) & ~outside_of(design, known))
    if not rows.size:
        return []
    names = join_words([_row_name(design, int(i)) for i in rows])
    gone = outside_of(design, np.column_stack([directions, known]))
    rest = "." if gone.all() else "; the other rows are the limit values."
    return [f"{names}: the failures came in perfect order of it, so no finite hazard ratio fits{rest}"]


def _row_name(design: ModelMatrix, row: int) -> str:
    return design.term[row] if design.level[row] == "+1" else f"{design.term[row]} = {design.level[row]}"
