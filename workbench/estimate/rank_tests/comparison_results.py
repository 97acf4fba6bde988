"""GroupComparison: the result of a rank test between groups."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workbench.results import Result, columns_to_frame, freeze_columns

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["GroupComparison"]


@dataclass(frozen=True, kw_only=True, eq=False)
class GroupComparison(Result):
    """A test that groups live equally long; one row a group, and one a pair in `.pairwise`.

    Attributes
    ----------
    statistic : float
        Chi-square; NaN where nothing can be told.
    degrees_of_freedom : int
        Of the chi-square.
    p_value : float
        By the method named.
    z : float
        Signed root of the statistic of a trend (above 0: failures come earlier at higher scores); NaN otherwise.
    method : str
        "asymptotic", "permutation" or "exact".
    weight : str
        The weight or score used.
    pair_columns : mapping of str to np.ndarray
        group_a, group_b, statistic, p_value, p_adjusted (Holm over the pairs shown).
    """

    statistic: float
    degrees_of_freedom: int
    p_value: float
    z: float = float("nan")
    method: str
    weight: str
    pair_columns: Mapping[str, np.ndarray]

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "pair_columns", freeze_columns(self.pair_columns))

    @property
    def pairwise(self) -> "pd.DataFrame":
        """The pairs of groups as a fresh DataFrame; a trend has none."""
        return columns_to_frame(self.pair_columns)
