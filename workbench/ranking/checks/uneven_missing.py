"""Uneven missing: are units with one level missing more often than those with others, beyond chance?"""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.shared import adjusted_by_holm
from workbench.mentions import Mention, Sentence
from workbench.ranking.checks.missing_units import MissingUnits
from workbench.ranking.checks.permute import choice_permutation_p
from workbench.ranking.model import Block, Design
from workbench.wording import p_text, percent_text

__all__ = ["UNEVEN_P", "UnevenMissing", "uneven_missing"]

UNEVEN_P = 0.05
"""p, corrected for the choices looked at, under which units of one level are said to be missing more often."""


@dataclass(frozen=True)
class UnevenMissing:
    """The level of one choice whose units are missing most above what their sites would have, and how sure that is.

    `share` and `others` are the shares missing with the level and with the other levels; `p_value` is corrected.
    """

    choice: str
    level: str
    share: float
    others: float
    p_value: float

    @property
    def sentence(self) -> Sentence:
        """The difference in words, without full stop."""
        often = f" are missing more often ({percent_text(self.share)}) than others ({percent_text(self.others)})"
        return Sentence(
            "units with ", Mention(self.choice, self.level), often, f", beyond chance ({p_text(self.p_value)})"
        )


def uneven_missing(design: Design, missing: MissingUnits, seed: int) -> tuple[UnevenMissing, ...]:
    """Return the choices of which one level's units are missing more often, units changing places within sites.

    References
    ----------
    Holm (1979), Scandinavian Journal of Statistics 6, 65-70.
    """
    gone = np.zeros(len(design.lives))
    gone[missing.of] = 1.0
    blocks = [b for b in design.choices if len(b.ranked) > 1]
    if not missing.units or not blocks:
        return ()
    raw = np.array([_p_value(design, b, gone, rng=np.random.default_rng([seed, 7, i])) for i, b in enumerate(blocks)])
    known = np.where(np.isfinite(raw), raw, 1.0)
    found = zip(blocks, adjusted_by_holm(known), strict=True)
    return tuple(_named(design, block, gone, p_value=float(p)) for block, p in found if p < UNEVEN_P)


def _p_value(design: Design, block: Block, gone: np.ndarray, *, rng: np.random.Generator) -> float:
    codes = np.asarray(block.codes)
    level = np.where(np.isin(codes, block.ranked_codes), codes, -1)
    return choice_permutation_p(gone, level, design.site_codes, weight=design.lives.weight, rng=rng)


def _named(design: Design, block: Block, gone: np.ndarray, *, p_value: float) -> UnevenMissing:
    site, weight = design.site_codes, design.lives.weight.astype(float)
    codes, ranked = np.asarray(block.codes), block.ranked_codes
    part = np.isin(codes, ranked)
    sites = int(site.max()) + 1
    usual = np.bincount(site[part], (gone * weight)[part], sites) / np.maximum(
        np.bincount(site[part], weight[part], sites), 1
    )
    excess = np.bincount(codes[part], (weight * (gone - usual[site]))[part], len(block.levels))
    of_level = np.bincount(codes[part], weight[part], len(block.levels))
    most = int(ranked[np.argmax(excess[ranked] / np.sqrt(of_level[ranked]))])
    ours, others = codes == most, part & (codes != most)
    share, rest = (float(weight[rows] @ gone[rows] / weight[rows].sum()) for rows in (ours, others))
    return UnevenMissing(block.name, block.levels[most], share, rest, p_value)
