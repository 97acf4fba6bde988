"""Levels of the ranking: covariates in, levels with the small ones pooled out, in an order that no name decides."""

from typing import NamedTuple

import numpy as np
import pandas as pd

from workbench.errors import EstimateError
from workbench.estimate.shared import terms_of, text_levels, with_level
from workbench.lives import Lives
from workbench.mentions import Mention, Sentence, joined

__all__ = [
    "LEAST_UNITS",
    "OTHER",
    "Reading",
    "joined_rows",
    "level_text",
    "level_texts",
    "read_levels",
    "sortable_values",
]

LEAST_UNITS = 5
"""A level of fewer units is pooled with its like (a judgement, no source)."""
OTHER = "other"
"""How the level of all levels with too few units reads; a level of that name in the log is another one."""


class Reading(NamedTuple):
    """A covariate as levels or a number; pool and blank are level numbers, which no word of the log can take."""

    levels: tuple[str, ...]
    data: np.ndarray
    is_number: bool
    pooled: tuple[str, ...] = ()
    pool: int | None = None
    blank: int | None = None


def sortable_values(lives: Lives, name: str) -> np.ndarray:
    """Return a covariate as numbers that depend on its values, or on what its levels hold, not on names.

    Shapes: returns (n,).
    """
    column = lives.covariates[name]
    if pd.api.types.is_datetime64_any_dtype(column):
        days = column.to_numpy(dtype="datetime64[D]").astype(np.int64)
        return np.where(column.isna().to_numpy(), -1, days)
    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        return np.asarray(column.to_numpy(dtype=float, na_value=-1.0))
    levels, codes = text_levels(column)
    place = np.empty(len(levels) + 1, dtype=np.int64)
    place[_order_without_names(lives, codes + 1, len(levels) + 1)] = np.arange(len(levels) + 1)
    return np.asarray(place[codes + 1])


def read_levels(lives: Lives, name: str, role: str, *, notes: list[Sentence]) -> Reading:
    """Read a covariate of the model."""
    if role == "choice" and name in lives.covariates.columns:
        lives = _number_as_levels(lives, name)
    if role in ("site", "season"):
        lives = lives.replace(covariates={name: lives.covariates[name].astype(object)})
    term = terms_of(lives, name)[0]
    if term.values is not None:
        return Reading(("+1",), term.values, True)
    read = Reading(term.levels, np.asarray(term.codes, dtype=np.int64), False, blank=term.blank)
    if role == "choice":
        read = _pooled(lives, name, read, notes=notes)
    rank = _order_without_names(lives, read.data, len(read.levels))
    place = np.empty(len(rank), dtype=np.int64)
    place[rank] = np.arange(len(rank))
    return read._replace(
        levels=tuple(read.levels[i] for i in rank),
        data=place[read.data],
        pool=None if read.pool is None else int(place[read.pool]),
        blank=None if read.blank is None else int(place[read.blank]),
    )


def _number_as_levels(lives: Lives, name: str) -> Lives:
    column = lives.covariates[name]
    if not pd.api.types.is_numeric_dtype(column) or pd.api.types.is_bool_dtype(column):
        return lives
    values = column.nunique()
    if values > 12:
        raise EstimateError(
            f"{name} is a number with {values} different values; band it into levels, or put it in adjust"
        )
    return lives.replace(covariates=lives.covariates.assign(**{name: level_texts(column)}))


def level_text(value: object) -> str:
    """The name of the level of a value: a number has one name, whether it is whole or kept as a fraction."""
    is_number = isinstance(value, int | float | np.number) and not isinstance(value, bool)
    return f"{value:.15g}" if is_number else str(value)


def level_texts(column: pd.Series) -> pd.Series:
    """A column as texts of levels, blanks left blank."""
    return column.astype(object).map(level_text, na_action="ignore")


def _pooled(lives: Lives, name: str, read: Reading, *, notes: list[Sentence]) -> Reading:
    levels = read.levels
    units = np.bincount(read.data, lives.weight, len(levels)).astype(np.int64)
    recorded = np.arange(len(levels)) != (-1 if read.blank is None else read.blank)
    if recorded.sum() < 2:
        only = levels[int(np.argmax(recorded))]
        raise EstimateError(f"{name} has one level only ({only}), so it cannot be ranked; leave it out of choices")
    small = recorded & (units < LEAST_UNITS)
    if not small.any():
        return read
    kept = np.flatnonzero(~small)
    place = np.where(small, len(kept), np.cumsum(~small) - 1)
    names = with_level([levels[i] for i in kept], OTHER, "pooled")
    each = (Sentence(Mention(name, levels[i], alone=True), f" {units[i]}") for i in np.flatnonzero(small))
    few, pooled = f": levels under {LEAST_UNITS} units (", f") are pooled as '{names[-1]}', fitted but not ranked."
    notes.append(Sentence(Mention(name), few, joined(", ", each), pooled))
    return Reading(
        names,
        place[read.data],
        False,
        pooled=tuple(levels[i] for i in np.flatnonzero(small)),
        pool=len(kept),
        blank=None if read.blank is None else int(place[read.blank]),
    )


def _order_without_names(lives: Lives, codes: np.ndarray, size: int) -> np.ndarray:
    weight = lives.weight.astype(float)
    failed = lives.failed
    ends = np.where(failed, lives.upper, 0.0)
    sums = [weight, weight * failed, weight * lives.lower, weight * ends, weight * lives.entry, weight * lives.lower**2]
    keys = [np.round(np.bincount(codes, values, size), 6) for values in sums]
    return np.lexsort([np.arange(size), *reversed(keys)])


def joined_rows(bare: Lives, order: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Join identical rows.

    Shapes: order (n,), returns (m,).
    """
    parts: list[np.ndarray] = [bare.lower, bare.upper, bare.entry]
    parts += [column.to_numpy() for _, column in bare.covariates.items()]
    if bare.cluster is not None:
        parts.append(bare.cluster)
    fresh = np.zeros(len(order), dtype=bool)
    fresh[:1] = True
    for part in parts:
        values = part[order]
        fresh[1:] |= values[1:] != values[:-1]
    starts = np.flatnonzero(fresh)
    return order[starts], np.add.reduceat(bare.weight[order], starts)
