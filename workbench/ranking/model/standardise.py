"""Standardisation: the share of the fleet that would last the mission, and its mean life, had all carried a level."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import gammainc, gammaln, roots_jacobi

from workbench.estimate.likelihood import AftBatch, Family, family_of
from workbench.ranking.model.design import Block, Design

__all__ = ["Standardised", "restricted_life", "standardise", "standardise_levels"]

NODES = 5
"""Points of time at which the mean life of a replicate is summed up; a test bounds the error."""
MOST_PATTERNS = 2048
"""Kinds of unit above which many fits are put into so many of them, evenly spread over the fleet."""
AT_ONCE = 1 << 19
"""Lives times replicates worked on together."""


def _nodes() -> tuple[np.ndarray, np.ndarray]:
    """Times in (0, 1], the last one 1, and weights of a Radau rule in the square root of time."""
    inner, weight = roots_jacobi(NODES - 1, 1.0, 0.0)
    roots = np.append((inner + 1.0) / 2.0, 1.0)
    weights = np.append(weight / (1.0 - inner) / 2.0, 1.0 / NODES**2)
    return roots**2, 2.0 * roots * weights


NODE_TIMES, NODE_WEIGHTS = _nodes()


@dataclass(frozen=True, eq=False)
class Standardised:
    """Mission survival and restricted mean of the ranked levels of one choice.

    Attributes
    ----------
    levels : tuple of str
        The ranked levels.
    survival : np.ndarray of float, shape (B, L)
        Share of the population that would outlast the mission.
    days : np.ndarray of float, shape (B, L)
        Mean life up to the mission.
    """

    levels: tuple[str, ...]
    survival: np.ndarray
    days: np.ndarray


def standardise(
    design: Design, fits: AftBatch, mission: float, *, distribution: str = "weibull", days: bool = True
) -> dict[str, Standardised]:
    """Put every level of every choice into the whole population, in each of B fits.

    The population is every life of the design, weighted by the units it stands for and counted from day 0 whatever its
    entry (the g-formula for one choice at a time, all else as it was).

    References
    ----------
    Robins (1986), Mathematical Modelling 7, 1393-1512; Hernán & Robins, Causal Inference: What If, ch. 13.
    """
    columns, pattern = design.patterns
    share = np.bincount(pattern, design.lives.weight, len(columns))
    share = share / share.sum()
    if len(fits.scale) == 1 or len(columns) <= MOST_PATTERNS:
        return _put_in(design, fits, columns, share=share, mission=mission, distribution=distribution, days=days)
    # many fits of a fleet of many kinds: each by a part of the fleet, and what the part is off by for their mean
    middle = replace(
        fits,
        coefficients=fits.coefficients.mean(axis=0, keepdims=True),
        intercept=fits.intercept.mean(keepdims=True),
        scale=np.exp(np.log(fits.scale).mean(keepdims=True)),
    )
    part = _spread_out(columns @ middle.coefficients[0], share)
    found, rough, exact = (
        _put_in(design, what, columns[rows], share=shares, mission=mission, distribution=distribution, days=days)
        for what, rows, shares in (
            (fits, part, np.full(MOST_PATTERNS, 1.0 / MOST_PATTERNS)),
            (middle, part, np.full(MOST_PATTERNS, 1.0 / MOST_PATTERNS)),
            (middle, np.arange(len(columns)), share),
        )
    )
    return {
        name: Standardised(
            got.levels,
            got.survival + exact[name].survival - rough[name].survival,
            got.days + exact[name].days - rough[name].days,
        )
        for name, got in found.items()
    }


def _spread_out(location: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Rows that stand for equal parts of a population in the order of location; shape (MOST_PATTERNS,)."""
    order = np.argsort(location, kind="stable")
    middles = (np.arange(MOST_PATTERNS) + 0.5) / MOST_PATTERNS
    return order[np.minimum(np.searchsorted(share[order].cumsum(), middles), len(order) - 1)]


