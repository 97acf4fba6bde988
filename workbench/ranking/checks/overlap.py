"""Overlap: where each level stood, what share of the fleet lies outside of that, and how to mix levels next season."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from workbench.estimate.shared import joined_labels, levels_with_blank, text_levels
from workbench.mentions import Mention, Sentence, listed
from workbench.ranking.checks.aliases import Alias, find_aliases
from workbench.ranking.model import LEAST_UNITS, Block, Design
from workbench.results import Result
from workbench.wording import percent_text

__all__ = ["Overlap", "choice_never_mixes", "environments_of", "extrapolated_shares", "mixing_advice", "overlap_of"]

PLACES = ("environment", "site", "batch")
"""Columns that the overlap of a choice is shown with."""
FAR_OUTSIDE = 0.25
"""Share of the fleet outside of a level's environments from which on advice is given (a judgement, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Overlap(Result):
    """Units and failures of every level of every choice by environment, site and batch.

    `columns`: choice, level, place, value, units, failures; a row for every pair, with 0 where a level never stood.

    Attributes
    ----------
    aliases : tuple of Alias
        What cannot be told apart.
    advice : tuple of Sentence
        How to mix levels next season so that it can.
    """

    aliases: tuple[Alias, ...] = ()
    advice: tuple[Sentence, ...] = ()


def environments_of(design: Design) -> tuple[str, tuple[str, ...], np.ndarray]:
    """Return what counts as the environment of a life."""
    frame = design.lives.covariates
    n = len(design.lives)
    if "environment" in frame.columns:
        levels, codes, _ = levels_with_blank(frame["environment"])
        return "environment", levels, codes
    exposures = [b for b in design.blocks if b.role == "adjust" and b.codes is not None]
    if not exposures:
        return "", ("all",), np.zeros(n, dtype=np.int64)
    stacked = np.column_stack([np.asarray(b.codes) for b in exposures])
    distinct, joined = np.unique(stacked, axis=0, return_inverse=True)
    names = joined_labels([[b.levels[c] for b, c in zip(exposures, row, strict=True)] for row in distinct])
    return " / ".join(b.name for b in exposures), names, joined.reshape(-1)


def extrapolated_shares(design: Design) -> dict[tuple[str, str], float]:
    """Return the share of the fleet in environments where each ranked level never was."""
    _, names, environment = environments_of(design)
    weight = design.lives.weight
    units = np.bincount(environment, weight, len(names))
    shares = {}
    for block in design.choices:
        for level, number in zip(block.ranked, block.ranked_codes, strict=True):
            there = np.bincount(environment[block.codes == number], minlength=len(names)) > 0
            shares[block.name, level] = float(units[~there].sum() / units.sum())
    return shares


def choice_never_mixes(design: Design, block: Block) -> bool:
    """Return whether no site held two ranked levels of a choice."""
    if not any(b.role == "site" for b in design.blocks):
        return False
    site, size = design.site_codes, len(block.levels)
    there = np.bincount(site * size + np.asarray(block.codes), minlength=(int(site.max()) + 1) * size) > 0
    return bool(there.reshape(-1, size)[:, block.ranked_codes].sum(axis=1).max(initial=0) < 2)


def overlap_of(design: Design, places: Sequence[str] = PLACES) -> Overlap:
    """Return where each level of each choice stood."""
    lives = design.lives
    rows: dict[str, Any] = {name: [] for name in ("choice", "level", "place", "value", "units", "failures")}
    crossed = {name: text_levels(lives.covariates[name]) for name in places if name in lives.covariates.columns}
    for block in design.choices:
        for place, (values, codes) in crossed.items():
            if place == block.name:
                continue
            units = _counts(block, codes, len(values), weight=lives.weight)
            failures = _counts(block, codes, len(values), weight=lives.weight * lives.failed)
            for i, level in enumerate(block.levels):
                for j, value in enumerate(values):
                    cells = (block.name, level, place, value, int(units[i, j]), int(failures[i, j]))
                    for name, cell in zip(rows, cells, strict=True):
                        rows[name].append(cell)
    aliases = find_aliases(design)
    return Overlap(columns=rows, aliases=aliases, advice=mixing_advice(design, aliases))


def _counts(block: Block, codes: np.ndarray, size: int, *, weight: np.ndarray) -> np.ndarray:
    known = codes >= 0
    place = np.asarray(block.codes)[known] * size + codes[known]
    return np.bincount(place, weight[known], len(block.levels) * size).reshape(-1, size)


def mixing_advice(design: Design, aliases: Sequence[Alias]) -> tuple[Sentence, ...]:
    """Return sentences on how to mix levels next season so that what is confounded now can be told apart."""
    advice = []
    site_name = next((b.name for b in design.blocks if b.role == "site"), "")
    lone = [Mention(b.name) for b in design.choices if len(b.ranked) > 1 and choice_never_mixes(design, b)]
    if lone:
        at = Mention(site_name)
        advice.append(Sentence("Put at least two levels of ", listed(lone), " at every ", at, ", assigned at random."))
    told: set[frozenset[Mention]] = set()
    for alias in aliases:
        ours, other = Mention(alias.choice, alias.level), Mention(alias.partner, alias.partner_level)
        pair = frozenset((ours, other))
        if alias.kind == "site" or pair in told:
            continue
        told.add(pair)
        both_ways = f", and some the other way round, at least {LEAST_UNITS} of each."
        advice.append(Sentence("Build some units with ", ours, " but without ", other, both_ways))
    place, names, environment = environments_of(design)
    for (choice, level), share in extrapolated_shares(design).items():
        if share <= FAR_OUTSIDE:
            continue
        block = design.block(choice)
        there = set(environment[block.codes == block.levels.index(level)].tolist())
        never = listed([Mention(place, n, alone=True) for i, n in enumerate(names) if i not in there])
        without = f", where {percent_text(share)} of the fleet stood without any."
        advice.append(
            Sentence(f"Put at least {LEAST_UNITS} units with ", Mention(choice, level), " into ", never, without)
        )
    return tuple(advice)
