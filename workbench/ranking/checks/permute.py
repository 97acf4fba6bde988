"""Permutation p values of choices: what is left of each life without the choice, exchanged among units of one site."""

from dataclasses import replace

import numpy as np

from workbench.estimate.likelihood import AftBatch, Family, family_of
from workbench.lives import Lives
from workbench.ranking.model import Block, Design, FittedDesign, fit_design, problem_of

__all__ = ["PERMUTATIONS", "choice_p_values", "choice_permutation_p", "level_p_value", "life_score_residuals"]

PERMUTATIONS = 1999
"""Arrangements drawn; the observed one counts too, so that p is at least 1 in 2,000."""
MOST_UNITS = 5000
"""Above so many units the sums over levels are drawn from their joint normal limit instead of from arrangements."""


def life_score_residuals(
    lives: Lives, location: np.ndarray, scale: float, *, distribution: str = "weibull"
) -> np.ndarray:
    """Return how much longer each life lasted than a fit expects: the slope of its log-likelihood in its location.

    Shapes: location (n,), returns (n,).

    References
    ----------
    Score residuals of parametric survival models: Lawless, Statistical Models and Methods for Lifetime Data (2003), ch.
    6.
    """
    family = family_of(distribution)
    slope = np.zeros(len(lives))
    exact, failed = lives.exact, lives.failed
    begun = lives.lower > 0

    def at(time: np.ndarray, rows: np.ndarray) -> np.ndarray:
        return np.asarray((np.log(time[rows]) - location[rows]) / scale)

    for rows, time, pieces in (
        (exact, lives.lower, family.exact),
        (~failed & begun, lives.lower, family.survived),
        (failed & ~exact & ~begun, lives.upper, family.ended),
    ):
        slope[rows] = pieces(at(time, rows))[1]
    between = failed & ~exact & begun
    slope[between] = _slope_between(family, at(lives.lower, between), at(lives.upper, between))
    late = lives.entry > 0
    slope[late] -= family.survived(at(lives.entry, late))[1]
    return -slope / scale


