"""Bars: what keeps a comparison from being clear, or from being likely, whatever its own evidence says?"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

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
    "Pair",
    "SingleUnits",
    "WithoutOne",
    "blank_text",
    "clock_text",
    "rests_on_text",
    "shape_text",
    "single_units",
    "turned_by_shape",
    "undone_by_missing",
    "undone_by_one",
    "uneven_text",
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
        c = self.sensitivity.columns
        rows = zip(c["run"], c["choice"], c["level"], c["survival_gain"], strict=True)
        return {(choice, level): float(gain) for name, choice, level, gain in rows if name == run}


@dataclass(frozen=True)
class WithoutOne:
    """The unit or site that a gain would lose most by: its name, the gain without it, and whether a clear rests on it.

    `undoing` counts the units (or sites) each of which would undo a clear. Nothing left out: "", NaN and 0.
    """

    name: str = ""
    gain: float = float("nan")
    undoing: int = 0

    @property
    def words(self) -> str:
        """What a clear rests on, without full stop."""
        return rests_on_text(self.name, self.gain, self.undoing)


def rests_on_text(name: str, gain: float, undoing: int) -> str:
    """Return what a clear rests on in words without full stop, or "" where none of them undoes it."""
    if undoing == 0:
        return ""
    if undoing > MOST_NAMED:
        return f"its limits lie so near to zero that each of {undoing} units, left out, takes them there"
    more = f", and as much on {count_of(undoing - 1, 'other')}" if undoing > 1 else ""
    return f"it rests on {name} ({points_text(gain)} without){more}"


def blank_text(design: Design, block: Block) -> str:
    """Say that too many units lack a record of a choice, or ""."""
    share = _blank_share(design, block)
    return f"{block.name} is not recorded for {percent_text(share)} of the units" if share > MOST_BLANK else ""


def _blank_share(design: Design, block: Block) -> float:
    if block.blank is None:
        return 0.0
    weight = design.lives.weight
    return float(weight[block.codes == block.blank].sum() / weight.sum())


def undone_by_missing(choice: ChoiceFigures, number: int, checks: Checks) -> str:
    """Which assumption on missing units halves the gain, or moves it so far that its limits reach zero, or ""."""
    pair = (choice.block.name, choice.block.ranked[number])
    for run, words in ((ALL_FAILED, "had failed"), (ALL_WORKED, "had worked on")):
        gain = checks.run_gains(run).get(pair, np.nan) + choice.place_shift[number]
        if _undone(choice, number, gain):
            return f"{points_text(gain)} if all missing units {words}"
    uneven = [x.sentence for x in checks.sensitivity.uneven if x.choice == pair[0]]
    return "; ".join(uneven)


def _undone(choice: ChoiceFigures, number: int, gain: float) -> bool:
    """Whether another gain is half or less, or its limits would reach zero if they moved along with it."""
    sign = 1.0 if choice.gain[number] > 0 else -1.0
    before, nearer = sign * choice.gain[number], min(sign * choice.lower[number], sign * choice.upper[number])
    return bool(sign * gain < 0.5 * before or (nearer > 0 and nearer + sign * gain - before <= 0))


def uneven_text(choice: ChoiceFigures, number: int, checks: Checks) -> str:
    """Why a level is at most unclear where missing units depend on the choice and could turn the sign, or ""."""
    pair = (choice.block.name, choice.block.ranked[number])
    sign = 1.0 if choice.gain[number] > 0 else -1.0
    turned = checks.run_gains(LEVEL_FAILED if sign > 0 else REFERENCE_FAILED).get(pair, np.nan) * sign <= 0
    found = [x.sentence for x in checks.sensitivity.uneven if x.choice == pair[0]]
    return f"{found[0]}, and that alone could turn the sign" if found and turned else ""


def shape_text(choice: ChoiceFigures, number: int, checks: Checks) -> str:
    """Say that the levels of a choice differ in shape, with the gain if each had its own, or ""."""
    check = checks.shapes[choice.block.name]
    own = check.gains.get(choice.block.ranked[number], float("nan"))
    told = f" ({points_text(own)} with a shape for each)" if np.isfinite(own) else ""
    return f"{check.sentence}{told}" if check.differs else ""


def turned_by_shape(choice: ChoiceFigures, number: int, checks: Checks) -> str:
    """Why a level is at most unclear where its sign turns once each level has a shape of its own, or ""."""
    own = checks.shapes[choice.block.name].gains.get(choice.block.ranked[number], float("nan"))
    return shape_text(choice, number, checks) if own * choice.gain[number] < 0 else ""


def clock_text(choice: ChoiceFigures, number: int, checks: Checks) -> str:
    """What the day of the season as clock changes, or ""."""
    if checks.clock is None:
        return ""
    moved = checks.clock[choice.block.name]
    level = choice.block.ranked[number]
    if choice.gain[number] * moved.gain[number] < 0:
        return f"the sign differs with the {SEASON_CLOCK}"
    before, after = choice.bare_grades()[level], moved.bare_grades()[level]
    return f"with the {SEASON_CLOCK} the grade would be '{after}'" if before != after else ""


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
    name = f"the units at {sites[least]}" if of_sites else checks.left_out.named(least)
    return WithoutOne(name, float(gains[least]), int(alike[undone].sum()))


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


def undone_by_one(choice: ChoiceFigures, number: int, checks: Checks) -> str:
    """Which unit or site left out undoes a clear, or ""."""
    found = (weakest_without(choice, number, checks, of_sites=of_sites) for of_sites in (False, True))
    return "; ".join(filter(None, (without.words for without in found)))


@dataclass(frozen=True, kw_only=True, eq=False)
class SingleUnits(Result):
    """What every comparison would say without each unit, or without one of the rows of a unit that has several.

    `columns`: unit (its label, or "row 17" of the lives given, from 0), site, choice, level, survival_gain,
    gain_without, undoes (a clear would be likely without it). One row per unit and comparison, those first that move
    a gain most towards zero. Each is left out by one Newton step from the fit of all.
    """

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


def single_units(figures: Mapping[str, ChoiceFigures], checks: Checks) -> SingleUnits:
    """Return what every comparison would say without each unit."""
    left_out = checks.left_out
    m = len(left_out.names)
    units, sites = (np.array(v, dtype=object).reshape(m) for v in (left_out.names, left_out.places))
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
    empty: list[np.ndarray] = [np.zeros(0, dtype=object)]
    return SingleUnits(columns={name: np.concatenate(values or empty) for name, values in parts.items()})
