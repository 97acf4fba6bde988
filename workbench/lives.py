"""Lives: what is known of each unit's time to failure, as read-only arrays; the waist between records and estimates."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from workbench.errors import LivesError

__all__ = ["UNDETERMINED", "Lives"]

UNDETERMINED = "undetermined"
"""The cause of a failure that nobody could name: a class of its own, never dropped."""


@dataclass(frozen=True, eq=False)
class Lives:
    """What is known of n lives; build with `Lives.from_arrays`.

    Each life failed in (lower, upper] and was at risk only after `entry`: lower == upper is a failure known
    exactly, upper = inf a life that ended unfailed (suspended) at lower, lower = 0 < upper one that had failed by upper.

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
        Protection, exposure, site and the like, index 0 ... n-1.
    unit : str
        Unit of time, "days" unless said otherwise.
    """

    entry: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    weight: np.ndarray
    cause: np.ndarray | None
    cluster: np.ndarray | None
    covariates: pd.DataFrame
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
    def failed(self) -> np.ndarray:
        """True where the life is known to have ended in failure (exactly or within an interval)."""
        return np.isfinite(self.upper)

    @property
    def exact(self) -> np.ndarray:
        """True where the failure is known exactly."""
        return self.lower == self.upper

    @property
    def is_right_censored(self) -> bool:
        """Whether every failure is exact, so that product-limit and partial likelihood apply."""
        return bool(np.all(self.exact | ~self.failed))

    @property
    def time(self) -> np.ndarray:
        """Time of the exact failure or of the suspension; the upper end of an interval."""
        return np.where(self.failed, self.upper, self.lower)

    @property
    def units(self) -> int:
        """Number of lives, weights counted."""
        return int(self.weight.sum())

    @property
    def failures(self) -> int:
        """Number of failures, weights counted."""
        return int(self.weight[self.failed].sum())

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
        if (
            (time is None) != (failed is None)
            or (lower is None) != (upper is None)
            or (time is None) == (lower is None)
        ):
            raise LivesError("give either time and failed, or lower and upper")
        if time is not None:
            low, up = _ends_from_time(time, failed)
        else:
            low, up = _checked_ends(lower, upper)
        n = low.shape[0]
        start = _checked_entry(entry, low, up, exact_time=time is not None)
        if entry is not None:
            # a unit that entered late was seen alive then, so its failure interval starts there at the earliest
            low = np.where((low < start) & (low != up), start, low)
        return cls(
            entry=start,
            lower=low,
            upper=up,
            weight=_checked_weight(weight, n),
            cause=_checked_cause(cause, np.isfinite(up)),
            cluster=_checked_cluster(cluster, n),
            covariates=_checked_covariates(covariates, n),
            unit=unit,
        )

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
            covariates=self.covariates.iloc[rows].reset_index(drop=True),
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
            covariates=self.covariates,
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
        keys += [_sort_codes(self.covariates[name].to_numpy()) for name in reversed(list(columns))]
        return np.lexsort([*keys, self.entry, self.upper, self.lower])


def _sort_codes(values: np.ndarray) -> np.ndarray:
    if values.dtype.kind in "biuf":
        return values
    return np.unique(np.array([str(v) for v in values], dtype=object).astype(str), return_inverse=True)[1]


def _as_float(name: str, values: Any) -> np.ndarray:
    try:
        array = np.array(values, dtype=float)
    except (TypeError, ValueError):
        for row, value in enumerate(values):
            try:
                float(value)
            except (TypeError, ValueError):
                raise LivesError(f"{name} in row {row} is {value!r}, which is no number") from None
        raise LivesError(f"{name} must be a one-dimensional array of numbers") from None
    if array.ndim != 1:
        raise LivesError(f"{name} must be a one-dimensional array of numbers; got {array.ndim} dimensions")
    return array


def _refuse(bad: np.ndarray, message: Callable[[int], str]) -> None:
    if bad.any():
        row = int(np.argmax(bad))
        count = int(bad.sum())
        more = f" ({count} rows are like this)" if count > 1 else ""
        raise LivesError(f"row {row}: {message(row)}{more}")


def _ends_from_time(time: Any, failed: Any) -> tuple[np.ndarray, np.ndarray]:
    low = _as_float("time", time)
    _refuse(~np.isfinite(low), lambda r: f"time is {low[r]:g}; give a number of at least 0")
    _refuse(low < 0, lambda r: f"time is {low[r]:g}, which is negative; check the two dates it comes from")
    flags = np.asarray(failed)
    if flags.ndim != 1 or flags.shape[0] != low.shape[0]:
        raise LivesError(f"failed has {flags.size} values for {low.shape[0]} times")
    if flags.dtype != bool:
        codes = _as_float("failed", flags)
        _refuse(
            ~((codes == 0) | (codes == 1)),
            lambda r: f"failed is {flags[r]!r}; only True and False, or 1 and 0, are taken (codes 1/2 must be recoded)",
        )
        flags = codes == 1
    return low, np.where(flags, low, np.inf)


def _checked_ends(lower: Any, upper: Any) -> tuple[np.ndarray, np.ndarray]:
    low, up = _as_float("lower", lower), _as_float("upper", upper)
    if low.shape != up.shape:
        raise LivesError(f"lower has {low.size} values and upper {up.size}")
    _refuse(~np.isfinite(low), lambda r: f"lower is {low[r]:g}; give a number of at least 0")
    _refuse(low < 0, lambda r: f"lower is {low[r]:g}, which is negative")
    _refuse(np.isnan(up), lambda r: f"upper is NaN; give inf for a life that had not failed at lower = {low[r]:g}")
    _refuse(up < low, lambda r: f"upper is {up[r]:g}, before lower {low[r]:g}")
    return low, up


def _checked_entry(entry: Any, low: np.ndarray, up: np.ndarray, *, exact_time: bool) -> np.ndarray:
    if entry is None:
        return np.zeros(low.shape[0])
    start = _as_float("entry", entry)
    if start.shape != low.shape:
        raise LivesError(f"entry has {start.size} values for {low.shape[0]} lives")
    _refuse(~np.isfinite(start) | (start < 0), lambda r: f"entry is {start[r]:g}; give a number of at least 0")
    end = np.where(np.isfinite(up), up, low) if exact_time else up
    _refuse(
        (start > 0) & (end <= start),
        lambda r: f"entry is {start[r]:g}, at or after the end {end[r]:g}; such a life was never at risk",
    )
    return start


def _checked_weight(weight: Any, n: int) -> np.ndarray:
    if weight is None:
        return np.ones(n, dtype=np.int64)
    values = _as_float("weight", weight)
    if values.shape[0] != n:
        raise LivesError(f"weight has {values.size} values for {n} lives")
    _refuse(
        ~((values > 0) & (values == np.floor(values)) & np.isfinite(values)),
        lambda r: f"weight is {values[r]:g}; it counts identical units and must be a positive whole number",
    )
    return values.astype(np.int64)


def _missing_label(value: Any) -> bool:
    return value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and np.isnan(value))


def _checked_cause(cause: Any, failed: np.ndarray) -> np.ndarray | None:
    if cause is None:
        return None
    labels = list(cause)
    if len(labels) != failed.shape[0]:
        raise LivesError(f"cause has {len(labels)} values for {failed.shape[0]} lives")
    texts = np.array(["" if _missing_label(v) else str(v) for v in labels] or [""], dtype=object)[: len(labels)]
    _refuse((texts != "") & ~failed, lambda r: f"cause is {texts[r]!r} on a life that did not fail")
    texts[(texts == "") & failed] = UNDETERMINED
    return texts


def _checked_cluster(cluster: Any, n: int) -> np.ndarray | None:
    if cluster is None:
        return None
    labels = np.asarray(cluster)
    if labels.dtype.kind in "US":
        labels = labels.astype(object)
    if labels.shape != (n,):
        raise LivesError(f"cluster has {labels.size} values for {n} lives")
    _refuse(np.asarray(pd.isna(labels)), lambda r: f"cluster is {labels[r]!r}; every row needs a label")
    return labels


def _checked_covariates(covariates: Any, n: int) -> pd.DataFrame:
    if covariates is None:
        return pd.DataFrame(index=pd.RangeIndex(n))
    if not isinstance(covariates, pd.DataFrame):
        if not isinstance(covariates, Mapping):
            raise LivesError("covariates must be a DataFrame or a mapping of columns")
        covariates = pd.DataFrame(dict(covariates))
    if len(covariates) != n:
        raise LivesError(f"covariates has {len(covariates)} rows for {n} lives; they are matched by position")
    frame = covariates.reset_index(drop=True)
    frame.columns = [str(c) for c in frame.columns]
    if frame.columns.duplicated().any():
        raise LivesError(f"covariates has the column {frame.columns[frame.columns.duplicated()][0]!r} twice")
    return frame
