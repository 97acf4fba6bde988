"""ModelMatrix: terms become patterns of covariates, columns of a model and contrasts with the reference level."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.estimate.shared.terms import Term

__all__ = ["ModelMatrix", "compact_codes", "design_of", "patterns_of"]

MANY = 65_536
"""Up to so many combinations are counted without a look at which of them occur."""


@dataclass(frozen=True, eq=False)
class ModelMatrix:
    """The columns of a model on p patterns of covariates, and the r rows of its table.

    Attributes
    ----------
    columns : np.ndarray of float, shape (p, k)
        One row a pattern, centred; numbers are divided by their standard deviation.
    penalty : np.ndarray of float, shape (k,)
        Prior precision of each column's coefficient; 0 leaves it free.
    contrasts : np.ndarray of float, shape (r, k)
        Coefficients times this give the rows of the table (differences to the reference level, slope per unit).
    term, level : tuple of str, length r
        Which term and level each row is.
    """

    columns: np.ndarray
    penalty: np.ndarray
    contrasts: np.ndarray
    term: tuple[str, ...]
    level: tuple[str, ...]


def compact_codes(codes: np.ndarray, size: int) -> tuple[np.ndarray, int]:
    """Renumber codes so that only those that occur are left, in the same order.

    Shapes: codes (n,), returns (n,).
    """
    if size > max(4 * codes.shape[0], MANY):
        numbers, seen = pd.factorize(codes, sort=True)
        return numbers, len(seen)
    present = np.zeros(size, dtype=bool)
    present[codes] = True
    count = int(present.sum())
    if count == size:
        return codes, size
    return (np.cumsum(present) - 1)[codes], count


def patterns_of(terms: Sequence[Term], n: int) -> tuple[np.ndarray, np.ndarray]:
    """Find the distinct combinations of the terms' values.

    Shapes: returns (n,).
    """
    pattern, count = np.zeros(n, dtype=np.int64), 1
    for term in terms:
        if term.values is not None:
            codes = np.asarray(pd.factorize(term.values, sort=True)[0])
            size = int(codes.max(initial=-1)) + 1
        else:
            codes, size = np.asarray(term.codes), len(term.levels)
        if count * size > MANY:
            pattern, count = compact_codes(pattern, count)
        pattern *= size
        pattern += codes
        count *= size
        if count > MANY:
            pattern, count = compact_codes(pattern, count)
    pattern, count = compact_codes(pattern, count)
    example = np.zeros(count, dtype=np.int64)
    example[pattern] = np.arange(n)
    return pattern, example


def design_of(terms: Sequence[Term], example: np.ndarray, counts: np.ndarray, *, shrink: float = 0.0) -> ModelMatrix:
    """Build the columns of a model on the patterns of covariates.

    Without shrinkage the reference level has no column. With it every level has one, the reference too, so that the
    choice of reference changes no contrast; a number is penalised per standard deviation.

    Shapes: example (p,), counts (p,).
    """
    share = counts / counts.sum()
    columns: list[np.ndarray] = []
    rows: list[tuple[str, str, dict[int, float]]] = []
    for term in terms:
        at = len(columns)
        if term.values is not None:
            values = term.values[example] - share @ term.values[example]
            sd = float(np.sqrt(share @ values**2))
            columns.append(values / sd)
            rows.append((term.name, term.levels[0], {at: 1.0 / sd}))
            continue
        indicators = term.codes[example][:, None] == np.arange(len(term.levels))  # type: ignore[index]
        first = 0 if shrink > 0 else 1
        columns += list((indicators - share @ indicators).T[first:])
        for number, level in enumerate(term.levels[1:], start=1):
            weights = {at + number: 1.0, at: -1.0} if shrink > 0 else {at + number - 1: 1.0}
            rows.append((term.name, level, weights))
    contrasts = np.zeros((len(rows), len(columns)))
    for row, (_, _, weights) in enumerate(rows):
        contrasts[row, list(weights)] = list(weights.values())
    return ModelMatrix(
        columns=np.column_stack(columns),
        penalty=np.full(len(columns), float(shrink)),
        contrasts=contrasts,
        term=tuple(name for name, _, _ in rows),
        level=tuple(level for _, level, _ in rows),
    )
