"""Missing: what the units that never came back could change, by extreme assumptions and by search."""

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.errors import WorkbenchError
from workbench.estimate.curves import survival_curve
from workbench.estimate.turnbull import mass_of, shares_one_grid
from workbench.lives import UNDETERMINED, Lives

__all__ = ["MissingBounds", "missing_bounds", "missing_runs", "share_surviving"]


def missing_runs(lives: Lives) -> dict[str, Lives]:
    """Return the lives under each assumption about missing units."""
    missing = (lives.covariates["outcome"].astype(str) == "missing").to_numpy()
    lower, upper = lives.lower, lives.upper
    failed = lives.replace(
        lower=lower,
        upper=np.where(missing, lower + 1, upper),
        cause=None if lives.cause is None else np.where(missing, UNDETERMINED, lives.cause),
    )
    seen = lower
    if "followed_to" in lives.covariates:
        seen = np.fmax(lower, pd.to_numeric(lives.covariates["followed_to"]).to_numpy(dtype=float))
    worked = lives.replace(lower=np.where(missing, seen, lower))
    return {"suspended": lives, "failed": failed, "worked": worked}


@dataclass(frozen=True, kw_only=True)
class MissingBounds:
    """What the missing units could do to a difference in the share lasting the mission.

    Attributes
    ----------
    missing, reference_missing : int
        Missing units with the level and with its reference.
    difference : float
        With missing units suspended.
    lowest, highest : float
        Crossed: the level's missing failed while the reference's worked on, and the other way round.
    flips_at : int or None
        Fewest missing units with the better one of the two that would have to have failed for the sign to change.
    better : str
        Level whose missing units were tried.
    """

    missing: int
    reference_missing: int
    difference: float
    lowest: float
    highest: float
    flips_at: int | None
    better: str

    @property
    def crossed_changes_sign(self) -> bool:
        """Whether one of the crossed assumptions turns the difference round."""
        return bool(np.sign(self.lowest) != np.sign(self.highest))


def missing_bounds(lives: Lives, column: str, level: str, *, reference: str, mission: float) -> MissingBounds | None:
    """Search what the missing units could do to the difference between a level and its reference."""
    runs = missing_runs(lives)
    values = lives.covariates[column].astype(str).to_numpy()
    missing = (lives.covariates["outcome"].astype(str) == "missing").to_numpy()
    own = {name: values == name for name in (level, reference)}
    count = {name: int(lives.weight[missing & rows].sum()) for name, rows in own.items()}
    if sum(count.values()) == 0:
        return None
    share = {
        (run, name): share_surviving(runs[run].take(own[name]), mission)
        for run in ("suspended", "failed", "worked")
        for name in (level, reference)
    }
    if not all(np.isfinite(list(share.values()))):
        return None
    difference = share["suspended", level] - share["suspended", reference]
    better, other = (level, reference) if difference >= 0 else (reference, level)
    order = np.flatnonzero(missing & own[better])
    order = order[np.argsort(lives.lower[order], kind="stable")]
    return MissingBounds(
        missing=count[better],
        reference_missing=count[other],
        difference=difference,
        lowest=share["failed", level] - share["worked", reference],
        highest=share["worked", level] - share["failed", reference],
        flips_at=_flips_at(lives, own[better], order, other=share["suspended", other], mission=mission),
        better=better,
    )


def _flips_at(lives: Lives, own: np.ndarray, order: np.ndarray, *, other: float, mission: float) -> int | None:
    """Fewest missing units, in this order, whose failing turns the difference round; one more only lowers the share."""
    group, place = lives.take(own), np.searchsorted(np.flatnonzero(own), order)

    def flips(count: int) -> bool:
        upper, gone = group.upper.copy(), place[:count]
        upper[gone] = group.lower[gone] + 1
        cause = group.cause
        if cause is not None:
            cause = np.where(np.isfinite(upper) & (cause == ""), UNDETERMINED, cause)
        return share_surviving(group.replace(upper=upper, cause=cause), mission) < other - 1e-9

    if not len(order) or not flips(len(order)):
        return None
    fewest = 1 + bisect_left(range(1, len(order) + 1), True, key=flips)
    return int(lives.weight[order[:fewest]].sum())


def share_surviving(lives: Lives, day: float) -> float:
    """Return the share surviving a day as the curve gives it, without the work of limits."""
    try:
        if shares_one_grid(lives.lower, lives.upper, lives.entry):
            return float(survival_curve(lives).at(day)["survival"].to_numpy(dtype=float)[0])
        fitted = mass_of(lives.lower, lives.upper, lives.entry, weight=lives.weight)
    except WorkbenchError:
        return float("nan")
    after = np.asarray(fitted.survival, dtype=float)
    start, end = fitted.cells.start, fitted.cells.end
    known = np.isfinite(end)
    last = float(start[~known][0]) if not known.all() else np.inf
    if fitted.breaks_off or (day > last and after[known][-1:].sum() > 0):
        return float("nan")
    before = np.concatenate([[1.0], after[:-1]])
    days = np.column_stack([start[known], end[known]]).ravel()
    return float(np.interp(day, days, np.column_stack([before[known], after[known]]).ravel(), left=1.0))
