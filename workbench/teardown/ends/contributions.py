"""Contributions: how much each failure adds to the incidence of its cause, so that causes can be exchanged freely."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from workbench.estimate.curves import survival_curve
from workbench.estimate.shared import groups_of
from workbench.lives import Lives

__all__ = ["failure_contributions"]

_SAME = 1e-9


def failure_contributions(
    lives: Lives, times: Sequence[float] | np.ndarray, by: str | None = None
) -> tuple[tuple[str, ...], np.ndarray, np.ndarray]:
    """Return what each failure adds to the share failed by each time.

    The curve of all failures of a group is a sum of drops; each drop is shared out among the lives that may have
    failed in it, in proportion to their chance of having failed there. The incidence of a cause is the sum over its
    failures; over all causes it is one minus the curve. Where every failure is known to the day this is the
    Aalen-Johansen estimate; where failures lie in intervals it shares out the most likely curve of all causes together.
    """
    groups, wanted = groups_of(lives, by), np.atleast_1d(np.asarray(times, dtype=float))
    curve = survival_curve(lives, by)
    names = [name for name in ("group", "from", "to", "time", "survival") if name in curve.columns]
    table, known = pd.DataFrame({name: curve.columns[name] for name in names}), curve.at(wanted, limits=False)
    parts = np.zeros((len(lives), wanted.size))
    for number, label in enumerate(groups.labels):
        rows = np.flatnonzero((groups.codes == number) & lives.failed)
        start, end, mass = _drops(table[table["group"] == label])
        if rows.size and mass.size:
            parts[rows] = _shared(lives.take(rows), start, end, mass=mass, times=wanted)
        lost = known.loc[known["group"] == label, "survival"].isna().to_numpy()
        parts[np.ix_(groups.codes == number, lost)] = np.nan
    return groups.labels, groups.codes, parts


def _drops(table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Start, end and size of every drop of one group's curve; a day is a drop from itself to itself."""
    survival = table["survival"].to_numpy(dtype=float)
    end = table["to" if "to" in table else "time"].to_numpy(dtype=float)
    start = table["from"].to_numpy(dtype=float) if "from" in table else end
    mass = np.concatenate([[1.0], survival[:-1]]) - survival
    kept = np.isfinite(mass) & (mass > _SAME) & np.isfinite(end)
    return start[kept], end[kept], mass[kept]


def _shared(lives: Lives, start: np.ndarray, end: np.ndarray, *, mass: np.ndarray, times: np.ndarray) -> np.ndarray:
    # the drops in which a life may have failed follow each other, so that sums over them are differences of sums
    low, up = lives.lower, lives.upper
    begin = np.searchsorted(end, up, side="left")
    stop = np.searchsorted(end, up, side="right")
    if not (start == end).all():
        wide = low < up
        after = np.maximum(np.searchsorted(start, low - _SAME, side="left"), np.searchsorted(end, low + _SAME, "right"))
        begin, stop = np.where(wide, after, begin), np.where(wide, np.searchsorted(end, up + _SAME, "right"), stop)
    stop = np.maximum(begin, stop)
    total = _between(mass, begin, stop)
    weight = np.where(stop > begin, lives.weight / np.where(stop > begin, total, 1.0), 0.0)
    held = np.bincount(begin, weight, mass.size + 1) - np.bincount(stop, weight, mass.size + 1)
    drop = mass * np.cumsum(held)[:-1]
    taken = np.bincount(begin, minlength=mass.size + 1) - np.bincount(stop, minlength=mass.size + 1)
    shared = np.where(np.cumsum(taken)[:-1] > 0, mass**2 / np.where(drop > 0, drop, 1.0), 0.0)
    width = np.where(end > start, end - start, 1.0)
    passed = np.where(
        end[:, None] > start[:, None],
        np.clip((times[None, :] - start[:, None]) / width[:, None], 0.0, 1.0),
        times[None, :] >= end[:, None],
    )
    return np.asarray(weight[:, None] * _between(shared[:, None] * passed, begin, stop))


def _between(values: np.ndarray, begin: np.ndarray, stop: np.ndarray) -> np.ndarray:
    """Sums of values from one place to before another."""
    sums = np.zeros((len(values) + 1, *values.shape[1:]))
    np.cumsum(values, axis=0, out=sums[1:])
    return np.asarray(sums[stop] - sums[begin])