def _slope_between(family: Family, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    if not low.size:
        return low
    _, first, second = family.between(low, high)[:3]
    return np.asarray(first + second)


def choice_permutation_p(
    residual: np.ndarray,
    level: np.ndarray,
    site: np.ndarray,
    *,
    weight: np.ndarray,
    rng: np.random.Generator,
    permutations: int = PERMUTATIONS,
) -> float:
    """Return the p value of a choice: do residuals, centred within sites, go with its levels more than by chance?

    The statistic is the sum over levels of (sum of residuals) squared over units; residuals change places inside sites.

    Shapes: residual (n,), level (n,), site (n,), weight (n,).

    References
    ----------
    Freedman & Lane (1983), Journal of Business & Economic Statistics 1, 292-298; Winkler et al. (2014), NeuroImage 92,
    381-397.
    """
    part = level >= 0
    residual, site, weight = residual[part], site[part], weight[part]
    levels, level = np.unique(level[part], return_inverse=True)
    units = np.bincount(level, weight, len(levels))
    mean = np.bincount(site, residual * weight) / np.maximum(np.bincount(site, weight), 1)
    centred = residual - mean[site]
    observed = np.bincount(level, centred * weight, len(levels))
    groups = [np.flatnonzero(site == s) for s in np.unique(site)]
    groups = [g for g in groups if len(np.unique(level[g])) > 1]
    if not groups:
        return float("nan")
    sums = np.zeros((permutations, len(levels)))
    exactly = weight.sum() <= MOST_UNITS
    for rows in groups:
        drawn = _exchanged if exactly else _normal_limit
        sums += drawn(centred[rows], level[rows], weight[rows], size=len(levels), rng=rng, permutations=permutations)
    statistic = (sums**2 / units).sum(axis=1)
    target = float((observed**2 / units).sum())
    return float((1 + np.sum(statistic >= target * (1 - 1e-9) - 1e-12)) / (1 + permutations))


def _exchanged(
    centred: np.ndarray,
    level: np.ndarray,
    weight: np.ndarray,
    *,
    size: int,
    rng: np.random.Generator,
    permutations: int,
) -> np.ndarray:
    order = np.argsort(level, kind="stable")
    values = np.repeat(centred[order], weight[order])
    counts = np.bincount(level, weight, size).astype(np.int64)
    present = np.flatnonzero(counts)
    starts = np.concatenate([[0], np.cumsum(counts[present])[:-1]])
    mixed = rng.permuted(np.broadcast_to(values, (permutations, len(values))), axis=1)
    sums = np.zeros((permutations, size))
    sums[:, present] = np.add.reduceat(mixed, starts, axis=1)
    return sums


def _normal_limit(
    centred: np.ndarray,
    level: np.ndarray,
    weight: np.ndarray,
    *,
    size: int,
    rng: np.random.Generator,
    permutations: int,
) -> np.ndarray:
    total = weight.sum()
    spread = np.sqrt((weight * centred**2).sum() / (total - 1))
    units = np.bincount(level, weight, size)
    # a multinomial-like sum: independent parts less their share of the whole has the permutation covariance
    parts = rng.standard_normal((permutations, size)) * np.sqrt(units)
    return np.asarray(spread * (parts - parts.sum(axis=1, keepdims=True) * units / total))


def choice_p_values(fitted: FittedDesign, seed: int, permutations: int = PERMUTATIONS) -> dict[str, float]:
    """Return the p value of each choice, from fits that leave it out.

    Lives of one unit at one site with one level change places as one.
    """
    design, best, result = fitted.design, fitted.best, {}
    for number, block in enumerate(design.choices):
        rng = np.random.default_rng([seed, number])
        kept = design.columns_without(block.name)
        near = replace(best, coefficients=best.coefficients[:, kept])
        fit = fit_design(fitted.problem.restricted(kept), fitted.weight, f"the model without {block.name}", start=near)
        *what, units = _exchangeable(design, block, _residuals(design, fit, kept))
        result[block.name] = choice_permutation_p(*what, weight=units, rng=rng, permutations=permutations)
    return result


def level_p_value(design: Design, choice: str, level: str, *, seed: int, permutations: int = PERMUTATIONS) -> float:
    """Return the p value of one level against its reference, from the fit in which both have one effect.

    Units with the two levels change places within sites; all others stay in the fit alone.
    """
    block = design.block(choice)
    ours, theirs = (block.levels.index(v) for v in (level, block.reference))
    columns = design.columns.copy()
    columns[:, block.start + theirs] += columns[:, block.start + ours]
    kept = np.delete(np.arange(columns.shape[1]), block.start + ours)
    joined = replace(design, columns=columns[:, kept], precision=design.precision[kept])
    what_fits = f"the model in which {level} and {block.reference} are one"
    fit = fit_design(problem_of(joined), design.lives.weight.astype(float), what_fits)
    residual = _residuals(joined, fit, np.arange(len(kept)))
    *what, weight = _exchangeable(design, block, residual, levels=np.array([ours, theirs]))
    rng = np.random.default_rng([seed, 11])
    return choice_permutation_p(*what, weight=weight, rng=rng, permutations=permutations)


def _residuals(design: Design, fit: AftBatch, kept: np.ndarray) -> np.ndarray:
    """Score residual of each life under a fit with some of the design's columns."""
    columns, pattern = design.patterns
    location = fit.intercept[0] + columns[:, kept] @ fit.coefficients[0]
    return life_score_residuals(design.lives, location[pattern], float(fit.scale[0]))


def _exchangeable(
    design: Design, block: Block, residual: np.ndarray, *, levels: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Residual, level, site and weight of what changes places: lives, or the lives of a unit at a site with a level."""
    lives, site = design.lives, design.site_codes
    codes = np.asarray(block.codes)
    level = np.where(np.isin(codes, block.ranked_codes if levels is None else levels), codes, -1)
    if design.clusters is None:
        return residual, level, site, lives.weight
    key = (design.clusters * (site.max() + 1) + site) * (len(block.levels) + 1) + level + 1
    _, first, cell = np.unique(key, return_index=True, return_inverse=True)
    if 2 * len(first) < len(lives):
        # clusters far larger than units (sites, say): exchanged together they would leave hardly any arrangement
        return residual, level, site, lives.weight
    order = np.argsort(first)
    place = np.empty(len(first), dtype=np.int64)
    place[order] = np.arange(len(first))
    sums = np.bincount(place[cell], residual * lives.weight)
    kept = first[order]
    return sums, level[kept], site[kept], np.ones(len(kept), dtype=np.int64)
