"""Groups: which life belongs to which value of `by`, in the one order and spelling that every table uses."""

from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import count
from numbers import Number
from typing import Any

import numpy as np
import pandas as pd

from workbench.checks import check_columns
from workbench.errors import EstimateError, UsageError
from workbench.lives import Lives
from workbench.wording import blank_label

__all__ = [
    "Groups",
    "distinct_labels",
    "groups_of",
    "joined_labels",
    "joined_levels",
    "levels_of",
    "levels_with_blank",
    "text_levels",
    "with_blank",
    "with_level",
]

LONG, SHARED_BY = 10_000, 8
"""Rows from which objects of a column are first told apart by place, if each stands for so many rows on average."""


@dataclass(frozen=True, eq=False)
class Groups:
    """The groups of n lives: `labels` in table order, `codes` (n,) with -1 where a life has no value, and `notes`."""

    labels: tuple[str, ...]
    codes: np.ndarray
    notes: tuple[str, ...] = ()


def distinct_labels(labels: Sequence[str], fuller: Sequence[str]) -> tuple[str, ...]:
    """Return labels of which no two read alike: those that would, in a fuller form, and with a number if need be."""
    times = Counter(labels)
    told = [more if times[label] > 1 else label for label, more in zip(labels, fuller, strict=True)]
    taken = set(told)
    if len(taken) == len(told):
        return tuple(told)
    seen: set[str] = set()
    for place, label in enumerate(told):
        if label in seen:
            told[place] = next(text for n in count(2) if (text := f"{label} ({n})") not in taken)
            taken.add(told[place])
        seen.add(told[place])
    return tuple(told)


def joined_labels(rows: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Return one label for each row of level names: the names side by side, in quotes where two would read alike."""
    return distinct_labels([" / ".join(row) for row in rows], [" / ".join(map(repr, row)) for row in rows])


def _value_labels(values: Sequence[Hashable]) -> tuple[str, ...]:
    return distinct_labels([str(v) for v in values], [f"{v} ({_kind(v)})" for v in values])


def _kind(value: Hashable) -> str:
    kinds = (("text", str), ("yes or no", bool | np.bool_), ("number", Number | np.number), ("date", date))
    return next((word for word, kind in kinds if isinstance(value, kind)), type(value).__name__)


def text_levels(column: pd.Series) -> tuple[tuple[str, ...], np.ndarray]:
    """Return the levels that occur in a column, as text, and each row's level number."""
    if not isinstance(column.dtype, pd.CategoricalDtype):
        rows, few = _told_apart(column)
        codes, values = pd.factorize(few, use_na_sentinel=True)
        texts = np.array(_value_labels(list(values)), dtype=object)
        order = np.argsort(texts.astype(str), kind="stable")
        place = np.empty(len(order) + 1, dtype=np.int64)
        place[order] = np.arange(len(order))
        place[-1] = -1
        codes = place[codes]
        return tuple(texts[order]), codes if rows is None else codes[rows]
    codes = column.cat.codes.to_numpy()
    names = _value_labels(list(column.cat.categories))
    used = np.bincount(codes[codes >= 0], minlength=len(names)) > 0 if len(names) else np.zeros(0, dtype=bool)
    if used.all():
        return tuple(names), codes
    compact = np.append(np.cumsum(used) - 1, -1)
    return tuple(n for n, keep in zip(names, used, strict=True) if keep), compact[codes]


def _told_apart(column: pd.Series) -> tuple[np.ndarray | None, Any]:
    """Number of each row's object and the different objects, in a long column of few; else none and the column.

    Objects are told apart by where they stand in memory: a few stand for all rows of a long column of text, and to
    compare the text of each row takes six times as long.
    """
    values = column.to_numpy() if column.dtype == object else np.zeros(0)
    if values.size < LONG or not values.flags.c_contiguous:
        return None, column
    rows, addresses = pd.factorize(np.frombuffer(values, dtype=np.intp))
    if len(addresses) > values.size // SHARED_BY:
        return None, column
    example = np.empty(len(addresses), dtype=np.int64)
    example[rows] = np.arange(values.size)
    return rows, values[example]


def levels_with_blank(column: pd.Series) -> tuple[tuple[str, ...], np.ndarray, int | None]:
    """Return levels and codes with missing values as a level of their own, the last, and its number."""
    return with_blank(*text_levels(column))


def with_blank(levels: tuple[str, ...], codes: np.ndarray) -> tuple[tuple[str, ...], np.ndarray, int | None]:
    """Return levels and codes with -1 as a level of its own, the last, and its number; None where there is none."""
    if not (codes < 0).any():
        return levels, codes, None
    return (*levels, blank_label(levels)), np.where(codes < 0, len(levels), codes), len(levels)


def with_level(levels: Sequence[str], label: str, why: str) -> tuple[str, ...]:
    """Return levels with one more, known by its number: its label never reads like a word of the others."""
    return distinct_labels((*levels, f"{label} ({why})" if label in levels else label), (*levels, f"{label} ({why})"))


def groups_of(lives: Lives, by: str | Sequence[str] | None) -> Groups:
    """Return the groups that `by` makes of the lives."""
    if by is None:
        return Groups(labels=("all",), codes=np.zeros(len(lives), dtype=np.int64))
    names = check_columns(by, lives.covariates.columns, "covariate")
    if not names:
        raise UsageError("by names no covariate; name one or several, or give None for all lives together")
    labels, codes = joined_levels([levels_of(lives, name) for name in names])
    if not labels:
        raise EstimateError(f"no life has a value of {', '.join(names)}")
    missing = codes < 0
    if not missing.any():
        return Groups(labels=labels, codes=codes)
    left_out = int(lives.weight[missing].sum())
    note = f"{left_out} of {lives.units} units have no value of {', '.join(names)} and are left out here."
    return Groups(labels=labels, codes=codes, notes=(note,))


def joined_levels(parts: Sequence[tuple[tuple[str, ...], np.ndarray]]) -> tuple[tuple[str, ...], np.ndarray]:
    """Return levels of several columns side by side, ordered by the first, then the second ...; those that occur."""
    if len(parts) == 1:
        return parts[0]
    rows: list[tuple[str, ...]] = [(label,) for label in parts[0][0]]
    codes = parts[0][1]
    for more, more_codes in parts[1:]:
        both = np.where((codes < 0) | (more_codes < 0), -1, codes.astype(np.int64) * len(more) + more_codes)
        used, place = np.unique(both, return_inverse=True)
        without = int(used[:1].sum() < 0)
        rows = [(*rows[number // len(more)], more[number % len(more)]) for number in used[without:].tolist()]
        codes = place.reshape(-1) - without
    return joined_labels(rows), codes


def levels_of(lives: Lives, name: str) -> tuple[tuple[str, ...], np.ndarray]:
    """Return the levels of a covariate that occur, as text, and each life's; worked out once, as lives do not change.

    Shapes: returns codes (n,), read-only.
    """
    if name not in lives._levels:
        names, codes = text_levels(lives.covariates[name])
        codes = codes.view()
        codes.flags.writeable = False
        lives._levels[name] = names, codes
    return lives._levels[name]
