"""Counts of a fleet: rows alike in everything that counts become one life with a weight."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.fleet.fleet_cells import NONE, CellCodes
from workbench.log.cells import shown
from workbench.log.dictionary import Column, Settings, answers_without_mechanism
from workbench.log.rules import LABEL_FIELDS, merged_spellings, notes_on_levels
from workbench.log.season_log import typed_column
from workbench.wording import blank_label

if TYPE_CHECKING:
    from workbench.lives import Lives

__all__ = ["BY_YEAR", "Counted", "counted_lives", "notes_on_cells", "rounded_to"]

BY_YEAR = 1_000
"""Season number of a row that names no season: this and the year of its deployment."""


_MOST_COMPARED = 500
"""Levels of one column that are still compared with each other for slips of the keyboard."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Counted:
    """Rows in use, alike ones counted: k combinations with their lives.

    Attributes
    ----------
    rows : numpy.ndarray of int, shape (k,)
        How many rows each stands for.
    entry, lower, upper : numpy.ndarray of float, shape (k,)
        Ages in days.
    codes : mapping of str to numpy.ndarray of int, shape (k,)
        Numbers of outcome, mechanism and covariates, by field.
    start, seen : numpy.ndarray of int, shape (k,)
        Last day of deployment among the rows, and last day on which one was looked at or known to work.
    """

    rows: np.ndarray
    entry: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    codes: Mapping[str, np.ndarray]
    start: np.ndarray
    seen: np.ndarray


def rounded_to(life: np.ndarray, step: int) -> tuple[np.ndarray, np.ndarray]:
    """Return lives on a grid of whole steps, widened so that each still says nothing but the truth.

    A failure is known to lie between the grid days around it, a suspension counts to the grid day before it, entry from
    the grid day after it. A life that ends before the grid day after its entry says nothing and is left out.

    Shapes: life (s, 3), returns (s, 3).
    """
    if step == 1:
        return life, np.zeros(len(life), dtype=bool)
    entry, lower, upper = life.T
    # an exact failure on day t lies in (t - 1, t] as whole days count
    known = np.where(lower == upper, np.maximum(upper - 1, 0), lower)
    late = np.ceil(entry / step) * step
    low, high = np.floor(known / step) * step, np.ceil(upper / step) * step
    early = (entry > 0) & np.where(np.isfinite(upper), high <= late, low <= late)
    rounded = np.column_stack([late, np.maximum(low, late), high])
    rounded[early] = np.nan
    return rounded, early


def counted_lives(
    counted: Counted,
    covariates: Sequence[str],
    columns: Mapping[str, Column],
    *,
    codes: Mapping[str, CellCodes],
    settings: Settings,
) -> tuple["Lives", list[str]]:
    """Return the lives of a fleet, rows that agree in everything joined."""
    import pandas as pd

    from workbench.lives import Lives

    notes: list[str] = []
    parts: dict[str, _Levels] = {}
    for name in covariates:
        levels = _levels(name, counted, codes, settings=settings)
        merged, said = _spellings(columns[name], levels.carried(counted.rows), settings)
        parts[name] = _ordered([merged.get(v, v) for v in levels.values], levels.places) if merged else levels
        notes += said
    outcome = _levels("outcome", counted, codes, settings=settings)
    cause = _cause(counted, codes, settings, outcome=outcome)
    table = pd.DataFrame({name: levels.places for name, levels in parts.items()})
    table["outcome"], table["wb_cause"] = outcome.places, cause.places
    table["wb_entry"], table["wb_lower"], table["wb_upper"] = counted.entry, counted.lower, counted.upper
    table["followed_to"] = _followed_to(parts, counted, outcome.of("missing"))
    keys = ["wb_lower", "wb_upper", "wb_entry", "wb_cause", *parts, "outcome", "followed_to"]
    table["wb_weight"] = counted.rows
    joined = table.groupby(keys, dropna=False, sort=True)["wb_weight"].sum().reset_index()
    data: dict[str, Any] = {}
    for name, levels in parts.items():
        data[name] = typed_column(
            columns[name], levels.at(joined[name]), partial(levels.carried, counted.rows), settings=settings
        )
    data["outcome"] = pd.Categorical(outcome.at(joined["outcome"]), categories=list(columns["outcome"].known_words))
    if joined["followed_to"].notna().any():
        data["followed_to"] = joined["followed_to"].to_numpy(dtype=float)
    lives = Lives.from_arrays(
        entry=joined["wb_entry"].to_numpy(),
        lower=joined["wb_lower"].to_numpy(),
        upper=joined["wb_upper"].to_numpy(),
        weight=joined["wb_weight"].to_numpy(),
        cause=cause.at(joined["wb_cause"]),
        covariates=pd.DataFrame(data),
    )
    return lives, notes


