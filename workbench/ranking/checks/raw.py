"""Raw comparisons: mission survival by level as it was observed, over the whole fleet and within environments."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.curves import survival_curve
from workbench.estimate.turnbull import mass_of
from workbench.lives import Lives
from workbench.ranking.checks.overlap import environments_of
from workbench.ranking.mission import life_curve, mission_labels, share_failed
from workbench.ranking.model import Block, Design

__all__ = ["RawComparison", "failed_shares", "raw_comparisons", "within_gain"]


@dataclass(frozen=True)
class RawComparison:
    """What the curves of a level and its reference show at the mission, without any model.

    `survival` is that of the level; `gain` is its difference to the reference over the whole fleet; `within` is the
    difference within environments, averaged over them. NaN where a curve does not reach the mission.
    """

    survival: float
    gain: float
    within: float


def failed_shares(lives: Lives, mission: float, groups: np.ndarray) -> np.ndarray:
    """Return for each life the chance that it failed by the mission, given what is known of it.

    1 for a life that failed by then, 0 for one that outlasted it. A life lost early, or whose interval straddles the
    mission, gets P(T <= mission | its interval) from the curve of its group.

    Shapes: groups (n,), returns (n,).
    """
    chance = np.full(len(lives), np.nan)
    early = lives.entry <= 0
    for group in np.unique(groups[early]):
        rows = np.flatnonzero(early & (groups == group))
        some = lives.take(rows)
        chance[rows] = share_failed(some, mission_labels(some, mission), mission, curve=life_curve(some))
    return chance


def _survival_at(lives: Lives, times: np.ndarray) -> np.ndarray:
    """Survival of all lives at times, without limits; NaN after the last known day unless all have failed."""
    if lives.is_right_censored:
        return np.asarray(survival_curve(lives).at(times)["survival"].to_numpy(dtype=float))
    fitted = mass_of(lives.lower, lives.upper, lives.entry, weight=lives.weight)
    first = np.arange(len(fitted.mass)) < fitted.ends[0] if fitted.breaks_off else np.full(len(fitted.mass), True)
    closed = first & np.isfinite(fitted.cells.end)
    start, end = fitted.cells.start[closed], fitted.cells.end[closed]
    after = fitted.survival[closed]
    if not after.size:
        return np.where(times <= fitted.cells.start[0], 1.0, np.nan)
    before = np.concatenate([[1.0], after[:-1]])
    start = np.where(start == end, np.nextafter(start, -np.inf), start)
    alive = np.interp(times, np.column_stack([start, end]).ravel(), np.column_stack([before, after]).ravel(), left=1.0)
    open_end = fitted.cells.start[first & ~closed]
    known_to = open_end[0] if open_end.size else end[-1]
    alive[(times > known_to) & (alive > 1e-12)] = np.nan
    return np.asarray(alive)


def within_gain(
    chance: np.ndarray, ours: np.ndarray, theirs: np.ndarray, *, environment: np.ndarray, weight: np.ndarray
) -> float:
    """Return the difference in share lasting the mission between two levels, compared within environments only.

    Each environment counts by n1 n2 / (n1 + n2) of its units with and without the level (Mantel-Haenszel weights).

    Shapes: chance (n,), ours, theirs (n,), environment (n,), weight (n,).

    References
    ----------
    Greenland & Robins (1985), Biometrics 41, 55-68.
    """
    known = np.isfinite(chance)
    size = int(environment.max()) + 1
    sums = []
    for mask in (ours & known, theirs & known):
        units = np.bincount(environment[mask], weight[mask], size)
        failed = np.bincount(environment[mask], weight[mask] * chance[mask], size)
        sums.append((units, failed))
    (n1, f1), (n2, f2) = sums
    both = (n1 > 0) & (n2 > 0)
    if not both.any():
        return float("nan")
    n1, f1, n2, f2 = n1[both], f1[both], n2[both], f2[both]
    share = n1 * n2 / (n1 + n2)
    return float((share * (f2 / n2 - f1 / n1)).sum() / share.sum())


def raw_comparisons(design: Design, mission: float) -> dict[tuple[str, str], RawComparison]:
    """Return the raw comparison of each ranked level with its reference."""
    environment = environments_of(design)[2]
    weight = design.lives.weight
    chance = failed_shares(design.lives, mission, environment)
    result = {}
    for block in design.choices:
        survival = _raw_survival(design.lives, block, mission)
        for level in block.ranked:
            ours, theirs = (np.asarray(block.codes) == block.levels.index(v) for v in (level, block.reference))
            within = (
                0.0
                if level == block.reference
                else within_gain(chance, ours, theirs, environment=environment, weight=weight)
            )
            result[block.name, level] = RawComparison(
                survival[level], survival[level] - survival[block.reference], within
            )
    return result


def _raw_survival(lives: Lives, block: Block, mission: float) -> dict[str, float]:
    """Share of each ranked level's units that outlasted the mission, by its own curve."""
    at = np.array([mission])
    numbers = zip(block.ranked, block.ranked_codes, strict=True)
    return {level: float(_survival_at(lives.take(block.codes == number), at)[0]) for level, number in numbers}
