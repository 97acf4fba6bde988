"""Raw comparisons: mission survival by level as it was observed, over the whole fleet and within environments."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.estimate.curves import survival_curve
from workbench.lives import Lives
from workbench.ranking.design import Block, Design
from workbench.ranking.overlap import environments_of

__all__ = ["RawComparison", "failed_shares", "raw_comparisons", "within_gain"]

_GROUP = "environment of the comparison"


@dataclass(frozen=True)
class RawComparison:
    """What the curves of a level and its reference show at the mission, without any model.

    `survival` is that of the level; `gain` is its difference to the reference over the whole fleet; `within` is the
    difference within environments, averaged over them. NaN where a curve does not reach the mission.
    """

    survival: float
    gain: float
    within: float


def failed_shares(lives: Lives, mission: float, groups: np.ndarray | None = None) -> np.ndarray:
    """Return for each life the chance that it failed by the mission, given what is known of it.

    1 for a life that failed by then, 0 for one that outlasted it. A life lost early, or whose interval straddles the
    mission, gets P(T <= mission | its interval) from the curve of its group, or of all lives where that curve ends early.

    Parameters
    ----------
    lives : Lives
        n lives.
    mission : float
        Days.
    groups : np.ndarray of shape (n,), optional
        Which lives share a curve; all of them when not given.

    Returns
    -------
    np.ndarray of float, shape (n,)
        NaN where no curve can tell.

    Raises
    ------
    EstimateError
        If there are no lives.
    """
    chance = np.where(lives.failed & (lives.upper <= mission), 1.0, np.where(lives.lower >= mission, 0.0, np.nan))
    for labels in (groups, None):
        open_ = np.flatnonzero(np.isnan(chance))
        if not open_.size:
            break
        codes = np.zeros(len(lives), dtype=np.int64) if labels is None else labels
        for code in np.unique(codes[open_]):
            rows = open_[codes[open_] == code]
            chance[rows] = _conditional(lives, mission, codes == code, rows)
    return chance


def _conditional(lives: Lives, mission: float, group: np.ndarray, rows: np.ndarray) -> np.ndarray:
    known_end = np.isfinite(lives.upper[rows])
    times = np.unique(np.concatenate([lives.lower[rows], lives.upper[rows][known_end], [mission]]))
    alive = survival_at(lives.take(group), times)
    place = np.searchsorted(times, lives.lower[rows])
    end = np.where(known_end, lives.upper[rows], mission)
    before, at_mission = alive[place], alive[np.searchsorted(times, mission)]
    after = np.where(known_end, alive[np.searchsorted(times, end)], 0.0)
    inside = before - after
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(inside > 0, np.clip((before - at_mission) / inside, 0.0, 1.0), np.nan)


def survival_at(lives: Lives, times: np.ndarray) -> np.ndarray:
    """Survival of all lives at sorted times, NaN where not known."""
    return survival_curve(lives).at(times)["survival"].to_numpy(dtype=float)


def within_gain(
    chance: np.ndarray, ours: np.ndarray, theirs: np.ndarray, environment: np.ndarray, weight: np.ndarray
) -> float:
    """Return the difference in share lasting the mission between two levels, compared within environments only.

    Each environment counts by n1 n2 / (n1 + n2) of its units with and without the level (Mantel-Haenszel weights).

    Parameters
    ----------
    chance : np.ndarray of float, shape (n,)
        Chance of each life to have failed by the mission; NaN takes no part.
    ours, theirs : np.ndarray of bool, shape (n,)
        Lives with the level, and with the reference.
    environment : np.ndarray of int, shape (n,)
        Environment of each life.
    weight : np.ndarray of int, shape (n,)
        Units a row stands for.

    Returns
    -------
    float
        NaN if no environment had both.

    Raises
    ------
    Nothing.

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
    """Return the raw comparison of each ranked level with its reference.

    Parameters
    ----------
    design : Design
        The ranking model; only its lives and levels are used.
    mission : float
        Days a unit must last.

    Returns
    -------
    dict of (choice, level) to RawComparison
        Reference levels too, with gain 0.

    Raises
    ------
    Nothing.
    """
    environment = environments_of(design)[2]
    weight = design.lives.weight
    chance = failed_shares(design.lives, mission, environment)
    result = {}
    for block in design.choices:
        survival = _raw_survival(design.lives, block, mission)
        for level in block.ranked:
            ours, theirs = (block.codes == block.levels.index(v) for v in (level, block.reference))
            within = 0.0 if level == block.reference else within_gain(chance, ours, theirs, environment, weight)
            result[block.name, level] = RawComparison(
                survival[level], survival[level] - survival[block.reference], within
            )
    return result


def _raw_survival(lives: Lives, block: Block, mission: float) -> dict[str, float]:
    """Share of each ranked level's units that outlasted the mission, by its own curve."""
    shown = np.isin(block.codes, block.ranked_codes)
    if not shown.any():
        return {}
    labels = pd.DataFrame({_GROUP: np.array(block.levels, dtype=object)[block.codes]})
    curve = survival_curve(lives.replace(covariates=labels).take(shown), _GROUP).at([mission])
    return {str(g): float(s) for g, s in zip(curve["group"], curve["survival"], strict=True)}
