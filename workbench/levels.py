"""Levels: which values does a column hold, as text, and which of them has each row?"""

from collections import Counter
from collections.abc import Hashable, Iterator, Mapping, Sequence
from datetime import date
from itertools import count
from numbers import Number
from typing import Any

import numpy as np
import pandas as pd

__all__ = ["CodedColumns", "distinct_labels", "text_levels"]

LONG, SHARED_BY = 10_000, 8
"""Rows from which objects of a column are first told apart by place, if each stands for so many rows on average."""


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
        return tuple(texts[order]), codes if rows is None else codes.take(rows)
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
    head = rows[:LONG]  # numbers are given in order of appearance, so mostly all of them are among the first rows
    shown = head if head.max() == len(addresses) - 1 else rows
    example[shown] = np.arange(shown.size)
    return rows, values[example]


class CodedColumns(Mapping[Any, tuple[tuple[str, ...], np.ndarray]]):
    """The levels of the columns of a table that does not change, and each row's level number, -1 where it has none.

    A column is coded when it is first asked for; every later question gets the same codes, which are read-only: a
    million texts take longer to compare than a curve takes to estimate.

    Examples
    --------
    >>> coded = CodedColumns(pd.DataFrame({"seal": ["o_ring", None, "cord", "o_ring"]}))
    >>> names, codes = coded["seal"]
    >>> names, codes.tolist(), coded["seal"][1] is codes
    (('cord', 'o_ring'), [1, -1, 0, 1], True)
    """

    def __init__(self, table: pd.DataFrame) -> None:
        self._table = table
        self._coded: dict[Any, tuple[tuple[str, ...], np.ndarray]] = {}

    def __getitem__(self, name: Any) -> tuple[tuple[str, ...], np.ndarray]:
        if name not in self._coded:
            names, codes = text_levels(self._table[name])
            codes = codes.view()
            codes.flags.writeable = False
            self._coded[name] = names, codes
        return self._coded[name]

    def __iter__(self) -> Iterator[Any]:
        return iter(self._table)

    def __len__(self) -> int:
        return len(self._table.columns)
