"""Shared fate: lives and a label for each in, how much larger errors of shares and means are with clusters out."""

from collections.abc import Sequence

import numpy as np

from workbench.estimate.turnbull.interval_curves import Mass, mass_of
from workbench.estimate.turnbull.mean_worth import Worth
from workbench.estimate.turnbull.npmle import NpmleProblem, change_by_push, change_of_lives
from workbench.lives import Lives

__all__ = ["error_ratio", "log_mean_moves", "pseudo_shares", "share_moves", "variance_ratio"]


def log_mean_moves(lives: Lives, fitted: Mass, worth: Worth) -> tuple[float, np.ndarray]:
    """Variance of the logarithm of a mean worth, lives being independent, and how far each life moves it.

    References
    ----------
    Ying & Wei (1994), J. Multivariate Anal. 50, 17-29; Williams (1995), Biometrics 51, 1498-1506 (sums by cluster).
    """
    end, hazard = int(fitted.ends[0]), fitted.fits[0].hazard
    push = worth.slope(hazard)
    change = change_by_push(fitted.problems[0], hazard, push)
    used, cells = fitted.cells.entered <= end, fitted.cells
    places = cells.first[used], np.minimum(cells.last[used], end), cells.entered[used]
    moves = np.zeros(len(lives))
    moves[used] = -change_of_lives(NpmleProblem(end + 1, *places, lives.weight[used].astype(float)), hazard, change)
    return float(push @ change), moves


def share_moves(lives: Lives, day: float, *, days: bool = False) -> np.ndarray:
    """How far each life moves the share alive at a day, or the mean time alive up to it.

    Shapes: returns (n,).
    """
    return _share_and_moves(lives, day, days=days)[1]


def pseudo_shares(lives: Lives, day: float) -> np.ndarray:
    """What each life adds to the share alive at a day: 1 or 0 where it is known, in between or beyond where it is not.

    Their mean is the share itself; NaN where the lives do not reach the day.

    Shapes: returns (n,).

    References
    ----------
    Andersen & Pohar Perme (2010), Stat. Methods Med. Res. 19, 71-99; here by derivative instead of leaving lives out.
    """
    share, moves = _share_and_moves(lives, day)
    return np.asarray(share + lives.units * moves)


def _share_and_moves(lives: Lives, day: float, *, days: bool = False) -> tuple[float, np.ndarray]:
    fitted = mass_of(lives.lower, lives.upper, lives.entry, weight=lives.weight)
    end, cells = int(fitted.ends[0]), fitted.cells
    start, stop = cells.start[: end + 1], cells.end[: end + 1]
    if (fitted.breaks_off or not np.isfinite(stop[-1])) and day > start[-1]:
        return float("nan"), np.full(len(lives), np.nan)
    width = np.where(np.isfinite(stop) & (stop > start), stop - start, 1.0)
    past = np.where(stop > start, np.clip((stop - day) / width, 0.0, 1.0), (start > day).astype(float))
    values = 0.5 * (np.minimum(start, day) + np.minimum(stop, day)) if days else past
    share = float(fitted.mass[: end + 1] @ values)
    if values[-1] <= 0.0 or values[0] == values[-1]:
        return share, np.zeros(len(lives))
    return share, log_mean_moves(lives, fitted, Worth.of(values))[1] * share


def variance_ratio(moves: np.ndarray, weight: np.ndarray, cluster: np.ndarray) -> float:
    """Variance of a sum of moves with clusters as one, over that with every unit alone.

    Shapes: moves (n,), weight (n,), cluster (n,).
    """
    _, place = np.unique(np.asarray(cluster).astype(str), return_inverse=True)
    together, alone = np.bincount(place, weight * moves), float(weight @ moves**2)
    return float(together @ together) / alone if alone > 0 else float("nan")


def error_ratio(
    groups: Sequence[tuple[Lives, float]], label: str, day: float, *, days: bool = False
) -> tuple[float, int]:
    """Standard error with labels as clusters over that with independent lives, for a share or a sum of shares."""
    moves = np.concatenate([factor * share_moves(lives, day, days=days) for lives, factor in groups])
    cluster = np.concatenate([np.asarray(lives.covariates[label]).astype(str) for lives, _ in groups])
    weight = np.concatenate([lives.weight for lives, _ in groups]).astype(float)
    count = len(np.unique(cluster))
    if count < 2:
        return float("nan"), count
    return float(np.sqrt(variance_ratio(moves, weight, cluster) * count / (count - 1))), count
