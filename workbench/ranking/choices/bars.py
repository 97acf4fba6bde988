"""Bars: what keeps a comparison from being clear, or from being likely, whatever its own evidence says?"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workbench.mentions import Mention, Sentence
from workbench.ranking.checks import (
    ALL_FAILED,
    ALL_WORKED,
    LEVEL_FAILED,
    REFERENCE_FAILED,
    SEASON_CLOCK,
    LeftOut,
    Overlap,
    RawComparison,
    SecondEstimate,
    Sensitivity,
    ShapeCheck,
)
from workbench.ranking.choices.core import ChoiceFigures
from workbench.ranking.model import Block, Design
from workbench.results import Result, columns_to_frame
from workbench.wording import count_of, percent_text, points_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Checks",
    "LeftOutUnit",
    "Pair",
    "SingleUnits",
    "WithoutOne",
    "blank_reasons",
    "clock_reasons",
    "rests_on",
    "shape_reasons",
    "single_units",
    "turned_by_shape",
    "undone_by_missing",
    "undone_by_one",
    "uneven_reasons",
    "weakest_without",
]

MOST_BLANK = 0.2
"""Share of units without a record of a choice from which on it is at most likely (a judgement, no source)."""

MOST_NAMED = 5
"""Units each of which undoes a clear, above which it rests on no single one but lies near to zero (a judgement)."""

Pair = tuple[str, str]


@dataclass(frozen=True, eq=False)
class Checks:
    """What the grades look at beside the model: overlap, other assumptions, raw curves, hazard ratios, clock."""

    overlap: Overlap
    sensitivity: Sensitivity
    raw: Mapping[Pair, RawComparison]
    hazard: Mapping[Pair, float]
    clock: Mapping[str, ChoiceFigures] | None
    every_cause: Mapping[Pair, RawComparison] | None
    second: Mapping[Pair, SecondEstimate]
    left_out: LeftOut
    shapes: Mapping[str, ShapeCheck]

    def run_gains(self, run: str) -> dict[Pair, float]:
        """Gains of every comparison in one sensitivity run."""
        return self.sensitivity.gains_of(run)


@dataclass(frozen=True)
class WithoutOne:
    """The unit or site that a gain would lose most by: its name, the gain without it, and whether a clear rests on it.

    `undoing` counts the units (or sites) each of which would undo a clear. Nothing left out: "", NaN and 0. `site` is
    the site's own name where a site was left out.
    """

    name: str = ""
    gain: float = float("nan")
    undoing: int = 0
    site: str = ""


def rests_on(name: str, gain: float, undoing: int) -> tuple[Sentence, ...]:
    """Return what a clear rests on, a clause without full stop, or nothing where none of them undoes it."""
    if undoing == 0:
        return ()
    if undoing > MOST_NAMED:
        many = f"its limits lie so near to zero that each of {undoing} units, left out, takes them there"
        return (Sentence(many),)
    more = f", and as much on {count_of(undoing - 1, 'other')}" if undoing > 1 else ""
    return (Sentence("it rests on ", name, f" ({points_text(gain)} without){more}"),)


def blank_reasons(design: Design, block: Block) -> tuple[Sentence, ...]:
    """Say that too many units lack a record of a choice, if they do."""
    share = _blank_share(design, block)
    if share <= MOST_BLANK:
        return ()
    return (Sentence(Mention(block.name), f" is not recorded for {percent_text(share)} of the units"),)


def _blank_share(design: Design, block: Block) -> float:
    if block.blank is None:
        return 0.0
    weight = design.lives.weight
    return float(weight[block.codes == block.blank].sum() / weight.sum())


def undone_by_missing(choice: ChoiceFigures, number: int, checks: Checks) -> tuple[Sentence, ...]:
    """Which assumption on missing units halves the gain, or moves it so far that its limits reach zero, if any."""
    pair = (choice.block.name, choice.block.ranked[number])
    for run, words in ((ALL_FAILED, "had failed"), (ALL_WORKED, "had worked on")):
        gain = checks.run_gains(run).get(pair, np.nan) + choice.place_shift[number]
        if _undone(choice, number, gain):
            return (Sentence(f"{points_text(gain)} if all missing units {words}"),)
    return tuple(x.sentence for x in checks.sensitivity.uneven if x.choice == pair[0])


def _undone(choice: ChoiceFigures, number: int, gain: float) -> bool:
    """Whether another gain is half or less, or its limits would reach zero if they moved along with it."""
    sign = 1.0 if choice.gain[number] > 0 else -1.0
    before, nearer = sign * choice.gain[number], min(sign * choice.lower[number], sign * choice.upper[number])
    return bool(sign * gain < 0.5 * before or (nearer > 0 and nearer + sign * gain - before <= 0))


def uneven_reasons(choice: ChoiceFigures, number: int, checks: Checks) -> tuple[Sentence, ...]:
    """Why a level is at most unclear where missing units depend on the choice and could turn the sign."""
    pair = (choice.block.name, choice.block.ranked[number])
    sign = 1.0 if choice.gain[number] > 0 else -1.0
    turned = checks.run_gains(LEVEL_FAILED if sign > 0 else REFERENCE_FAILED).get(pair, np.nan) * sign <= 0
    found = [x.sentence for x in checks.sensitivity.uneven if x.choice == pair[0]]
    return (Sentence(found[0], ", and that alone could turn the sign"),) if found and turned else ()


def shape_reasons(choice: ChoiceFigures, number: int, checks: Checks) -> tuple[Sentence, ...]:
    """Say that the levels of a choice differ in shape, with the gain if each had its own, if they do."""
    check = checks.shapes[choice.block.name]
    own = check.gains.get(choice.block.ranked[number], float("nan"))
    told = f" ({points_text(own)} with a shape for each)" if np.isfinite(own) else ""
    return (Sentence(check.sentence, told),) if check.differs else ()


def turned_by_shape(choice: ChoiceFigures, number: int, checks: Checks) -> tuple[Sentence, ...]:
    """Why a level is at most unclear where its sign turns once each level has a shape of its own."""
    own = checks.shapes[choice.block.name].gains.get(choice.block.ranked[number], float("nan"))
    return shape_reasons(choice, number, checks) if own * choice.gain[number] < 0 else ()


def clock_reasons(choice: ChoiceFigures, number: int, checks: Checks) -> tuple[Sentence, ...]:
    """What the day of the season as clock changes, if anything."""
    if checks.clock is None:
        return ()
    moved = checks.clock[choice.block.name]
    level = choice.block.ranked[number]
    if choice.gain[number] * moved.gain[number] < 0:
        return (Sentence(f"the sign differs with the {SEASON_CLOCK}"),)
    before, after = choice.bare_grades()[level], moved.bare_grades()[level]
    return (Sentence(f"with the {SEASON_CLOCK} the grade would be '{after}'"),) if before != after else ()


def weakest_without(choice: ChoiceFigures, number: int, checks: Checks, *, of_sites: bool = False) -> WithoutOne:
    """Return the unit (or site) without which the gain is least, those first that undo a clear.

    Without a unit a clear is undone where the gain is half or less, or where the limits of the gain or of the second
    estimate would reach zero if they moved along; without a site, by the first two alone. The p value stays as it is.
    """
    pair, sign = (choice.block.name, choice.block.ranked[number]), 1.0 if choice.gain[number] > 0 else -1.0
    sites = list(checks.sensitivity.site_runs)
    if choice.block.reference == pair[1] or not np.isfinite(choice.gain[number]):
        return WithoutOne()
    alike = np.ones(len(sites), dtype=np.int64) if of_sites else checks.left_out.alike
    if of_sites:
        gains = np.array([checks.run_gains(run).get(pair, np.nan) for run in checks.sensitivity.site_runs.values()])
        gains = gains + choice.place_shift[number]
        undone = np.array([_undone(choice, number, gain) for gain in gains], dtype=bool)
    else:
        gains, undone = _without_units(choice, number, checks)
    if not np.isfinite(gains).any():
        return WithoutOne()
    least = int(np.lexsort((sign * gains, ~undone))[0])  # those that undo it first; unknown gains stand last
    site = sites[least] if of_sites else ""
    at = Mention(checks.left_out.site_column, site, alone=True)
    name = Sentence("the units at ", at) if of_sites else checks.left_out.named(least)
    return WithoutOne(name, float(gains[least]), int(alike[undone].sum()), site)


def _without_units(choice: ChoiceFigures, number: int, checks: Checks) -> tuple[np.ndarray, np.ndarray]:
    """Gains without each of the units left out, and which of them would undo a clear.

    Shapes: returns (m,), (m,).
    """
    pair, sign = (choice.block.name, choice.block.ranked[number]), 1.0 if choice.gain[number] > 0 else -1.0
    gains, falls = checks.left_out.of(pair)
    gains = gains + choice.place_shift[number]
    second = checks.second[pair]
    nearer = min(sign * second.lower, sign * second.upper)
    undone = np.array([_undone(choice, number, gain) for gain in gains], dtype=bool)
    return gains, undone | ((nearer > 0) & (nearer - sign * falls <= 0))


def undone_by_one(choice: ChoiceFigures, number: int, checks: Checks) -> tuple[Sentence, ...]:
    """Which unit and which site left out undo a clear, if any."""
    unit, site = (weakest_without(choice, number, checks, of_sites=of_sites) for of_sites in (False, True))
    return (*rests_on(unit.name, unit.gain, unit.undoing), *rests_on(site.name, site.gain, site.undoing))


@dataclass(frozen=True)
class LeftOutUnit:
    """What was left out: rows of the lives given, from 0, and whether they are all rows of a unit."""

    rows: tuple[int, ...]
    is_whole: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class SingleUnits(Result):
    """What every comparison would say without each unit, or without one of the rows of a unit that has several.

    `columns`: unit (its label, or "row 17" of the lives given, from 0), site, choice, level, survival_gain,
    gain_without, undoes (a clear would be likely without it). One row per unit and comparison, those first that move
    a gain most towards zero. Each is left out by one Newton step from the fit of all.

    Attributes
    ----------
    left_out : tuple of LeftOutUnit
        What each row of the table leaves out.
    """

    left_out: tuple[LeftOutUnit, ...] = ()

    def of(self, choice: str, level: str) -> "pd.DataFrame":
        """The rows of one comparison.

        Parameters
        ----------
        choice, level : str
            A choice and a level of it.

        Returns
        -------
        pandas.DataFrame
            As in the table; empty where the level was not compared.
        """
        here = (self.columns["choice"] == choice) & (self.columns["level"] == level)
        return columns_to_frame({name: values[here] for name, values in self.columns.items()})


def single_units(figures: Mapping[str, ChoiceFigures], checks: Checks, rows_from: np.ndarray) -> SingleUnits:
    """Return what every comparison would say without each unit.

    Shapes: rows_from (n,), the row of the lives given that each row of the design came from.
    """
    left_out = checks.left_out
    m = len(left_out.names)
    each = [LeftOutUnit(tuple(rows_from[r].tolist()), w) for r, w in zip(left_out.rows, left_out.whole, strict=True)]
    sites_of = [str(left_out.place(number)) for number in range(m)]
    units, sites = (np.array(v, dtype=object).reshape(m) for v in (left_out.names, sites_of))
    told_of: list[LeftOutUnit] = []
    parts: dict[str, list[np.ndarray]] = {
        name: [] for name in ("unit", "site", "choice", "level", "survival_gain", "gain_without", "undoes")
    }
    for pair in left_out.pairs:
        choice = figures[pair[0]]
        number = choice.block.ranked.index(pair[1])
        gain, (gains, undone) = choice.gain[number], _without_units(choice, number, checks)
        order = np.argsort(np.where(gain > 0, gains, -gains), kind="stable")
        told = (units, sites, np.full(m, pair[0], object), np.full(m, pair[1], object), np.full(m, gain), gains, undone)
        for name, values in zip(parts, told, strict=True):
            parts[name].append(values[order])
        told_of += [each[number] for number in order]
    empty: list[np.ndarray] = [np.zeros(0, dtype=object)]
    columns = {name: np.concatenate(values or empty) for name, values in parts.items()}
    return SingleUnits(columns=columns, notes=left_out.notes, left_out=tuple(told_of))
