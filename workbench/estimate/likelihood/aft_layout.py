"""Rows of a location-scale survival model, compressed to distinct cells and laid out by kind of record."""

import itertools
from dataclasses import dataclass

import numpy as np

from workbench.estimate.likelihood.patterns import Patterns, patterns_from

__all__ = ["CellWeights", "Cells", "Layout", "cells_of", "layout_of"]


@dataclass(frozen=True, eq=False)
class CellWeights:
    """Weights of the m cells in each of B fits, made by `Cells.fold` alone; plain arrays are weights of lives.

    Attributes
    ----------
    values : np.ndarray of float, shape (B, m)
        Sum of the weights of the lives of each cell.
    """

    values: np.ndarray

    @property
    def single(self) -> np.ndarray:
        """The weights of the one fit there is.

        Shapes: returns (m,).
        """
        (weights,) = self.values
        return np.asarray(weights)


@dataclass(frozen=True, eq=False)
class Cells:
    """Distinct (pattern, lower, upper, entry) rows of n lives.

    Attributes
    ----------
    pattern : np.ndarray of int, shape (m,)
        Row of the design that the cell carries.
    lower, upper, entry : np.ndarray of float, shape (m,)
        Times of the cell.
    cell_of : np.ndarray of int, shape (n,)
        Cell of each life.
    """

    pattern: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    entry: np.ndarray
    cell_of: np.ndarray

    def fold(self, weights: np.ndarray) -> CellWeights:
        """Sum weights of lives to weights of cells.

        Shapes: weights (B, n).
        """
        m, n = self.pattern.shape[0], self.cell_of.shape[0]
        batch, lives = weights.shape
        if lives != n:
            raise ValueError(f"{lives} weights for {n} lives")
        place = (self.cell_of + m * np.arange(batch)[:, None]).ravel()
        return CellWeights(np.bincount(place, weights.ravel(), batch * m).reshape(batch, m))


@dataclass(frozen=True, eq=False)
class Layout:
    """Cells as points on the axis of log time, sorted by kind: exact, survived, ended, between, then late entries.

    Attributes
    ----------
    patterns : Patterns
        Distinct design rows, the constant first.
    pattern : np.ndarray of int, shape (N,)
        Design row of each point; N counts a cell with late entry twice.
    cell : np.ndarray of int, shape (N,)
        Cell of each point.
    sign : np.ndarray of float, shape (N,)
        -1 for late entries, else 1.
    near, far : np.ndarray of float
        Log times (N,), and the later log time of the "between" points.
    kinds : tuple of slice
        Where exact, survived, ended, between and entry points stand.
    runs : np.ndarray of int
        Where neighbouring points with one pattern begin.
    """

    patterns: Patterns
    pattern: np.ndarray
    cell: np.ndarray
    sign: np.ndarray
    near: np.ndarray
    far: np.ndarray
    kinds: tuple[slice, slice, slice, slice, slice]
    runs: np.ndarray

    @property
    def design(self) -> np.ndarray:
        """Distinct design rows, the constant first; shape (P, 1 + k)."""
        return self.patterns.design

    @property
    def has_entry(self) -> bool:
        """Whether some life came under observation late."""
        return bool(self.kinds[4].stop > self.kinds[4].start)

    def points_of(self, weights: CellWeights) -> np.ndarray:
        """Weights of the points, those of late entries taken off.

        Shapes: returns (B, N).
        """
        return np.asarray(weights.values[:, self.cell] * self.sign)

    def sums(self, values: np.ndarray) -> np.ndarray:
        """Sums of values of the points by pattern.

        Shapes: values (B, N), returns (B, P).
        """
        batch, size, pattern = len(values), len(self.design), self.pattern
        if 2 * len(self.runs) < len(pattern):
            values, pattern = np.add.reduceat(values, self.runs, axis=1), pattern[self.runs]
        place = (pattern + size * np.arange(batch)[:, None]).ravel()
        return np.bincount(place, values.ravel(), batch * size).reshape(batch, size)


def cells_of(lower: np.ndarray, upper: np.ndarray, entry: np.ndarray, *, pattern: np.ndarray) -> Cells:
    """Return the distinct rows of lives, in an order that depends on their values alone.

    Shapes: lower, upper, entry (n,), pattern (n,).
    """
    n = len(pattern)
    kind = np.where(upper == lower, 0.0, np.where(np.isfinite(upper), upper + 2.0, 1.0))
    key, size = pattern.astype(np.int64), int(pattern.max(initial=0)) + 1
    for column in (lower, kind, entry):
        codes, count = _ranks(column)
        if count > 1:
            key, size = key * count + codes, size * count
        if size > 2**31:  # ranks keep the next product far below the largest integer
            key = np.unique(key, return_inverse=True)[1].astype(np.int64)
            size = n
    if size <= 32 * n:
        present = np.zeros(size, dtype=bool)
        present[key] = True
        found = np.flatnonzero(present)
        rank = np.empty(size, dtype=np.int64)
        rank[found] = np.arange(len(found))
        cell_of = rank[key]
    else:
        cell_of = np.unique(key, return_inverse=True)[1]
    example = np.empty(int(cell_of.max(initial=-1)) + 1, dtype=np.int64)
    example[cell_of] = np.arange(n)
    return Cells(pattern[example], lower[example], upper[example], entry[example], cell_of)


def _ranks(column: np.ndarray) -> tuple[np.ndarray, int]:
    """Codes that keep the order of the values, and how many codes there could be."""
    if not column.size or not column.any():
        return np.zeros(column.shape[0], dtype=np.int64), 1
    top = column.max()
    if top < 4096:
        codes = column.astype(np.int64)
        if np.array_equal(codes, column):
            return codes, int(top) + 1
    values, codes = np.unique(column, return_inverse=True)
    return codes, len(values)


def layout_of(cells: Cells, columns: np.ndarray, shift: float) -> Layout:
    """Return the points of the cells on the axis of log time minus `shift`.

    Shapes: columns (P, k).
    """
    exact = cells.lower == cells.upper
    suspended = ~np.isfinite(cells.upper)
    groups = [
        np.flatnonzero(exact),
        np.flatnonzero(suspended & (cells.lower > 0)),
        np.flatnonzero(~exact & ~suspended & (cells.lower == 0)),
        np.flatnonzero(~exact & ~suspended & (cells.lower > 0)),
        np.flatnonzero(cells.entry > 0),
    ]
    ends = np.cumsum([0] + [len(g) for g in groups])
    kinds = tuple(slice(a, b) for a, b in itertools.pairwise(ends))
    cell = np.concatenate(groups)
    sources = (cells.lower, cells.lower, cells.upper, cells.lower, cells.entry)
    near = np.concatenate([source[rows] for source, rows in zip(sources, groups, strict=True)])
    return Layout(
        patterns=patterns_from(columns),
        pattern=cells.pattern[cell],
        cell=cell,
        sign=np.where(np.arange(len(cell)) >= ends[4], -1.0, 1.0),
        near=np.log(near) - shift,
        far=np.log(cells.upper[groups[3]]) - shift,
        kinds=kinds,  # type: ignore[arg-type]
        runs=np.flatnonzero(np.diff(cells.pattern[cell], prepend=-1)),
    )
