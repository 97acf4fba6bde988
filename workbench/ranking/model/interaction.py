"""Interaction: what does each level do in each kind of place, when the model lets it differ from place to place?"""

from dataclasses import dataclass, replace

import numpy as np

from workbench.estimate.likelihood import AftBatch, cell_patterns, family_of
from workbench.ranking.model.design import Block, Design
from workbench.ranking.model.standardise import Standardised, standardise_levels

__all__ = ["INTERACTION_SD", "Interaction", "interact", "standardise_places"]

INTERACTION_SD = 0.5
"""Prior standard deviation of what a level does in one kind of place beyond what it does on average, on log time."""


@dataclass(frozen=True, eq=False)
class Interaction:
    """A design in which one choice may work differently in each kind of place.

    Attributes
    ----------
    design : Design
        With a column for each level in each place behind all others.
    block : Block
        The choice.
    places : tuple of str
        Kinds of place.
    place : np.ndarray of int, shape (n,)
        Place of each row.
    start : int
        First of the columns of levels in places, level by level.
    """

    design: Design
    block: Block
    places: tuple[str, ...]
    place: np.ndarray
    start: int


def interact(design: Design, block: Block, *, places: tuple[str, ...], place: np.ndarray) -> Interaction:
    """Return the design with levels of one choice that may differ by place, shrunken to no difference.

    Shapes: place (n,).
    """
    cell = np.asarray(block.codes) * len(places) + place
    size = len(block.levels) * len(places)
    more = np.zeros((len(place), size))
    more[np.arange(len(place)), cell] = 1.0
    start = design.columns.shape[1]
    wider = replace(
        design,
        columns=np.column_stack([design.columns, more]),
        precision=np.concatenate([design.precision, np.full(size, 1.0 / INTERACTION_SD**2)]),
    )
    return Interaction(wider, block, places, place, start)


def standardise_places(interaction: Interaction, fits: AftBatch, mission: float, *, days: bool = False) -> Standardised:
    """Put each ranked level into all units of each place; figures have shape (B, L, places).

    A fleet's figure is the mean over places by the units that stood there.
    """
    design, block = interaction.design, interaction.block
    family = family_of("weibull")
    stacked = np.column_stack([design.columns, interaction.place])
    distinct, pattern = cell_patterns(stacked)
    columns, place = distinct[:, :-1], distinct[:, -1].astype(int)
    units = np.bincount(pattern, design.lives.weight, len(columns))
    own = np.r_[block.start : block.stop, interaction.start : columns.shape[1]]
    others = fits.intercept[:, None] + fits.coefficients @ columns.T
    others -= fits.coefficients[:, own] @ columns[:, own].T
    shape = (len(fits.scale), len(block.ranked), len(interaction.places))
    survival, mean = np.full(shape, np.nan), np.full(shape, np.nan)
    for number in range(len(interaction.places)):
        here = place == number
        if not here.any():
            continue
        effects = (
            fits.coefficients[:, block.start : block.stop]
            + fits.coefficients[:, interaction.start + number : columns.shape[1] : len(interaction.places)]
        )
        survival[:, :, number], mean[:, :, number] = standardise_levels(
            block,
            family,
            others[:, here],
            fitted=(effects, fits.scale),
            mission=mission,
            share=units[here] / units[here].sum(),
            days=days,
        )
    return Standardised(block.ranked, survival, mean)
