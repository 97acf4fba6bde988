"""Likelihood regions: the edge of all parameters that the lives support, and the limits of any figure over it."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

__all__ = ["Region", "find_region", "limits_over"]

FARTHEST = 1e5
"""Multiple of the quadratic radius after which a direction counts as open."""


@dataclass(frozen=True, eq=False)
class Region:
    """Edge of the set of parameters whose log-likelihood is within a given drop of the maximum.

    Attributes
    ----------
    edge : np.ndarray, shape (v, d)
        Points in equal steps around the maximum (d = 2), or the two ends (d = 1).
    open : np.ndarray of bool, shape (v,)
        Where no edge was found: the lives set no limit in that direction.
    """

    edge: np.ndarray
    open: np.ndarray


def find_region(
    log_likelihood: Callable[[np.ndarray], np.ndarray],
    best: np.ndarray,
    curvature: np.ndarray,
    *,
    drop: float,
    directions: int = 128,
    last_is_positive: bool = False,
) -> Region:
    """Follow rays from the maximum to where the log-likelihood has fallen by `drop`.

    Shapes: best (d,), curvature (d, d).

    References
    ----------
    Meeker & Escobar (1995), American Statistician 49, 48-53 (limits from likelihood regions).
    """
    if len(best) == 1:
        rays = np.array([[-1.0], [1.0]])
    else:
        angle = 2.0 * np.pi * np.arange(directions) / directions
        rays = np.column_stack([np.cos(angle), np.sin(angle)])
    rays = rays @ np.linalg.cholesky(np.linalg.inv(-curvature)).T
    goal = np.sqrt(2.0 * drop)
    farthest = np.full(len(rays), FARTHEST * goal)
    if last_is_positive:
        inward = rays[:, -1] < 0
        farthest[inward] = np.minimum(farthest[inward], (1.0 - 1e-9) * best[-1] / -rays[inward, -1])
    top = float(log_likelihood(best[None, :])[0])

    def depth(which: np.ndarray, radius: np.ndarray) -> np.ndarray:
        value = log_likelihood(best + radius[:, None] * rays[which])
        return np.sqrt(2.0 * np.maximum(top - np.where(np.isfinite(value), value, -np.inf), 0.0))

    radius, is_open = _radii(depth, goal, farthest)
    return Region(best + radius[:, None] * rays, is_open)


def _radii(
    depth: Callable[[np.ndarray, np.ndarray], np.ndarray], goal: float, farthest: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Radius at which `depth`, nearly proportional to it, equals the goal: bracketed secant, all rays at once."""
    inner, inner_depth = np.zeros(len(farthest)), np.zeros(len(farthest))
    outer, outer_depth = np.full(len(farthest), np.inf), np.full(len(farthest), np.inf)
    radius = np.minimum(goal, 0.5 * farthest)
    live = np.arange(len(farthest))
    for turn in range(100):
        reached = depth(live, radius[live])
        inside = reached < goal
        inner[live[inside]], inner_depth[live[inside]] = radius[live[inside]], reached[inside]
        outer[live[~inside]], outer_depth[live[~inside]] = radius[live[~inside]], reached[~inside]
        narrow = outer[live] - inner[live] < 1e-12 * goal
        spent = inside & (radius[live] > (1.0 - 1e-9) * farthest[live])
        live = live[~((np.abs(reached - goal) < 1e-9) | narrow | spent)]
        if not live.size:
            break
        low, high = inner[live], outer[live]
        known = np.isfinite(outer_depth[live])
        share = (goal - inner_depth[live]) / np.where(known, outer_depth[live] - inner_depth[live], 1.0)
        if turn % 4 == 3:
            share[:] = 0.5
        between = low + np.where(known, np.clip(share, 0.0, 1.0), 0.5) * (np.where(np.isfinite(high), high, low) - low)
        further = np.where(4.0 * low < farthest[live], 2.0 * low, 0.5 * (low + farthest[live]))
        further = np.where(further > 0.999999 * farthest[live], farthest[live], further)
        radius[live] = np.where(np.isfinite(high), between, further)
    return radius, ~np.isfinite(outer)


def limits_over(region: Region, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Smallest and largest value of figures over the edge of a region.

    Shapes: values (v, q), returns (q,).
    """
    return -_largest(region, -values), _largest(region, values)


def _largest(region: Region, values: np.ndarray) -> np.ndarray:
    place = np.argmax(np.where(np.isnan(values), np.inf, values), axis=0)
    column = np.arange(values.shape[1])
    middle = values[place, column]
    count = len(values)
    touched = region.open[place]
    if count > 2:
        before, after = values[place - 1, column], values[(place + 1) % count, column]
        touched |= region.open[place - 1] | region.open[(place + 1) % count]
        with np.errstate(all="ignore"):
            bend = before - 2.0 * middle + after
            middle = np.where(bend < 0, middle - (after - before) ** 2 / (8.0 * bend), middle)
    return np.where(touched | ~np.isfinite(middle), np.nan, middle)
