"""Checks of arrays that are to become lives: what no unit can have is refused with row and value."""

from collections.abc import Callable, Mapping
from numbers import Number
from typing import Any

import numpy as np
import pandas as pd

from workbench.errors import LivesError

__all__ = ["UNDETERMINED", "checked_arrays"]

NUMBERS = ("integer", "floating", "mixed-integer-float", "boolean", "decimal", "empty")
"""Kinds of object columns that hold numbers only, beside missing ones."""
MOST_UNITS = 2**53
"""Beyond it a floating-point number can no longer count one by one."""
UNDETERMINED = "undetermined"
"""The cause of a failure that nobody could name: a class of its own, never dropped."""


def checked_arrays(
    *,
    time: Any,
    failed: Any,
    lower: Any,
    upper: Any,
    entry: Any,
    weight: Any,
    cause: Any,
    covariates: Any,
    cluster: Any,
) -> dict[str, Any]:
    """Return the arrays of lives, checked."""
    lone_time, lone_end = (time is None) != (failed is None), (lower is None) != (upper is None)
    if lone_time or lone_end or (time is None) == (lower is None):
        raise LivesError("give either time and failed, or lower and upper")
    low, up = _ends_from_time(time, failed) if time is not None else _checked_ends(lower, upper)
    n = low.shape[0]
    start = _checked_entry(entry, low, up, exact_time=time is not None)
    if entry is not None:
        # a unit that entered late was seen alive then, so its failure interval starts there at the earliest
        low = np.where((low < start) & (low != up), start, low)
    return {
        "entry": start,
        "lower": low,
        "upper": up,
        "weight": _checked_weight(weight, n),
        "cause": _checked_cause(cause, np.isfinite(up)),
        "cluster": _checked_cluster(cluster, n),
        "covariates": _checked_covariates(covariates, n),
    }


def _as_float(name: str, values: Any) -> np.ndarray:
    kind = getattr(getattr(values, "dtype", None), "kind", "")
    if kind in "mM" and kind:
        raise LivesError(f"{name} holds dates or spans of time; give numbers, such as whole days since deployment")
    array = _one_dimensional(name, values)
    if array.dtype.kind in "biuf":
        return array.astype(float)
    if array.dtype.kind != "O" or pd.api.types.infer_dtype(array, skipna=True) not in NUMBERS:
        for row, value in enumerate(values):
            if not isinstance(value, Number) and not pd.isna(value):
                raise LivesError(f"{name} in row {row} is {_plain(value)!r}, which is no number")
    return np.asarray(pd.to_numeric(pd.Series(array, dtype=object)), dtype=float)


def _one_dimensional(name: str, values: Any) -> np.ndarray:
    try:
        array = np.asarray(values)
    except ValueError:
        raise LivesError(f"{name} must be a one-dimensional array; its rows differ in length") from None
    if array.ndim != 1:
        raise LivesError(f"{name} must be a one-dimensional array; got {array.ndim} dimensions")
    return array


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value


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
        codes, different = pd.factorize(flags)  # -1, the last, where there is none
        taken = [isinstance(v, Number | np.bool_) and v in (0, 1) for v in different]
        _refuse(
            ~np.array([*taken, False])[codes],
            lambda r: (
                f"failed is {_plain(flags[r])!r}; only True and False, or 1 and 0, are taken (codes 1/2 must be "
                "recoded, lives without an end left out)"
            ),
        )
        flags = np.array([*(v == 1 for v in different), False])[codes]
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
    if values.sum() > MOST_UNITS:
        row = int(np.argmax(values))
        raise LivesError(
            f"row {row}: weight is {values[row]:g}; all weights together may count {MOST_UNITS:,} units at most, "
            "beyond which units are no longer counted one by one"
        )
    return values.astype(np.int64)


def _checked_cause(cause: Any, failed: np.ndarray) -> np.ndarray | None:
    if cause is None:
        return None
    labels = pd.Series(list(cause), dtype=object)
    if len(labels) != failed.shape[0]:
        raise LivesError(f"cause has {len(labels)} values for {failed.shape[0]} lives")
    codes, different = pd.factorize(labels)  # -1, the last of the texts, where there is none
    texts: np.ndarray = np.array([*map(str, different), ""], dtype=object)[codes]
    _refuse((texts != "") & ~failed, lambda r: f"cause is {texts[r]!r} on a life that did not fail")
    texts[(texts == "") & failed] = UNDETERMINED
    return texts


def _checked_cluster(cluster: Any, n: int) -> np.ndarray | None:
    if cluster is None:
        return None
    labels = np.array(cluster)
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
