"""Differing effects: does a choice work differently in different kinds of place, beyond chance?"""

from collections.abc import Mapping

import numpy as np

from workbench.estimate.shared import adjusted_by_holm
from workbench.ranking.checks.overlap import environments_of
from workbench.ranking.model import LEAST_UNITS, Block, Design

__all__ = ["DIFFERING_P", "differing_effects"]

DIFFERING_P = 0.05
"""p, corrected for the choices ranked, under which a choice is said to work differently by place."""
ARRANGEMENTS = 999
MOST_UNITS = 2000
"""Above so many units a random part of them is asked."""


def differing_effects(design: Design, shares: np.ndarray, *, seed: int = 0) -> Mapping[str, float]:
    """Return for each choice the p value, corrected, of one effect in all kinds of place.

    Pseudo-values at the mission, `shares` (n,), are regressed on the design with and without levels by place; what is
    left of the smaller model changes places within sites. A cell counts where level and reference have at least 5 units
    each.

    References
    ----------
    Freedman & Lane (1983), J. Bus. Econ. Stat. 1, 292-298; Holm (1979), Scand. J. Stat. 6, 65-70.
    """
    blocks = [b for b in design.choices if len(b.ranked) > 1]
    name, places, place = environments_of(design)
    if not name or len(places) < 2 or not blocks:
        return {}
    rows = np.repeat(np.arange(len(design.lives)), design.lives.weight)
    if len(rows) > MOST_UNITS:
        rows = np.sort(np.random.default_rng([seed, 17]).choice(rows, MOST_UNITS, replace=False))
    values, site = shares[rows], design.site_codes[rows]
    base = np.column_stack([np.ones(len(rows)), design.columns[rows]])
    span = _span(base)
    left = values - span @ (span.T @ values)
    mixed = _arranged(left, site, np.random.default_rng([seed, 19]))
    found = {}
    for block in blocks:
        cells = _cells(block, place, design.lives.weight.astype(float), places=len(places))[rows]
        more = _span(cells - span @ (span.T @ cells))
        if not more.shape[1] or not np.isfinite(values).all():
            continue
        reached = ((mixed @ more) ** 2).sum(axis=1)
        target = float(((left @ more) ** 2).sum())
        found[block.name] = (1 + float((reached >= target * (1 - 1e-9)).sum())) / (1 + ARRANGEMENTS)
    adjusted = adjusted_by_holm(np.array(list(found.values())))
    return dict(zip(found, map(float, adjusted), strict=True))


def _span(columns: np.ndarray) -> np.ndarray:
    """An orthonormal basis of what some columns can express.

    Shapes: columns (n, k), returns (n, r).
    """
    if not columns.shape[1]:
        return columns
    left, size, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(left[:, size > 1e-8 * max(float(size.max(initial=0.0)), 1.0)])


def _arranged(left: np.ndarray, site: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Residuals that changed places within sites; shape (ARRANGEMENTS, n)."""
    mixed = np.tile(left, (ARRANGEMENTS, 1))
    for number in np.unique(site):
        here = np.flatnonzero(site == number)
        mixed[:, here] = rng.permuted(mixed[:, here], axis=1)
    return mixed


def _cells(block: Block, place: np.ndarray, weight: np.ndarray, *, places: int) -> np.ndarray:
    """A column for each ranked level in each place where it and the reference have enough units; shape (n, cells)."""
    codes = np.asarray(block.codes)
    base = block.levels.index(block.reference)
    units = np.bincount(codes * places + place, weight, len(block.levels) * places).reshape(-1, places)
    enough = [
        (level, spot)
        for level in block.ranked_codes
        for spot in range(places)
        if level != base and min(units[level, spot], units[base, spot]) >= LEAST_UNITS
    ]
    return (
        np.column_stack([((codes == v) & (place == p)).astype(float) for v, p in enough])
        if enough
        else np.zeros((len(codes), 0))
    )
