"""Exchange: lives from and to the columns of lifelines and the structured arrays of scikit-survival."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from workbench.checks import check_columns
from workbench.errors import LivesError, UsageError
from workbench.lives import Lives

__all__ = ["lives_from_columns", "lives_from_structured", "lives_to_columns", "lives_to_structured"]


def lives_from_columns(
    frame: pd.DataFrame,
    duration: str | None = None,
    event: str | None = None,
    *,
    lower_bound: str | None = None,
    upper_bound: str | None = None,
    entry: str | None = None,
    weights: str | None = None,
    cluster: str | None = None,
    unit: str = "days",
) -> Lives:
    """Make lives of a DataFrame with the columns that lifelines takes.

    Parameters
    ----------
    frame : pandas.DataFrame of n rows
        One row a life; columns that are not named become covariates.
    duration, event : str
        Columns of durations and of whether the failure was observed (lifelines' duration_col and event_col).
    lower_bound, upper_bound : str
        Instead of these, columns of bounds (lifelines' lower_bound_col and upper_bound_col). Equal bounds are exact;
        an upper bound of inf is suspended.
    entry, weights, cluster : str, optional
        Columns of late entry, of whole-number weights and of labels shared by dependent lives.
    unit : str
        Unit of time.

    Returns
    -------
    Lives
        Checked as by `Lives.from_arrays`.

    Raises
    ------
    UsageError
        If a column does not exist, or neither pair of columns is named.
    LivesError
        If a value is impossible (weights that are no whole numbers among them).

    Examples
    --------
    >>> frame = pd.DataFrame({"T": [5, 8], "E": [1, 0], "lid_seal": ["cord", "o-ring"]})
    >>> len(lives_from_columns(frame, "T", "E"))
    2
    """
    named = [c for c in (duration, event, lower_bound, upper_bound, entry, weights, cluster) if c is not None]
    check_columns(named, frame.columns)
    bounded = lower_bound is not None and upper_bound is not None
    if bounded == (duration is not None and event is not None):
        raise UsageError("name either duration and event, or lower_bound and upper_bound")

    def column(name: str | None) -> np.ndarray | None:
        return None if name is None else frame[name].to_numpy()

    return Lives.from_arrays(
        column(duration),
        column(event),
        lower=column(lower_bound),
        upper=column(upper_bound),
        entry=column(entry),
        weight=column(weights),
        cluster=column(cluster),
        covariates=frame.drop(columns=named),
        unit=unit,
    )


def lives_to_columns(lives: Lives, covariates: Sequence[str] | None = None) -> pd.DataFrame:
    """Write lives as the columns that lifelines takes.

    Parameters
    ----------
    lives : Lives
        n lives.
    covariates : sequence of str, optional
        Covariates to hand on; all when not given.

    Returns
    -------
    pandas.DataFrame
        entry and weights always; duration and event where every failure is exact, else lower_bound and upper_bound;
        cluster where there is one; then the covariates.

    Raises
    ------
    UsageError
        If a covariate does not exist.
    LivesError
        If a covariate has the name of one of these columns.
    """
    wanted = list(lives.covariates.columns) if covariates is None else list(covariates)
    check_columns(wanted, lives.covariates.columns, "covariate")
    if lives.is_right_censored:
        columns: dict[str, np.ndarray] = {"duration": lives.time.copy(), "event": lives.failed.copy()}
    else:
        columns = {"lower_bound": lives.lower.copy(), "upper_bound": lives.upper.copy()}
    columns |= {"entry": lives.entry.copy(), "weights": lives.weight.copy()}
    if lives.cluster is not None:
        columns["cluster"] = lives.cluster.copy()
    clash = sorted(set(columns) & set(wanted))
    if clash:
        raise LivesError(f"covariate {clash[0]!r} has the name of a column of the lives; rename it first")
    return pd.DataFrame(columns).join(lives.covariates[wanted])


def lives_from_structured(
    outcome: np.ndarray, *, entry: np.ndarray | None = None, covariates: pd.DataFrame | None = None, unit: str = "days"
) -> Lives:
    """Make lives of the structured array that scikit-survival takes.

    Parameters
    ----------
    outcome : structured np.ndarray of shape (n,)
        Two fields, the first boolean (failed), the second a number (time).
    entry : np.ndarray of shape (n,), optional
        Times of late entry.
    covariates : pandas.DataFrame of n rows, optional
        Matched by position.
    unit : str
        Unit of time.

    Returns
    -------
    Lives
        Exact and suspended lives.

    Raises
    ------
    LivesError
        If the array has other fields, or a value is impossible.
    """
    outcome = np.asarray(outcome)
    fields = outcome.dtype.names
    if fields is None or len(fields) != 2 or outcome.dtype[0].kind != "b" or outcome.dtype[1].kind not in "iuf":
        raise LivesError(
            f"outcome must be a structured array of a boolean and a number field (failed, time); got {outcome.dtype}"
        )
    return Lives.from_arrays(outcome[fields[1]], outcome[fields[0]], entry=entry, covariates=covariates, unit=unit)


def lives_to_structured(lives: Lives) -> np.ndarray:
    """Write lives as the structured array that scikit-survival takes.

    Parameters
    ----------
    lives : Lives
        Exact and suspended lives at risk from the start.

    Returns
    -------
    structured np.ndarray with fields event (bool) and time (float)
        One row a unit: a life of weight w appears w times, in order.

    Raises
    ------
    LivesError
        If a life is known to an interval only or entered late, which such an array cannot say; names the row.
    """
    lost = (lives.failed & ~lives.exact) | (lives.entry > 0)
    if lost.any():
        row = int(np.argmax(lost))
        raise LivesError(
            f"row {row}: a structured array holds exact and suspended lives at risk from the start only; this one has "
            f"entry {lives.entry[row]:g}, lower {lives.lower[row]:g}, upper {lives.upper[row]:g}"
        )
    outcome = np.empty(lives.units, dtype=[("event", bool), ("time", float)])
    outcome["event"] = np.repeat(lives.failed, lives.weight)
    outcome["time"] = np.repeat(lives.time, lives.weight)
    return outcome
