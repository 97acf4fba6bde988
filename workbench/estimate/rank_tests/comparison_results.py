"""GroupComparison: the result of a rank test between groups."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from workbench.estimate.steps import RiskSets
from workbench.results import Result, columns_to_frame, freeze_columns

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["GroupComparison", "pairs_wanted", "units_and_failures"]


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


def pairs_wanted(labels: tuple[str, ...], base: str | None) -> np.ndarray:
    """Which groups are compared with which: all pairs, or each with the base.

    Shapes: returns (pairs, 2) of int.
    """
    if base is None:
        return np.array(list(combinations(range(len(labels)), 2)), dtype=np.int64)
    b = labels.index(base)
    return np.array([(a, b) for a in range(len(labels)) if a != b], dtype=np.int64)


def units_and_failures(counts: RiskSets, groups: int) -> tuple[np.ndarray, np.ndarray]:
    """How many units each group holds over all strata, and how many of them failed.

    Shapes: returns (groups,), (groups,).
    """
    rows = counts.bounds
    summed = np.append(0, np.cumsum(counts.failures))
    failures = (summed[rows[1:]] - summed[rows[:-1]]).reshape(-1, groups).sum(axis=0)
    late = np.array([c[-1] if c.size else 0 for c in counts.late_count], dtype=np.int64)
    return (counts.from_start + late).reshape(-1, groups).sum(axis=0), failures
