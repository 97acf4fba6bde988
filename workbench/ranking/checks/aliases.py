"""Aliases: comparisons that the design itself cannot tell from a site or another column, found without outcomes."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.estimate.shared import text_levels
from workbench.mentions import Mention, Sentence
from workbench.ranking.model import Block, Design
from workbench.wording import Grade

__all__ = ["Alias", "find_aliases", "partner_columns"]

NEARLY = 0.1
"""Share of the chance overlap under which two columns count as nearly the same (a judgement, no source)."""
ENOUGH_PAIRS = 8.0
"""Pairs that chance alone would have made, below which the absence of pairs says nothing (a judgement, no source)."""
MOST_LEVELS = 0.25
"""A column with more levels than this share of the lives is a label of units, not a circumstance."""

_NO_PARTNERS = (
    *("outcome", "mechanism", "cause", "unit_id", "unit", "deployment", "notes", "analyst", "confidence"),
    *("followed_to", "deployed_on"),
)


@dataclass(frozen=True)
class Alias:
    """A level that cannot be told apart from something else.

    Attributes
    ----------
    choice, level : str
        The level of a choice.
    partner : str
        The other column, or the site column.
    partner_level : str
        Its level that goes with this level most; "" when the partner is the site.
    kind : str
        same (never apart), nearly, or site (never at one site with the reference, however indirectly).
    sentence : Sentence
        The reason, a clause without full stop.
    """

    choice: str
    level: str
    partner: str
    partner_level: str
    kind: str
    sentence: Sentence


def partner_columns(design: Design, skip: Sequence[str] = ()) -> dict[str, tuple[tuple[str, ...], np.ndarray]]:
    """Return the columns that a choice could be confounded with: other choices, exposures, batch and the like."""
    frame = design.lives.covariates
    sites = {b.name for b in design.blocks if b.role == "site"}
    most = max(3.0, MOST_LEVELS * design.lives.units)
    found: dict[str, tuple[tuple[str, ...], np.ndarray]] = {}
    for block in design.choices:
        if block.codes is not None:
            found[block.name] = (block.levels, block.codes)
    for name in frame.columns:
        column = frame[name]
        if name in found or name in sites or name in skip or name in _NO_PARTNERS:
            continue
        if pd.api.types.is_datetime64_any_dtype(column) or pd.api.types.is_float_dtype(column):
            continue
        levels, codes = text_levels(column)
        if 2 <= len(levels) <= most:
            found[name] = (levels, codes)
    return found


def find_aliases(design: Design) -> tuple[Alias, ...]:
    """Return every ranked level whose comparison with its reference the design cannot separate from something else.

    A level is aliased with a site when no chain of sites that held two levels each leads from it to the reference. It
    is aliased with another column when, at every site that had both the level and the reference, that column alone
    tells which of the two a unit carried; or when the comparison is no longer estimable once that column is in the
    model.
    """
    partners = partner_columns(design)
    weight, site = design.lives.weight, design.site_codes
    site_name = next((b.name for b in design.blocks if b.role == "site"), "")
    aliases: list[Alias] = []
    for block in design.choices:
        codes = np.asarray(block.codes)
        joined = _components(codes, site, len(block.levels)) if site_name else np.zeros(len(block.levels))
        base = block.levels.index(block.reference) if block.reference else -1
        sizes = {name: (len(block.levels), len(levels), int(site.max()) + 1) for name, (levels, _) in partners.items()}
        tables = {
            name: _joint_units(codes, others, site, weight=weight, sizes=sizes[name])
            for name, (_, others) in partners.items()
            if name != block.name and len(block.ranked) > 1
        }
        for level in block.ranked:
            number = block.levels.index(level)
            if number == base:
                continue
            if joined[number] != joined[base]:
                aliases.append(_site_alias(block, level, site_name))
                continue
            for name, units in tables.items():
                kind = _kind(units, number, base)
                if kind:
                    partner_level = _partner_level(units, number, base, levels=partners[name][0])
                    aliases.append(_pair_alias(block, level, name, partner_level=partner_level, kind=kind))
    return tuple(aliases)


def _site_alias(block: Block, level: str, site_name: str) -> Alias:
    ours, site = Mention(block.name, level), Mention(site_name)
    theirs = Mention(block.name, block.reference, alone=True)
    never = Sentence(ours, " and ", theirs, " never stood at the same ", site)
    same = Sentence(ours, " and the ", site, " ", Grade.NOT_APART)
    sentence = Sentence(never, ", nor are they linked by levels that did, so ", same)
    return Alias(block.name, level, site_name, "", "site", sentence)


def _pair_alias(block: Block, level: str, name: str, *, partner_level: str, kind: str) -> Alias:
    almost = "almost always went together and " if kind == "nearly" else ""
    ours, other = Mention(block.name, level), Mention(name, partner_level)
    sentence = Sentence(ours, " and ", other, f" {almost}", Grade.NOT_APART)
    return Alias(block.name, level, name, partner_level, kind, sentence)


def _components(codes: np.ndarray, site: np.ndarray, size: int) -> np.ndarray:
    """Number of the connected part of the level-site graph that each level lies in."""
    part = np.arange(size)
    for members in (np.unique(codes[site == s]) for s in np.unique(site)):
        part[np.isin(part, part[members])] = part[members].min()
    return part


def _joint_units(
    codes: np.ndarray, others: np.ndarray, site: np.ndarray, *, weight: np.ndarray, sizes: tuple[int, int, int]
) -> np.ndarray:
    """Units by level, level of another column and site, without those whose other column is blank."""
    rows = others >= 0
    place = (codes[rows] * sizes[1] + others[rows]) * sizes[2] + site[rows]
    return np.bincount(place, weight[rows], sizes[0] * sizes[1] * sizes[2]).reshape(sizes)


def _kind(units: np.ndarray, level: int, base: int) -> str:
    """How the comparison of a level with the reference is confounded with another column: "", "same" or "nearly"."""
    if not _estimable(units, level, base):
        return "same"
    ours, theirs = units[level], units[base]
    seen = (ours * theirs).sum()
    both = ours + theirs
    total = both.sum(axis=0)
    alike = (both * (both - 1)).sum(axis=0) / np.maximum(total * (total - 1), 1)
    expected = float((ours.sum(axis=0) * theirs.sum(axis=0) * alike).sum())
    if expected < ENOUGH_PAIRS:
        return ""
    return "same" if seen == 0 else "nearly" if seen < NEARLY * expected else ""


def _estimable(units: np.ndarray, level: int, base: int) -> bool:
    """Whether level minus base can be estimated with effects of sites and of the other column all free."""
    if not units[level].any() or not units[base].any():
        return True
    rows = np.argwhere(units)
    design = np.concatenate([np.eye(size)[rows[:, i]] for i, size in enumerate(units.shape)], axis=1)
    contrast = np.zeros(design.shape[1])
    contrast[level], contrast[base] = 1.0, -1.0
    gram = design.T @ design
    solved = np.linalg.lstsq(gram, contrast, rcond=1e-9)[0]
    return bool(np.abs(gram @ solved - contrast).max() < 1e-6)


def _partner_level(units: np.ndarray, level: int, base: int, *, levels: tuple[str, ...]) -> str:
    """The other column's level that goes with the level and least with the reference."""
    ours, theirs = units[level].sum(axis=1), units[base].sum(axis=1)
    gap = ours / max(ours.sum(), 1) - theirs / max(theirs.sum(), 1)
    return levels[int(np.argmax(gap))] if gap.max() > 0 else ""
