"""Fitting: the ranking model fitted once, and refitted to weighted replicates whose prior centres are drawn anew."""

from dataclasses import replace

import numpy as np

from workbench.errors import EstimateError
from workbench.estimate.likelihood import AftBatch, AftProblem, PriorCentre, batch_from, expand, fit_batch
from workbench.estimate.shared import symmetric_root
from workbench.lives import Lives
from workbench.ranking.model.design import Design

__all__ = [
    "SCALES",
    "SHAPE_SD",
    "clusters_of",
    "fit_design",
    "problem_of",
    "ranking_problem",
    "replicate_weights",
    "resample_design",
    "resample_problem",
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


def problem_of(
    design: Design,
    *,
    lower: np.ndarray | None = None,
    upper: np.ndarray | None = None,
    entry: np.ndarray | None = None,
    rows: np.ndarray | None = None,
    precision: np.ndarray | None = None,
    distribution: str = "weibull",
) -> AftProblem:
    """Return the model's problem, with some of its times, rows or strengths changed.

    Shapes: lower, upper, entry (m,), rows (m,), precision (k,).
    """
    lives = design.lives
    take = np.arange(len(lives)) if rows is None else rows
    return ranking_problem(
        lives.lower[take] if lower is None else lower,
        lives.upper[take] if upper is None else upper,
        lives.entry[take] if entry is None else entry,
        columns=design.columns[take],
        precision=design.precision if precision is None else precision,
        distribution=distribution,
    )


def ranking_problem(
    lower: np.ndarray,
    upper: np.ndarray,
    entry: np.ndarray,
    *,
    columns: np.ndarray,
    precision: np.ndarray | None = None,
    distribution: str = "weibull",
) -> AftProblem:
    """Return a problem whose effects are shrunken as given, and whose shape is held near 1 by a weak prior.

    Shapes: lower, upper, entry (n,), columns (n, k), precision (k,).
    """
    problem = AftProblem.build(lower, upper, entry, columns=columns, precision=precision, distribution=distribution)
    return replace(problem, shape_precision=1.0 / SHAPE_SD**2)


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


def replicate_weights(lives: Lives, resamples: int, rng: np.random.Generator) -> np.ndarray:
    """Draw the weights of replicates: Gamma(w) a row, or one Gamma(1) a cluster times the weights of its rows.

    Shapes: returns (B, n).

    References
    ----------
    Rubin (1981), Annals of Statistics 9, 130-134; Xu, Gotwalt, Hong, King & Meeker (2020), American Statistician 74,
    345-358.
    """
    if lives.cluster is None:
        drawn = rng.standard_gamma(lives.weight.astype(float), size=(resamples, len(lives)))
        return np.maximum(drawn, 1e-12)
    cluster = clusters_of(lives)
    drawn = np.maximum(rng.standard_gamma(1.0, size=(resamples, int(cluster.max(initial=-1)) + 1)), 1e-12)
    return np.asarray(drawn[:, cluster] * lives.weight)


def clusters_of(lives: Lives) -> np.ndarray:
    """Number of each life's cluster, in the order in which they first appear, so that names do not matter.

    Shapes: returns (n,).
    """
    labels = np.array([str(c) for c in np.asarray(lives.cluster)])
    _, first, cluster = np.unique(labels, return_index=True, return_inverse=True)
    place = np.empty(len(first), dtype=np.int64)
    place[np.argsort(first)] = np.arange(len(first))
    return np.asarray(place[cluster])


def resample_design(design: Design, resamples: int, seed: int) -> AftBatch:
    """Refit the model to replicates: weights drawn per unit, and the centre of each shrunken effect from its prior.

    With many different lives, and failures enough with every level, each replicate is a step over score sums instead.
    """
    stepwise = len(design.lives) > MOST_REFITTED and _failures_suffice(design)
    return resample_problem(problem_of(design), design.lives, resamples=resamples, seed=seed, stepwise=stepwise)


def _failures_suffice(design: Design) -> bool:
    """Whether enough units (clusters) with each ranked level have failed for steps in place of refits."""
    failed = design.lives.failed
    cluster = None if design.lives.cluster is None else clusters_of(design.lives)[failed]
    for block in design.choices:
        codes = np.asarray(block.codes)[failed]
        for number in block.ranked_codes:
            here = codes == number
            units = design.lives.weight[failed][here].sum() if cluster is None else len(np.unique(cluster[here]))
            if units < LEAST_FAILURES:
                return False
    return True


def resample_problem(
    problem: AftProblem, lives: Lives, *, resamples: int, seed: int, stepwise: bool = False
) -> AftBatch:
    """Refit the problem of these lives to replicates, or take one step towards each where they are wanted stepwise."""
    rng = np.random.default_rng(seed)
    effects = rng.standard_normal((resamples, problem.columns)) / np.sqrt(problem.precision)
    centre = PriorCentre(effects, shape_centres(resamples, rng))
    start = fit_design(problem, lives.weight.astype(float))
    stepped = _stepped(problem, lives, start, centre=centre, rng=rng) if stepwise else None
    return _refitted(problem, lives, start, centre=centre, rng=rng) if stepped is None else stepped


def _refitted(
    problem: AftProblem, lives: Lives, start: AftBatch, *, centre: PriorCentre, rng: np.random.Generator
) -> AftBatch:
    resamples = len(centre.log_shape)
    at_once = max(1, 4_000_000 // max(1, len(lives)))
    parts = []
    for begin in range(0, resamples, at_once):
        rows = slice(begin, min(begin + at_once, resamples))
        weights = replicate_weights(lives, rows.stop - begin, rng)
        fits = fit_batch(problem, weights, centre.take(rows), start=start)
        parts.append(_settled(problem, weights, centre.take(rows), fits=fits, what="a replicate of the ranking model"))
    return AftBatch(
        *(np.concatenate([getattr(p, name) for p in parts]) for name in ("coefficients", "intercept", "scale")),
        *(np.concatenate([getattr(p, name) for p in parts]) for name in ("log_likelihood", "converged")),
    )


def _stepped(
    problem: AftProblem, lives: Lives, fit: AftBatch, *, centre: PriorCentre, rng: np.random.Generator
) -> AftBatch | None:
    """Replicates by one step over score sums, drawn from their normal limit; None where no step can be made."""
    cluster = None if lives.cluster is None else clusters_of(lives)
    weight = lives.weight.astype(float)
    around = expand(problem, fit, weights=weight, free_scale=fit.scale[0] not in SCALES)
    if around is None:
        return None
    root = symmetric_root(around.score_spread(weight, cluster))
    sums = rng.standard_normal((len(centre.log_shape), len(root))) @ root
    params = around.stepped(sums, centre)
    return batch_from(problem, params, np.isfinite(params).all(axis=1))
