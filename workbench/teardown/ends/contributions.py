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
    table, known = curve.table, curve.at(wanted)
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
    low, up = lives.lower[:, None], lives.upper[:, None]
    if (start == end).all():
        inside = end == up
    else:
        inside = (end <= up + _SAME) & ((start >= low - _SAME) & (end > low + _SAME) | (low == up) & (end == up))
    chance = inside * mass
    total = chance.sum(axis=1, keepdims=True)
    chance = lives.weight[:, None] * chance / np.where(total > 0, total, 1.0)
    drop = chance.sum(axis=0)
    share = chance / np.where(drop > 0, drop, 1.0) * mass
    width = np.where(end > start, end - start, 1.0)
    passed = np.where(
        end[:, None] > start[:, None],
        np.clip((times[None, :] - start[:, None]) / width[:, None], 0.0, 1.0),
        times[None, :] >= end[:, None],
    )
    return np.asarray(share @ passed)
