"""Within which limits do the rows of a curve lie, where each limit takes a search and few of them are asked for?"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np

from workbench.threads import on_one_thread

__all__ = ["LimitSearch", "RowLimits"]

LimitSearch = Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]
"""Lower and upper limits of some rows of one part of a table, given by their numbers in rising order."""

_ALL_AT_ONCE = 100
"""Rows of a part up to which one limit asked for brings all: each search begins where that of its neighbour ended."""


@dataclass(frozen=True, eq=False)
class RowLimits:
    """Limits of the rows of a table that consists of parts, searched for when they are asked for.

    Attributes
    ----------
    searches : tuple of LimitSearch
        One per part.
    bounds : np.ndarray of int, shape (parts + 1,)
        Rows of part p are bounds[p] to the next bound.
    """

    searches: tuple[LimitSearch, ...]
    bounds: np.ndarray
    _whole: dict[int, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)
    _single: dict[int, dict[int, tuple[float, float]]] = field(default_factory=dict)

    def many(self, part: int) -> bool:
        """Whether a part has so many rows that limits are searched for one by one."""
        return int(self.bounds[part + 1] - self.bounds[part]) > _ALL_AT_ONCE

    def columns(self) -> dict[str, Any]:
        """Columns lower and upper of all rows, made when first looked at."""
        return {"lower": partial(self._column, 0), "upper": partial(self._column, 1)}

    @on_one_thread
    def of(self, part: int, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Lower and upper limits of a part, NaN in rows that were not asked for.

        Shapes: rows (k,), returns two of the length of the part.
        """
        size = int(self.bounds[part + 1] - self.bounds[part])
        rows = np.unique(rows[(rows >= 0) & (rows < size)])
        if part not in self._whole and rows.size and (rows.size == size or not self.many(part)):
            self._whole[part] = self.searches[part](np.arange(size))
        if part in self._whole:
            return self._whole[part]
        found = self._single.setdefault(part, {})
        fresh = np.array([row for row in rows.tolist() if row not in found], dtype=np.int64)
        if fresh.size:
            found.update(zip(fresh.tolist(), zip(*self.searches[part](fresh), strict=True), strict=True))
        lower, upper = np.full((2, size), np.nan)
        for row in rows.tolist():
            lower[row], upper[row] = found[row]
        return lower, upper

    def spread(self, place: np.ndarray, wanted: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Limits of all rows, or where there are many those of the last row up to each wanted place, NaN in others.

        Shapes: place (rows,) rising within each part, wanted (k,), returns two of shape (rows,).
        """
        parts = []
        for part in range(len(self.searches)):
            rows = slice(int(self.bounds[part]), int(self.bounds[part + 1]))
            parts.append(self.of(part, np.searchsorted(place[rows], wanted, side="right") - 1))
        lower, upper = (np.concatenate(values) for values in zip(*parts, strict=True))
        return lower, upper

    def _column(self, side: int) -> np.ndarray:
        parts = range(len(self.searches))
        whole = [self.of(p, np.arange(self.bounds[p + 1] - self.bounds[p]))[side] for p in parts]
        return np.concatenate(whole) if whole else np.zeros(0)
