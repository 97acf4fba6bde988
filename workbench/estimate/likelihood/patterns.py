"""Patterns: which distinct rows has a design, and what do sums over them say of its columns?"""

from dataclasses import dataclass

import numpy as np

__all__ = ["ColumnGroup", "Patterns", "cell_patterns", "patterns_from"]

MOST_PRODUCTS = 1_000_000
"""Numbers up to which the products of all pairs of columns are kept; above, columns are summed in groups."""
MOST_ROWS = 64
"""Distinct rows of the columns that are summed as one group; a column with more values is summed by itself."""


def cell_patterns(columns: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the distinct rows of a dense design and the number of each row's pattern.

    Shapes: columns (n, k), returns (P, k).
    """
    # one number a row: rows that differ get different numbers almost surely, and the comparison below makes it sure
    key = columns @ np.random.default_rng(20240501).uniform(1.0, 2.0, size=columns.shape[1])
    _, first, pattern = np.unique(key, return_index=True, return_inverse=True)
    if np.array_equal(columns[first][pattern], columns):
        return columns[first], pattern
    distinct, pattern = np.unique(columns, axis=0, return_inverse=True)
    return distinct, pattern.reshape(-1)


@dataclass(frozen=True, eq=False)
class ColumnGroup:
    """Neighbouring columns of a design, which have few distinct rows.

    Attributes
    ----------
    start, stop : int
        The columns.
    rows : np.ndarray of float, shape (D, stop - start)
        What they can hold.
    code : np.ndarray of int, shape (P,)
        The row that each pattern has of them.
    """

    start: int
    stop: int
    rows: np.ndarray
    code: np.ndarray

    def sums(self, values: np.ndarray) -> np.ndarray:
        """Sums of values of patterns by row of the group.

        Shapes: values (B, P), returns (B, D).
        """
        return _sums(self.code, values, len(self.rows))

    def joint(self, other: "ColumnGroup", values: np.ndarray) -> np.ndarray:
        """Sums of values of patterns by row of this group and of another.

        Shapes: values (B, P), returns (B, D, D of the other).
        """
        size = len(self.rows), len(other.rows)
        return _sums(self.code * size[1] + other.code, values, size[0] * size[1]).reshape(len(values), *size)


def _sums(code: np.ndarray, values: np.ndarray, size: int) -> np.ndarray:
    batch = len(values)
    place = code if batch == 1 else (code + size * np.arange(batch)[:, None]).ravel()
    return np.bincount(place, values.ravel(), batch * size).reshape(batch, size)


@dataclass(frozen=True, eq=False)
class Patterns:
    """The P distinct rows of a design.

    Attributes
    ----------
    design : np.ndarray of float, shape (P, q)
        The rows, the constant first.
    products : np.ndarray or None, shape (P, q (q + 1) / 2)
        Products of pairs of columns, when they fit in memory.
    groups : tuple of ColumnGroup
        Columns of few values in groups, where there are no products.
    loose : tuple of int
        Columns of many values, where there are no products.
    """

    design: np.ndarray
    products: np.ndarray | None
    groups: tuple[ColumnGroup, ...] = ()
    loose: tuple[int, ...] = ()

    def located(self, params: np.ndarray) -> np.ndarray:
        """The design times parameters.

        Shapes: params (B, q), returns (B, P).
        """
        if not self.groups:
            return np.asarray(params @ self.design.T)
        parts = [(params[:, g.start : g.stop] @ g.rows.T)[:, g.code] for g in self.groups]
        parts += [params[:, [column]] * self.design[:, column] for column in self.loose]
        return np.asarray(sum(parts[1:], parts[0]))

    def slopes(self, sums: np.ndarray) -> np.ndarray:
        """Sums of values of patterns times each column.

        Shapes: sums (B, P), returns (B, q).
        """
        if not self.groups:
            return np.asarray(sums @ self.design)
        found = np.empty((len(sums), self.design.shape[1]))
        for group in self.groups:
            found[:, group.start : group.stop] = group.sums(sums) @ group.rows
        for column in self.loose:
            found[:, column] = sums @ self.design[:, column]
        return found

    def curvature(self, sums: np.ndarray) -> np.ndarray:
        """Sums of values of patterns times each pair of columns.

        Shapes: sums (B, P), returns (B, q, q).
        """
        size = self.design.shape[1]
        found = np.empty((len(sums), size, size))
        if self.products is not None:
            first, second = np.triu_indices(size)
            found[:, first, second] = found[:, second, first] = sums @ self.products
            return found
        for number, one in enumerate(self.groups):
            ours = slice(one.start, one.stop)
            found[:, ours, ours] = (one.rows.T * one.sums(sums)[:, None, :]) @ one.rows
            for other in self.groups[number + 1 :]:
                theirs = slice(other.start, other.stop)
                found[:, ours, theirs] = one.rows.T @ one.joint(other, sums) @ other.rows
                found[:, theirs, ours] = np.swapaxes(found[:, ours, theirs], 1, 2)
        for column in self.loose:
            found[:, column] = found[:, :, column] = self.slopes(sums * self.design[:, column])
        return found


def patterns_from(columns: np.ndarray) -> Patterns:
    """Return the patterns of distinct rows, with a constant before them.

    Shapes: columns (P, k).
    """
    design = np.column_stack([np.ones(len(columns)), columns])
    first, second = np.triu_indices(design.shape[1])
    if len(design) * len(first) <= MOST_PRODUCTS:
        return Patterns(design, design[:, first] * design[:, second])
    # neighbouring columns together as long as they have few distinct rows
    groups: list[ColumnGroup] = []
    loose: list[int] = []
    for number, column in enumerate(design.T):
        values, own = _coded(column)
        alone = ColumnGroup(number, number + 1, values[:, None], own)
        if len(values) > MOST_ROWS:
            loose.append(number)
            continue
        joined = _joined(groups[-1], alone) if groups and groups[-1].stop == number else alone
        if joined.start < number and len(joined.rows) <= MOST_ROWS:
            groups[-1] = joined
        else:
            groups.append(alone)
    return Patterns(design, None, tuple(groups), tuple(loose))


def _joined(one: ColumnGroup, other: ColumnGroup) -> ColumnGroup:
    size = len(other.rows)
    both = one.code * size + other.code
    found = np.flatnonzero(np.bincount(both, minlength=len(one.rows) * size))
    place = np.zeros(len(one.rows) * size, dtype=np.int64)
    place[found] = np.arange(len(found))
    rows = np.column_stack([one.rows[found // size], other.rows[found % size]])
    return ColumnGroup(one.start, other.stop, rows, place[both])


def _coded(column: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Values of a column and their numbers; most columns have two."""
    differs = column != column[0]
    others = column[differs]
    if others.size and (others != others[0]).any():
        return np.unique(column, return_inverse=True)
    return np.append(column[:1], others[:1]), differs.astype(np.int64)
