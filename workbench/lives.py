"""Lives: what is known of each unit's time to failure, as read-only arrays; the waist between records and estimates."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from workbench.errors import LivesError
from workbench.levels import CodedColumns
from workbench.life_checks import UNDETERMINED, checked_arrays

__all__ = ["UNDETERMINED", "Lives"]


DAY_IN = {"hours": 24.0, "days": 1.0, "weeks": 1 / 7, "months": 12 / 365.25, "years": 1 / 365.25}
"""Length of a day in each unit of calendar time."""


@dataclass(frozen=True, eq=False)
class Lives:
    """What is known of n lives; build with `Lives.from_arrays`.

    Each life failed in (lower, upper] and was at risk only after `entry`: lower == upper is a failure known
    exactly, upper = inf a life that ended unfailed (suspended) at lower, lower = 0 < upper one that failed by upper.

    Attributes
    ----------
    entry, lower, upper : np.ndarray of float, shape (n,)
        In `unit`. Entry 0 equals none: at risk from before 0.
    weight : np.ndarray of int64, shape (n,)
        How many identical lives a row stands for.
    cause : np.ndarray of object, shape (n,), or None
        Mechanism where failed, "" where not; "undetermined" where failed without one. None when no causes were given.
    cluster : np.ndarray, shape (n,), or None
        Label of what lives share (the unit they belong to). None when each row is its own.
    covariates : pandas.DataFrame of n rows
        Protection, exposure, site and the like, index 0 ... n-1. Each look gives a frame of its own, whose values are
        read-only: nothing done to it reaches the lives. `copy()` gives one to change, `replace` lives with it.
    unit : str
        Unit of time, "days" unless said otherwise.
    levels : CodedColumns
        By covariate the levels that occur, as text, and each life's level number (-1 where it has none), shape (n,). A
        column is coded when it is first asked for, and all estimates of these lives read the same codes.

    Examples
    --------
    >>> lives = Lives.from_arrays(lower=[30, 0, 90], upper=[60, 20, float("inf")])
    >>> lives.failed.tolist(), lives.exact.tolist()
    ([True, True, False], [False, False, False])
    """

    entry: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    weight: np.ndarray
    cause: np.ndarray | None
    cluster: np.ndarray | None
    _covariates: pd.DataFrame
    unit: str = "days"

    def __post_init__(self) -> None:
        for name in ("entry", "lower", "upper", "weight", "cause", "cluster"):
            array = getattr(self, name)
            if array is not None:
                view = array.view()
                view.flags.writeable = False
                object.__setattr__(self, name, view)

    def __len__(self) -> int:
        return int(self.lower.shape[0])

    @property
    def covariates(self) -> pd.DataFrame:
        """Protection, exposure, site and the like, in a frame of its own with read-only values."""
        frame = self._read_only.copy(deep=False)
        for name in self._copied:
            frame[name] = frame[name].copy()
        return frame

    @cached_property
    def _copied(self) -> tuple[Any, ...]:
        """The covariates that pandas cannot lock, so that each look gets a copy."""
        return tuple(
            name
            for name, dtype in self._covariates.dtypes.items()
            if not isinstance(dtype, np.dtype | pd.CategoricalDtype) or dtype.kind == "M"
        )

    @cached_property
    def levels(self) -> CodedColumns:
        """By covariate the levels that occur, as text, and each life's, coded once for all estimates of these lives."""
        return CodedColumns(self._covariates)

    @cached_property
    def _read_only(self) -> pd.DataFrame:
        """The covariates on the same memory, locked where pandas can lock a column; other columns are copied."""
        columns: dict[Any, Any] = {}
        for name, column in self._covariates.items():
            if isinstance(column.dtype, pd.CategoricalDtype):
                columns[name] = pd.Categorical.from_codes(column.array.codes, dtype=column.dtype, validate=False)
            elif isinstance(column.dtype, np.dtype):
                columns[name] = column.to_numpy().view()
                columns[name].flags.writeable = False
            else:
                columns[name] = column.array
        return pd.DataFrame(columns, index=self._covariates.index, copy=False)

    @property
    def failed(self) -> np.ndarray:
        """True where the life is known to have ended in failure (exactly or within an interval)."""
        return np.asarray(np.isfinite(self.upper))

    @property
    def exact(self) -> np.ndarray:
        """True where the failure is known exactly."""
        return np.asarray(self.lower == self.upper)

    @property
    def is_right_censored(self) -> bool:
        """Whether every failure is exact, so that product-limit and partial likelihood apply."""
        return bool(np.all(self.exact | ~self.failed))

    @property
    def time(self) -> np.ndarray:
        """Time of the exact failure or of the suspension; the upper end of an interval."""
        return np.where(self.failed, self.upper, self.lower)

    @property
    def day(self) -> float:
        """Length of a day in `unit`; NaN where `unit` is no measure of calendar time that is known here."""
        return DAY_IN.get(self.unit, float("nan"))

    @property
    def units(self) -> int:
        """Number of lives, weights counted."""
        return int(self.weight.sum())

    def units_among(self, rows: Any = slice(None)) -> int:
        """Return the number of units, not of deployments, among some lives; without clusters each life is a unit.

        Parameters
        ----------
        rows : array of bool or int, optional
            Which lives; all when not given.

        Returns
        -------
        int
            Different clusters, or weights counted.
        """
        return int(self.weight[rows].sum()) if self.cluster is None else len(set(self.cluster[rows].tolist()))

    @property
    def failures(self) -> int:
        """Number of failures, weights counted."""
        return int((self.weight * self.failed).sum())

    @classmethod
    def from_arrays(
        cls,
        time: Any = None,
        failed: Any = None,
        *,
        lower: Any = None,
        upper: Any = None,
        entry: Any = None,
        weight: Any = None,
        cause: Any = None,
        covariates: Any = None,
        cluster: Any = None,
        unit: str = "days",
    ) -> "Lives":
        """Check arrays and make lives of them.

        Parameters
        ----------
        time, failed : array-like of shape (n,)
            Time of failure or suspension, in `unit`, and whether it failed (booleans, or 0 and 1).
        lower, upper : array-like of shape (n,)
            Instead of time and failed: failed in (lower, upper]; upper = inf suspended at lower, lower == upper exact,
            lower = 0 failed at some time up to upper.
        entry : array-like of shape (n,), optional
            At risk only after this time; 0 equals none. A lower end before entry is raised to it.
        weight : array-like of positive whole numbers, optional
            How many identical lives each row stands for.
        cause : array-like of shape (n,), optional
            Mechanism where failed, None or "" where not. A failure without one becomes "undetermined".
        covariates : pandas.DataFrame or mapping of arrays, n rows, optional
            Matched by position.
        cluster : array-like of shape (n,), optional
            One label a row.
        unit : str
            Unit of time.

        Returns
        -------
        Lives
            Frozen; arrays are read-only.

        Raises
        ------
        LivesError
            Impossible values (negative, NaN, entry at or after the end, event codes other than 0/1, weights that are
            no positive whole numbers, a cause on a life that did not fail): names row (from 0) and value.

        Examples
        --------
        >>> lives = Lives.from_arrays([5, 8, 8], [True, False, True])
        >>> len(lives), lives.failures
        (3, 2)
        """
        arrays = checked_arrays(
            time=time,
            failed=failed,
            lower=lower,
            upper=upper,
            entry=entry,
            weight=weight,
            cause=cause,
            covariates=covariates,
            cluster=cluster,
        )
        return cls(_covariates=arrays.pop("covariates"), unit=unit, **arrays)

    def take(self, rows: Any) -> "Lives":
        """The lives of some rows.

        Parameters
        ----------
        rows : array of bool of shape (n,), or of row numbers
            Which rows to keep, in order.

        Returns
        -------
        Lives
            The selected rows.

        Raises
        ------
        IndexError
            If a row does not exist.
        """
        rows = np.asarray(rows)
        rows = np.flatnonzero(rows) if rows.dtype == bool else rows
        return Lives(
            entry=self.entry[rows],
            lower=self.lower[rows],
            upper=self.upper[rows],
            weight=self.weight[rows],
            cause=None if self.cause is None else self.cause[rows],
            cluster=None if self.cluster is None else self.cluster[rows],
            _covariates=self._covariates.iloc[rows].reset_index(drop=True),
            unit=self.unit,
        )

    def replace(self, **changes: Any) -> "Lives":
        """A copy with some of the arguments of `from_arrays` changed, checked again.

        Parameters
        ----------
        **changes
            Any of lower, upper, entry, weight, cause, cluster, covariates, unit.

        Returns
        -------
        Lives
            The changed copy.

        Raises
        ------
        LivesError
            As `from_arrays`.
        """
        kept = {
            "lower": self.lower,
            "upper": self.upper,
            "entry": self.entry,
            "weight": self.weight,
            "cause": self.cause,
            "cluster": self.cluster,
            "covariates": self.covariates,
            "unit": self.unit,
        }
        return Lives.from_arrays(**(kept | changes))

    def for_causes(self, names: Iterable[str] | str) -> "Lives":
        """The same lives with only some mechanisms counted as failure.

        Other failures become suspensions at the last day known alive (the day itself when known exactly), so sentences
        about the result say "not lost to ...", never "lasted".

        Parameters
        ----------
        names : iterable of str, or str
            Mechanisms that count.

        Returns
        -------
        Lives
            With the causes kept where they count.

        Raises
        ------
        LivesError
            If the lives carry no causes, or none of the names occurs.
        """
        if self.cause is None:
            raise LivesError("these lives carry no causes, so none can be singled out")
        wanted = {names} if isinstance(names, str) else set(names)
        present = sorted({str(c) for c in self.cause if c})
        if not wanted & set(present):
            raise LivesError(f"none of the causes {sorted(wanted)} occurs; there are: {', '.join(present) or 'none'}")
        other = self.failed & ~np.isin(self.cause.astype(str), sorted(wanted))
        cause = self.cause.copy()
        cause[other] = ""
        return Lives(
            entry=self.entry,
            lower=self.lower,
            upper=np.where(other, np.inf, self.upper),
            weight=self.weight,
            cause=cause,
            cluster=self.cluster,
            _covariates=self._covariates,
            unit=self.unit,
        )

    def canonical_order(self, columns: Sequence[str] = ()) -> np.ndarray:
        """Row numbers in the one order used before any draw by chance, so that shuffled input changes no digit.

        Parameters
        ----------
        columns : sequence of str
            Covariates that take part in the order, after the times.

        Returns
        -------
        np.ndarray of int, shape (n,)
            A permutation of the rows; rows that tie are alike in everything that counts.

        Raises
        ------
        KeyError
            If a column does not exist.
        """
        keys: list[np.ndarray] = [self.weight]
        keys += [_sort_codes(labels) for labels in (self.cluster, self.cause) if labels is not None]
        covariates = self.covariates
        keys += [_sort_codes(covariates[name].to_numpy()) for name in reversed(list(columns))]
        return np.lexsort([*keys, self.entry, self.upper, self.lower])


def _sort_codes(values: np.ndarray) -> np.ndarray:
    if values.dtype.kind in "biuf":
        return values
    return np.unique(np.array([str(v) for v in values], dtype=object).astype(str), return_inverse=True)[1]