def _put_in(
    design: Design,
    fits: AftBatch,
    columns: np.ndarray,
    *,
    share: np.ndarray,
    mission: float,
    distribution: str,
    days: bool,
) -> dict[str, Standardised]:
    """Every level of every choice put into a population of distinct rows.

    Shapes: columns (P, k), share (P,).
    """
    batch = fits.scale.shape[0]
    family = family_of(distribution)
    results = {
        b.name: Standardised(b.ranked, np.full((batch, len(b.ranked)), np.nan), np.full((batch, len(b.ranked)), np.nan))
        for b in design.choices
    }
    step = max(1, AT_ONCE // len(columns))
    for begin in range(0, batch, step):
        rows = slice(begin, min(begin + step, batch))
        location = fits.intercept[rows, None] + fits.coefficients[rows] @ columns.T
        for block in design.choices:
            effects = fits.coefficients[rows, block.start : block.stop]
            others = location - effects @ columns[:, block.start : block.stop].T
            survival, mean = standardise_levels(
                block, family, others, fitted=(effects, fits.scale[rows]), mission=mission, share=share, days=days
            )
            results[block.name].survival[rows], results[block.name].days[rows] = survival, mean
    return results


def standardise_levels(
    block: Block,
    family: Family,
    others: np.ndarray,
    *,
    fitted: tuple[np.ndarray, np.ndarray],
    mission: float,
    share: np.ndarray,
    days: bool,
) -> tuple[np.ndarray, np.ndarray]:
    """Mission survival and restricted mean (B, L) of the ranked levels; `others` (B, P) is all else.

    Shapes: fitted (B, levels) effects and (B,) scales, share (P,).
    """
    effects, scale = fitted
    if not block.ranked:
        return np.zeros((len(scale), 0)), np.zeros((len(scale), 0))
    pull = effects[:, block.ranked_codes] / scale[:, None]
    mean_share = _mean_share(family, (np.log(mission) - others) / scale[:, None], share)
    survival = mean_share(-pull)
    if not days:
        return survival, np.full(survival.shape, np.nan)
    if family.name in ("weibull", "exponential") and len(scale) == 1:
        location = others + effects[:, block.ranked_codes].T[:, :1]
        exact = [restricted_life(location_l, scale[0], mission) @ share for location_l in location]
        return survival, np.array([exact])
    mean = NODE_WEIGHTS[-1] * survival
    for time, part in zip(NODE_TIMES[:-1], NODE_WEIGHTS[:-1], strict=True):
        mean = mean + part * mean_share(np.log(time) / scale[:, None] - pull)
    return survival, mission * mean


def _mean_share(family: Family, z: np.ndarray, share: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """Function of shifts (B, L) of z that gives the population's mean survival (B, L)."""
    if family.name not in ("weibull", "exponential"):
        return lambda shift: np.stack([family.survival(z + s[:, None]) @ share for s in shift.T], axis=1)
    # a shift of z multiplies the hazard, so that one exponential a life is enough; single precision does for replicates
    kind = np.float32 if len(z) > 1 else np.float64
    hazard = np.exp(np.clip(z, -60.0, 60.0)).astype(kind)
    parts = share.astype(kind)

    def mean_share(shift: np.ndarray) -> np.ndarray:
        factor = -np.exp(np.clip(shift, -20.0, 20.0)).astype(kind)
        means = np.empty(shift.shape)
        room = np.empty_like(hazard)
        for level in range(shift.shape[1]):
            np.multiply(hazard, factor[:, level, None], out=room)
            np.exp(room, out=room)
            means[:, level] = room @ parts
        return means

    return mean_share


def restricted_life(location: np.ndarray, scale: float, mission: float) -> np.ndarray:
    """Return the mean Weibull life up to the mission, in closed form.

    Examples
    --------
    >>> restricted_life(np.array([0.0]), 1.0, 1.0).round(6)  # exponential of mean 1 cut at 1: 1 - exp(-1)
    array([0.632121])
    """
    end = np.exp(np.clip((np.log(mission) - location) / scale, -700.0, 700.0))
    log_life = location + np.log(scale) + gammaln(scale)
    small = end < 1e-12
    partial = gammainc(scale, np.where(small, 1.0, end))
    return np.where(small, mission, np.exp(np.minimum(log_life, 700.0)) * partial)
