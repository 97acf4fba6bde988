"""Proportional hazards on interval-censored lives: the fit as plain arrays, and what could not be estimated and why."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from workbench.errors import EstimateError
from workbench.estimate.cox.cox_residuals import cluster_scores
from workbench.estimate.cox.hazard_fit import (
    STEEP,
    HazardFit,
    inverse_in,
    outside_of,
    reasons_for_empty,
    reasons_for_order,
    reasons_for_twins,
)
from workbench.estimate.cox.interval_likelihood import RUNNING, IntervalMaximum, maximise_intervals
from workbench.estimate.cox.interval_problem import IntervalProblem, interval_problem
from workbench.estimate.cox.partial_likelihood import free_directions
from workbench.estimate.cox.separation import levels_without_failures, patterns_without_failures
from workbench.estimate.shared import ModelMatrix, Term, design_of, eigen_of, patterns_of
from workbench.lives import Lives

__all__ = ["fit_interval_hazards"]

FLAT = 1e-7
"""Information below this share of the largest (after scaling) counts as none."""


def fit_interval_hazards(
    lives: Lives, terms: Sequence[Term], strata: np.ndarray | None, *, shrink: float
) -> tuple[HazardFit, ModelMatrix]:
    """Fit proportional hazards by maximum likelihood with a free baseline, each failure known to its interval.

    Shapes: strata (n,).

    References
    ----------
    Zeng, Mao & Lin (2016), Biometrika 103, 253-271.
    """
    pattern, example = patterns_of(terms, len(lives))
    counts = np.bincount(pattern, weights=lives.weight, minlength=len(example))
    design = design_of(terms, example, counts, shrink=shrink)
    ends = (lives.entry, lives.lower, lives.upper)
    problem = interval_problem(design.columns, pattern, strata, ends=ends, weight=lives.weight)
    null = maximise_intervals(problem, design.penalty)
    gradient = problem.weight @ null.scores
    failures = np.bincount(pattern, weights=lives.weight * lives.failed, minlength=len(example))
    empty = levels_without_failures(terms, example, failures)
    notes = reasons_for_empty(empty, terms, shrink)
    twins = free_directions(null.information, float(failures.sum()), FLAT)
    flat = np.zeros((design.columns.shape[1], 0))
    if shrink > 0:
        best = maximise_intervals(problem, design.penalty, null=null)
    else:
        notes += reasons_for_twins(twins, design, empty)
        unfailed = patterns_without_failures(terms, example, empty)
        problem, best, flat, more = _limit(
            problem, design, unfailed[pattern], failures=float(failures.sum()), null=null
        )
        notes += more
    if not best.converged:
        raise EstimateError("no maximum of the likelihood was found; leave out a term, or use shrink above 0")
    statistic = float(gradient @ inverse_in(null.information, twins) @ gradient)
    covariance = inverse_in(best.information + np.diag(design.penalty), flat)
    return HazardFit(
        coefficients=best.coefficients,
        covariance=covariance,
        robust=_robust(lives, problem, best, covariance=covariance),
        estimable=~outside_of(design, flat),
        log_likelihood=best.log_likelihood,
        null_log_likelihood=null.log_likelihood,
        score_statistic=statistic,
        rank=float(np.trace(covariance @ best.information))
        if shrink > 0
        else float(null.information.shape[0] - twins.shape[1]),
        notes=tuple(notes),
    ), design


def _limit(
    problem: IntervalProblem, design: ModelMatrix, unfailed: np.ndarray, *, failures: float, null: IntervalMaximum
) -> tuple[IntervalProblem, IntervalMaximum, np.ndarray, list[str]]:
    """Maximise without the lives that no longer count in the limit, and look for effects that still run away.

    `null` is the maximum of all lives without effects.
    """
    whole = null.information
    if unfailed.any():
        dropped = np.zeros(problem.weight.size, dtype=bool)
        dropped[problem.row] = unfailed
        problem = replace(problem, weight=np.where(dropped, 0.0, problem.weight))
        null = maximise_intervals(problem, design.penalty)
    # the baseline is found by steps, so information that is gone is a small rest, not 0
    gone = np.diag(null.information) <= FLAT * np.diag(whole)
    flat = free_directions(np.where(gone[:, None] | gone, 0.0, null.information), failures, FLAT)
    best = maximise_intervals(problem, design.penalty, null=null)
    height = (problem.columns @ best.coefficients)[problem.weight > 0]
    if height.size == 0 or np.ptp(height) <= STEEP:
        return problem, best, flat, []
    values, vectors = eigen_of(inverse_in(null.information, flat))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    shares, turns = eigen_of(root.T @ best.information @ root)
    running = (root @ turns)[:, (shares < 1e-3) & (values > 0)]
    if not running.shape[1]:
        if best.converged or np.ptp(height) <= 0.9 * RUNNING:
            return problem, best, flat, []
        # steps of the baseline that shrink to nothing hide the loss of information; the effect itself runs away
        running = best.coefficients[:, None]
    running = np.where(np.abs(running) > 0.02 * np.abs(running).max(axis=0), running, 0.0)
    best = replace(best, converged=True)
    together = np.linalg.qr(np.column_stack([flat, running]))[0]
    return problem, best, together, reasons_for_order(running, design, flat)


def _robust(
    lives: Lives, problem: IntervalProblem, best: IntervalMaximum, *, covariance: np.ndarray
) -> np.ndarray | None:
    if lives.cluster is None:
        return None
    scores = np.where(problem.weight > 0, 1.0, 0.0)[:, None] * best.scores
    numbers = np.asarray(pd.factorize(lives.cluster)[0])
    sums = cluster_scores(scores[problem.row], lives.weight, numbers)
    return np.asarray(covariance @ (sums.T @ sums) @ covariance)
