"""Fitting: the ranking model fitted once, and refitted to weighted replicates whose prior centres are drawn anew."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from workbench.errors import EstimateError
from workbench.estimate.likelihood import AftBatch, AftProblem, PriorCentre, batch_from, expand, fit_batch
from workbench.estimate.shared import symmetric_root
from workbench.ranking.model.design import Design

__all__ = [
    "SCALES",
    "SHAPE_SD",
    "FittedDesign",
    "fit_design",
    "fitted_design",
    "problem_of",
    "ranking_problem",
    "replicate_weights",
    "resample_design",
    "shape_centres",
]

SHAPE_SD = 0.7
"""Prior sd of the log of the Weibull shape, around a shape of 1: without it, lives that nobody looked at before the
end leave the shape free, and shrinkage of the effects drives it up without reason."""

SCALES = np.geomspace(0.1, 3.0, 8)
"""Scales (1 / shape) at which a fit is held whose scale runs off."""
MOST_REFITTED = 20_000
"""Different lives up to which every replicate is refitted; above, replicates are steps over score sums."""
LEAST_FAILURES = 200
"""Failed units with each ranked level from which on steps are taken for refits: with fewer, limits were over 2 % of
their width off (`tests/benchmarks/RESULTS.md`)."""
LEAST_SCALE = 0.02
"""A scale under it has run off: no life ends so punctually (a judgement, no source)."""


def problem_of(design: Design, rows: np.ndarray | None = None, **changes: np.ndarray) -> AftProblem:
    """Return the model's problem, of some rows of the design and with some of lower, upper and entry changed.

    Shapes: rows (m,), changes (m,).
    """
    lives, (columns, pattern) = design.lives, design.patterns
    take = slice(None) if rows is None else rows
    times = {"lower": lives.lower[take], "upper": lives.upper[take], "entry": lives.entry[take]} | changes
    return ranking_problem(**times, columns=columns, precision=design.precision, pattern=pattern[take])


def ranking_problem(lower: np.ndarray, upper: np.ndarray, entry: np.ndarray, **model: Any) -> AftProblem:
    """Return a problem whose shape is held near 1 by a weak prior; the model is as `AftProblem.build` takes it.

    Shapes: lower, upper, entry (n,).
    """
    return replace(AftProblem.build(lower, upper, entry, **model), shape_precision=1.0 / SHAPE_SD**2)


@dataclass(frozen=True, eq=False)
class FittedDesign:
    """The ranking model fitted to a design, once for the figures and all checks.

    Attributes
    ----------
    design : Design
        Lives and columns.
    problem : AftProblem
        The model.
    best : AftBatch
        Its one fit.
    """

    design: Design
    problem: AftProblem
    best: AftBatch

    def refit(self, what: str, **changes: Any) -> AftBatch:
        """Fit the model with another family or precision to the same lives."""
        return fit_design(replace(self.problem, **changes), self.weight, what, start=self.best)

    @property
    def weight(self) -> np.ndarray:
        """Units of each life; shape (n,)."""
        return self.design.lives.weight.astype(float)


def fitted_design(design: Design) -> FittedDesign:
    """Fit the ranking model."""
    problem = problem_of(design)
    return FittedDesign(design, problem, fit_design(problem, design.lives.weight.astype(float)))


def shape_centres(resamples: int, rng: np.random.Generator) -> np.ndarray:
    """Draw where the prior of the log shape of each replicate is centred.

    Shapes: returns (B,).
    """
    return SHAPE_SD * rng.standard_normal(resamples)


def fit_design(
    problem: AftProblem, weights: np.ndarray, what: str = "the ranking model", *, start: AftBatch | None = None
) -> AftBatch:
    """Fit a problem to weights; where the scale runs off it is held, and what reaches no maximum even so is refused.

    `start` is a fit to begin near.

    Shapes: weights (n,).
    """
    weights = np.atleast_2d(np.asarray(weights, dtype=float))
    centre = PriorCentre.at_zero(len(weights), problem.columns)
    return _settled(problem, weights, centre, fits=fit_batch(problem, weights, start=start), what=what)


def _settled(
    problem: AftProblem, weights: np.ndarray, centre: PriorCentre, *, fits: AftBatch, what: str = "the ranking model"
) -> AftBatch:
    """The fits, with the scale of those that ran off or reached no maximum held where it suits best within `SCALES`.

    A scale runs off when all failures come at once, or at the very start while the rest live on.
    """
    lost = np.flatnonzero(~fits.converged | (fits.scale < LEAST_SCALE))
    if not lost.size:
        return fits
    middle = centre.take(lost)
    held = [fit_batch(problem, weights[lost], middle, scale=scale) for scale in SCALES]
    reached = np.stack(
        [
            np.where(
                f.converged,
                f.log_likelihood - 0.5 * (problem.precision * (f.coefficients - middle.effects) ** 2).sum(axis=1),
                -np.inf,
            )
            for f in held
        ]
    )
    if not np.isfinite(reached.max(axis=0)).all():
        raise EstimateError(
            f"{what} reached no maximum; use fewer choices or exposures, or check the times of the lives"
        )
    best = reached.argmax(axis=0)
    parts = {}
    for name in ("coefficients", "intercept", "scale", "log_likelihood", "converged"):
        values = np.array(getattr(fits, name))
        values[lost] = np.stack([getattr(f, name) for f in held])[best, np.arange(lost.size)]
        parts[name] = values
    return AftBatch(**parts)


def replicate_weights(
    weight: np.ndarray, clusters: np.ndarray | None, resamples: int, *, rng: np.random.Generator
) -> np.ndarray:
    """Draw the weights of replicates: Gamma(w) a row, or one Gamma(1) a cluster times the weights of its rows.

    Shapes: weight, clusters (n,), returns (B, n).

    References
    ----------
    Rubin (1981), Annals of Statistics 9, 130-134; Xu, Gotwalt, Hong, King & Meeker (2020), American Statistician 74,
    345-358.
    """
    if clusters is None:
        return np.maximum(rng.standard_gamma(weight, size=(resamples, len(weight))), 1e-12)
    drawn = np.maximum(rng.standard_gamma(1.0, size=(resamples, int(clusters.max(initial=-1)) + 1)), 1e-12)
    return np.asarray(drawn[:, clusters] * weight)


def resample_design(fitted: FittedDesign, resamples: int, seed: int) -> AftBatch:
    """Refit the model to replicates: weights drawn per unit, and the centre of each shrunken effect from its prior.

    With many different lives, and failures enough with every level, each replicate is a step over score sums instead.
    """
    problem, rng = fitted.problem, np.random.default_rng(seed)
    effects = rng.standard_normal((resamples, problem.columns)) / np.sqrt(problem.precision)
    centre = PriorCentre(effects, shape_centres(resamples, rng))
    if len(fitted.design.lives) > MOST_REFITTED and _failures_suffice(fitted.design):
        stepped = _stepped(fitted, centre, rng)
        if stepped is not None:
            return stepped
    return _refitted(fitted, centre, rng)


def _failures_suffice(design: Design) -> bool:
    """Whether enough units (clusters) with each ranked level have failed for steps in place of refits."""
    failed = design.lives.failed
    clusters = None if design.clusters is None else design.clusters[failed]
    levels = [np.asarray(b.codes)[failed] == number for b in design.choices for number in b.ranked_codes]
    for here in (np.ones(int(failed.sum()), dtype=bool), *levels):
        units = design.lives.weight[failed][here].sum() if clusters is None else len(np.unique(clusters[here]))
        if units < LEAST_FAILURES:
            return False
    return True


def _refitted(fitted: FittedDesign, centre: PriorCentre, rng: np.random.Generator) -> AftBatch:
    problem, resamples = fitted.problem, len(centre.log_shape)
    at_once = max(1, 4_000_000 // max(1, len(fitted.weight)))
    parts = []
    for begin in range(0, resamples, at_once):
        rows = slice(begin, min(begin + at_once, resamples))
        weights = replicate_weights(fitted.weight, fitted.design.clusters, rows.stop - begin, rng=rng)
        fits = fit_batch(problem, weights, centre.take(rows), start=fitted.best)
        parts.append(_settled(problem, weights, centre.take(rows), fits=fits, what="a replicate of the ranking model"))
    return AftBatch(
        *(np.concatenate([getattr(p, name) for p in parts]) for name in ("coefficients", "intercept", "scale")),
        *(np.concatenate([getattr(p, name) for p in parts]) for name in ("log_likelihood", "converged")),
    )


def _stepped(fitted: FittedDesign, centre: PriorCentre, rng: np.random.Generator) -> AftBatch | None:
    """Replicates by one step over score sums, drawn from their normal limit; None where no step can be made."""
    free = fitted.best.scale[0] not in SCALES
    around = expand(fitted.problem, fitted.best, weights=fitted.weight, free_scale=free)
    if around is None:
        return None
    root = symmetric_root(around.score_spread(fitted.weight, fitted.design.clusters))
    sums = rng.standard_normal((len(centre.log_shape), len(root))) @ root
    params = around.stepped(sums, centre)
    return batch_from(fitted.problem, params, np.isfinite(params).all(axis=1))
