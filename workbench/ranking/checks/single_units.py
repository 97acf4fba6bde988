"""Single units: what would each comparison say without one unit, or without one of the rows of a unit?"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from workbench.estimate.likelihood import step_from
from workbench.mentions import Mention, Sentence, joined
from workbench.ranking.checks.second_estimate import SecondEstimate
from workbench.ranking.checks.sensitivity import contrasts_of, gain_matrix
from workbench.ranking.model import SCALES, Design, FittedDesign, standardise

__all__ = ["LeftOut", "leave_out_units"]

MOST_UNITS = 1000
"""Above so many units none is left out: one of them hardly moves a gain, and each costs a step."""


@dataclass(frozen=True, eq=False)
class LeftOut:
    """Gains of every comparison without one of m units or rows; the fleet that levels are put into stays as it is.

    Attributes
    ----------
    names : tuple of str
        Label of the unit (cluster), or "row 17" of the lives given, from 0; a row of a unit is "LM-203, row 17".
    site_column : str
        The column of sites, "" where there is none.
    places : tuple of tuple of str
        Sites of each, empty where there is no site.
    rows : tuple of np.ndarray
        Rows of the design of each.
    whole : tuple of bool
        Whether each is a whole unit; else it is one row of a unit that has several.
    alike : np.ndarray of int, shape (m,)
        Units that each stands for: several where a row without a label does.
    pairs : tuple of (choice, level)
        The L comparisons.
    gains : np.ndarray of float, shape (m, L)
        Gain in mission survival without it.
    second : np.ndarray of float, shape (m, L)
        By how much the second estimate would fall.
    notes : tuple of str
        Why none was left out, where none was.
    """

    names: tuple[str, ...]
    site_column: str
    places: tuple[tuple[str, ...], ...]
    rows: tuple[np.ndarray, ...]
    whole: tuple[bool, ...]
    alike: np.ndarray
    pairs: tuple[tuple[str, str], ...]
    gains: np.ndarray
    second: np.ndarray
    notes: tuple[str, ...] = ()

    def of(self, pair: tuple[str, str]) -> tuple[np.ndarray, np.ndarray]:
        """Gains without each, and falls of the second estimate, of one comparison.

        Shapes: returns (m,), (m,).
        """
        column = self.pairs.index(pair)
        return self.gains[:, column], self.second[:, column]

    def place(self, number: int) -> Sentence:
        """Where one of them stood, "" where there is no site."""
        sites = [Mention(self.site_column, site, alone=True) for site in self.places[number]]
        return joined(" and ", map(Sentence, sites))

    def named(self, number: int) -> Sentence:
        """One of them with its place, in words."""
        at = (" at ", self.place(number)) if self.places[number] else ()
        return Sentence(self.names[number], *at)


def leave_out_units(fitted: FittedDesign, mission: float, second: Mapping[tuple[str, str], SecondEstimate]) -> LeftOut:
    """Return the gains without each unit, by one Newton step from the fit of all.

    References
    ----------
    Pregibon (1981), Annals of Statistics 9, 705-724; Efron & Tibshirani (1993), An Introduction to the Bootstrap,
    ch. 11 (jackknife); both from memory. The step is checked against refits.
    """
    design, base = fitted.design, fitted.weight
    pairs = tuple(contrasts_of(design))
    if _size_of(design) > MOST_UNITS:
        note = f"With more than {MOST_UNITS:,} units none was left out by itself."
        nothing = np.zeros((0, len(pairs)))
        return LeftOut((), "", (), (), (), np.zeros(0, dtype=np.int64), pairs, nothing, nothing, (note,))
    names, groups, units = _units_of(design)
    weights = np.tile(base, (len(groups), 1))
    moved = np.zeros((len(groups), len(pairs)))
    moves = np.column_stack([np.nan_to_num(second[p].moves) for p in pairs]) if pairs else np.zeros((len(base), 0))
    for number, rows in enumerate(groups):
        lone = len(rows) == 1  # a row without a label may stand for several units, of which one is left out
        weights[number, rows] -= 1.0 if lone else base[rows]
        moved[number] = moves[rows].sum(axis=0) if lone else base[rows] @ moves[rows]
    steps = step_from(fitted.problem, weights, fitted.best, free_scale=fitted.best.scale[0] not in SCALES)
    gains = gain_matrix(design, standardise(design, steps, mission, days=False), pairs)
    labelled = design.lives.cluster is not None
    alike = np.array([1 if labelled else design.lives.weight[rows[0]] for rows in groups], dtype=np.int64)
    site, places = _places_of(design, groups)
    whole = tuple(number < units for number in range(len(groups)))
    return LeftOut(names, site, places, groups, whole, alike, pairs, gains, moved)


def _size_of(design: Design) -> int:
    """Number of units, and of single rows of those that have several."""
    if design.clusters is None:
        return len(design.lives)
    rows = np.bincount(design.clusters)
    return len(rows) + int(rows[rows > 1].sum())


def _units_of(design: Design) -> tuple[tuple[str, ...], tuple[np.ndarray, ...], int]:
    """Name and rows of every unit, then of every single row of the units that have several; the number of units."""
    lives = design.lives
    if lives.cluster is None:
        names = tuple(f"row {row}" for row in design.rows_from)
        return names, tuple(np.array([i]) for i in range(len(lives))), len(lives)
    labels, place = np.unique(np.asarray(lives.cluster).astype(str), return_inverse=True)
    groups = [np.flatnonzero(place == number) for number in range(len(labels))]
    several = [(str(label), row) for label, rows in zip(labels, groups, strict=True) for row in rows if len(rows) > 1]
    names = (*map(str, labels), *(f"{label}, row {design.rows_from[row]}" for label, row in several))
    return names, (*groups, *(np.array([row]) for _, row in several)), len(groups)


def _places_of(design: Design, groups: Sequence[np.ndarray]) -> tuple[str, tuple[tuple[str, ...], ...]]:
    """The column of sites and the sites of every group of rows."""
    block = next((b for b in design.blocks if b.role == "site" and b.codes is not None), None)
    if block is None:
        return "", ((),) * len(groups)
    site = np.asarray(block.codes)
    return block.name, tuple(tuple(dict.fromkeys(block.levels[site[row]] for row in rows)) for rows in groups)
