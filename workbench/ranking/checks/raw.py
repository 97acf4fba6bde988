"""Raw comparisons: mission survival by level as it was observed, over the whole fleet and within environments."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.curves import DifferenceWithin, differences_within, survival_at, survival_curve
from workbench.estimate.shared import text_levels
from workbench.lives import Lives
from workbench.ranking.checks.overlap import environments_of
from workbench.ranking.model import Block, Design

__all__ = ["RawComparison", "raw_comparisons"]


@dataclass(frozen=True)
class RawComparison:
    """What the curves of a level and its reference show at the mission, without any model.

    `survival` is that of the level; `gain` is its difference to the reference over the whole fleet; `within` is the
    difference within environments, averaged over them. NaN where a curve does not reach the mission.
    """

    survival: float
    gain: float
    within: DifferenceWithin


def raw_comparisons(design: Design, mission: float) -> dict[tuple[str, str], RawComparison]:
    """Return the raw comparison of each ranked level with its reference."""
    environment, frame = environments_of(design)[2], design.lives.covariates
    if "environment" in frame.columns:  # units of which nobody knows where they stood are no place of their own
        environment = np.where(text_levels(frame["environment"])[1] < 0, -1, environment)
    none = DifferenceWithin(difference=0.0)
    result = {}
    for block in design.choices:
        if not block.ranked:
            continue
        survival = _raw_survival(design.lives, block, mission)
        base = int(block.ranked_codes[block.ranked.index(block.reference)])
        within = differences_within(design.lives, np.asarray(block.codes), environment, time=mission, reference=base)
        for level, number in zip(block.ranked, block.ranked_codes, strict=True):
            result[block.name, level] = RawComparison(
                survival[level], survival[level] - survival[block.reference], within.get(int(number), none)
            )
    return result


def _raw_survival(lives: Lives, block: Block, mission: float) -> dict[str, float]:
    """Share of each ranked level's units that outlasted the mission, by its own curve."""
    numbers = zip(block.ranked, block.ranked_codes, strict=True)
    return {level: _survival_at(lives.take(block.codes == number), mission) for level, number in numbers}


def _survival_at(lives: Lives, mission: float) -> float:
    """Survival of all lives, without limits; NaN after the last known day unless all have failed."""
    if lives.is_right_censored:
        return float(survival_curve(lives).at(np.array([mission]))["survival"].iloc[0])
    at = survival_at(lives.lower, lives.upper, lives.entry, weight=lives.weight, times=np.array([mission]))
    return float(at[0])
