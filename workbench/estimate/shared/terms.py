"""Terms: the columns of a regression, read from covariates by the one rule that every model uses."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.checks import check_columns
from workbench.errors import EstimateError, LivesError
from workbench.estimate.shared.groups import with_blank
from workbench.lives import Lives

__all__ = ["Term", "terms_of"]


@dataclass(frozen=True, eq=False)
class Term:
    """One covariate in a model.

    Attributes
    ----------
    name : str
        The covariate.
    levels : tuple of str
        All levels, the reference first; ("+1",) for a numeric term.
    codes : np.ndarray of int, shape (n,), or None
        Level number of each life; None for a numeric term.
    values : np.ndarray of float, shape (n,), or None
        Values of a numeric term; None for levels.
    blank : int or None
        Number of the level that stands for missing values, whatever it reads; None where nothing is missing.
    """

    name: str
    levels: tuple[str, ...]
    codes: np.ndarray | None = None
    values: np.ndarray | None = None
    blank: int | None = None

    @property
    def is_numeric(self) -> bool:
        """Whether the term enters linearly."""
        return self.values is not None

    @property
    def rows(self) -> tuple[str, ...]:
        """The levels that get a row in a table: all but the reference, or "+1"."""
        return self.levels if self.is_numeric else self.levels[1:]


def terms_of(lives: Lives, names: Sequence[str] | str) -> tuple[Term, ...]:
    """Read model terms from the covariates of lives.

    A numeric column enters linearly; a categorical, text or boolean column as levels, the reference being the first
    category of a categorical column, else the first in sorted order. A missing level is the level "not recorded", last.
    """
    covariates = lives.covariates
    wanted = check_columns(names, covariates.columns, "covariate")
    if len(set(wanted)) != len(wanted):
        raise EstimateError(f"a term is named twice in {', '.join(wanted)}")
    return tuple(_term(lives, name, covariates[name]) for name in wanted)


def _term(lives: Lives, name: str, column: pd.Series) -> Term:
    dtype = column.dtype
    if pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_bool_dtype(dtype):
        values = column.to_numpy(dtype=float, na_value=np.nan)
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            rows = ", ".join(str(r) for r in bad[:10]) + (" ..." if bad.size > 10 else "")
            raise LivesError(f"{name} is missing or infinite in row {rows}; a model needs the number in every row")
        if values.size and np.all(values == values[0]):
            raise EstimateError(f"{name} is {values[0]:g} in every row, so nothing can be learnt from it")
        return Term(name=name, levels=("+1",), values=values)
    levels, codes, blank = with_blank(*lives.levels[name])
    if len(levels) < 2:
        only = levels[0] if levels else "empty"
        raise EstimateError(f"{name} has one level only ({only}), so nothing can be learnt from it")
    return Term(name=name, levels=levels, codes=codes, blank=blank)