@dataclass(frozen=True, eq=False)
class _Levels:
    """Values of one field: the different ones in order, and the place of each combination's value among them."""

    values: list[Any]
    places: np.ndarray

    def at(self, places: Any) -> list[Any]:
        return [self.values[i] for i in np.asarray(places)]

    def of(self, value: Any) -> np.ndarray:
        return np.asarray(self.places == (self.values.index(value) if value in self.values else -1))

    def carried(self, rows: np.ndarray) -> dict[Any, int]:
        counts = np.bincount(self.places, rows, len(self.values))
        return {v: int(n) for v, n in zip(self.values, counts, strict=True) if v is not None and n}


def _ordered(values: Sequence[Any], back: np.ndarray) -> _Levels:
    """Different values in one order, whatever numbers stood for them; nothing comes first."""
    different = sorted(set(values), key=lambda v: (v is not None, isinstance(v, str), v if v is not None else 0))
    place = {value: i for i, value in enumerate(different)}
    return _Levels(different, np.array([place[v] for v in values], dtype=np.int64)[back])


def _levels(name: str, counted: Counted, codes: Mapping[str, CellCodes], *, settings: Settings) -> _Levels:
    if name not in counted.codes:
        return _Levels([None], np.zeros(len(counted.rows), dtype=np.int64))
    numbers, back = np.unique(counted.codes[name], return_inverse=True)
    known = codes[name].values if name in codes else {}
    values = [known.get(int(n)) for n in numbers]
    if name == "site":
        blank = blank_label(values)
        values = [blank if v is None else v for v in values]
    if name == "season":
        named = zip(values, numbers, strict=True)
        values = [v if v is not None else settings.season or str(-int(n) - BY_YEAR) for v, n in named]
    return _ordered(values, back)


def _spellings(column: Column, carried: dict[Any, int], settings: Settings) -> tuple[dict[str, str], list[str]]:
    """Spellings that are one level with another, and what is to be said of the words of a column."""
    if not (column.type == "word" and not column.is_closed) and column.name not in LABEL_FIELDS:
        return {}, []  # no other word can stand in it
    merged = merged_spellings(column, carried)
    listed = ", ".join(f"{shown(a)} as {shown(b)}" for a, b in sorted(merged.items()))
    said = f"{column.name}: {listed} (spellings that differ only in case, spaces or punctuation are one level)."
    joined: dict[Any, int] = {}
    for value, rows in carried.items():
        level = merged.get(value, value)
        joined[level] = joined.get(level, 0) + rows
    near = notes_on_levels(column, joined, settings) if len(joined) <= _MOST_COMPARED else []
    return merged, [*([said] if merged else []), *near]


def notes_on_cells(cells: CellCodes, column: Column, settings: Settings) -> list[str]:
    """Return what is to be said of the words of a column that is not kept apart, counted over all rows."""
    return _spellings(column, {value: cells.cells[code] for code, value in cells.values.items()}, settings)[1]


def _cause(counted: Counted, codes: Mapping[str, CellCodes], settings: Settings, *, outcome: _Levels) -> _Levels:
    """Mechanism where failed; nothing where not, or where nobody could name it."""
    named = _levels("mechanism", counted, codes, settings=settings)
    values = ["" if v is None or v in answers_without_mechanism() else v for v in named.values]
    places = np.where(outcome.of("failed"), named.places, len(values))
    return _ordered([*values, ""], places)


def _followed_to(parts: Mapping[str, _Levels], counted: Counted, gone: np.ndarray) -> np.ndarray:
    """Age at the last day seen anywhere at its site in its season, for missing units; of others their own end.

    Not known, NaN for all, unless site and season are kept apart.
    """
    if "site" not in parts or "season" not in parts or not len(gone):
        return np.full(len(gone), np.nan)
    place = parts["site"].places * len(parts["season"].values) + parts["season"].places
    last = np.full(place.max() + 1, NONE, dtype=float)
    np.maximum.at(last, place, counted.seen)
    own = np.where(np.isfinite(counted.upper), counted.upper, counted.lower)
    return np.where(gone, np.maximum(last[place] - counted.start, counted.lower), own)
