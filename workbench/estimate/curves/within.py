"""What is a level worth among units of one place, averaged over places that hold both it and its reference?"""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.shared import proportion_interval
from workbench.estimate.steps import normal_quantile, square_and_add
from workbench.estimate.turnbull import mass_of
from workbench.lives import Lives

__all__ = ["DifferenceWithin", "differences_within", "survival_at"]


@dataclass(frozen=True, kw_only=True)
class DifferenceWithin:
    """Difference in share surviving within places; NaN, with no place, where none holds both levels."""

    difference: float = float("nan")
    lower: float = float("nan")
    upper: float = float("nan")
    std_error: float = float("nan")
    places: int = 0


@dataclass(frozen=True, kw_only=True)
class _Shares:
    """One level, place by place: units, how many are known at the time, and the share surviving; each (k,)."""

    units: np.ndarray
    known: np.ndarray
    share: np.ndarray

    def only(self, rows: np.ndarray) -> "_Shares":
        return _Shares(units=self.units[rows], known=self.known[rows], share=self.share[rows])


def survival_at(
    lower: np.ndarray, upper: np.ndarray, entry: np.ndarray, *, weight: np.ndarray, times: np.ndarray
) -> np.ndarray:
    """Share surviving some times by maximum likelihood, without limits; NaN past the last known day unless all failed.

    Mass is spread evenly in its cell. Shapes: lower, upper, entry, weight (n,), times (k,), returns (k,).
    """
    fitted = mass_of(lower, upper, entry, weight=weight)
    first = np.arange(len(fitted.mass)) < fitted.ends[0] if fitted.breaks_off else np.full(len(fitted.mass), True)
    closed = first & np.isfinite(fitted.cells.end)
    start, end = fitted.cells.start[closed], fitted.cells.end[closed]
    after = fitted.survival[closed]
    if not after.size:
        return np.where(times <= fitted.cells.start[0], 1.0, np.nan)
    before = np.concatenate([[1.0], after[:-1]])
    start = np.where(start == end, np.nextafter(start, -np.inf), start)
    alive = np.interp(times, np.column_stack([start, end]).ravel(), np.column_stack([before, after]).ravel(), left=1.0)
    open_end = fitted.cells.start[first & ~closed]
    known_to = open_end[0] if open_end.size else end[-1]
    alive[(times > known_to) & (alive > 1e-12)] = np.nan
    return np.asarray(alive)


def differences_within(
    lives: Lives, levels: np.ndarray, places: np.ndarray, *, time: float, reference: int, confidence: float = 0.95
) -> dict[int, DifferenceWithin]:
    """Difference in share surviving a time of each level to the reference, among units of one place.

    Each place counts by n1 n0 / (n1 + n0) of its units with and without the level (Mantel-Haenszel weights). A level's
    share in a place is that of its own curve there; past the last day on which one of its units was watched, they go on
    as all units of that place do. Units that joined late, or with a number below 0, are left out. The variance is
    Sato's for proportions, which holds with many small places too, of the units whose state at the time is known: the
    others count for the estimate and not for its precision. Where it is 0 (nothing failed, or everything of one level
    alone), exact limits of all units together are squared and added.

    Parameters
    ----------
    lives : Lives
        n lives.
    levels, places : np.ndarray of int, shape (n,)
        Numbers of level and place.
    time : float
        Day asked about.
    reference : int
        Number of the level that others are compared with.
    confidence : float in (0, 1)
        Two-sided level.

    Returns
    -------
    dict of int to DifferenceWithin
        By the number of each other level.

    References
    ----------
    Greenland & Robins (1985), Biometrics 41, 55-68 (estimate); Sato (1989), Biometrics 45, 1323-1324 (variance).
    """
    used = np.flatnonzero((levels >= 0) & (places >= 0) & (lives.entry <= 0))
    levels, places = levels[used], places[used]
    numbers, own = np.unique(levels, return_inverse=True)
    names, place = np.unique(places, return_inverse=True)
    whole = [used[rows] for rows in _split(place, len(names))]
    found = np.zeros((len(numbers), len(names), 3))
    for cell, rows in enumerate(_split(own * len(names) + place, found.shape[0] * found.shape[1])):
        if rows.size:
            level, here = divmod(cell, len(names))
            found[level, here] = _cell(lives, used[rows], whole[here], time=time)
    shares = {
        int(number): _Shares(units=one[:, 0], known=one[:, 1], share=one[:, 2])
        for number, one in zip(numbers, found, strict=True)
    }
    base = shares.pop(reference, None)
    return {n: DifferenceWithin() if base is None else _averaged(one, base, confidence) for n, one in shares.items()}


def _split(groups: np.ndarray, count: int) -> list[np.ndarray]:
    """Rows of each group, in one pass."""
    order = np.argsort(groups, kind="stable")
    return np.split(order, np.searchsorted(groups[order], np.arange(1, count)))


def _cell(lives: Lives, rows: np.ndarray, whole: np.ndarray, *, time: float) -> tuple[float, float, float]:
    """Units, units known at a time, and share surviving it of some rows among all those of their place."""
    lower, upper, weight = lives.lower[rows], lives.upper[rows], lives.weight[rows]
    lasted = lower >= time
    known = lasted | (upper <= time)
    units, sure = float(weight.sum()), float(weight[known].sum())
    if known.all():
        return units, sure, float(weight[lasted].sum()) / units
    last = float(np.where(np.isfinite(upper), upper, lower).max())
    share = float(_survival(lives, rows, np.array([min(time, last)]))[0])
    if last < time and share > 0:
        there = _survival(lives, whole, np.array([last, time]))
        share *= float(there[1] / there[0]) if there[0] > 0 else 0.0
    return units, sure, share


def _survival(lives: Lives, rows: np.ndarray, times: np.ndarray) -> np.ndarray:
    return survival_at(lives.lower[rows], lives.upper[rows], lives.entry[rows], weight=lives.weight[rows], times=times)


def _averaged(own: _Shares, base: _Shares, confidence: float) -> DifferenceWithin:
    both = (own.units > 0) & (base.units > 0) & np.isfinite(own.share) & np.isfinite(base.share)
    if not both.any():
        return DifferenceWithin()
    own, base = own.only(both), base.only(both)
    weight = own.units * base.units / (own.units + base.units)
    total = float(weight.sum())
    difference = float((weight * (own.share - base.share)).sum() / total)
    variance = max(_sato(own, base, weight, difference=difference), 0.0) / total**2
    if variance > 1e-12:
        reach = normal_quantile(confidence) * variance**0.5
        lower, upper = difference - reach, difference + reach
    else:
        pair = (_exact(side, weight / total, confidence) for side in (own, base))
        _, lower, upper = square_and_add(*pair)
    return DifferenceWithin(
        difference=difference,
        lower=max(lower, -1.0),
        upper=min(upper, 1.0),
        std_error=variance**0.5,
        places=int(both.sum()),
    )


def _sato(own: _Shares, base: _Shares, weight: np.ndarray, *, difference: float) -> float:
    """Variance of the weighted sum of differences; with all units known it is Sato's formula."""
    ours, theirs = weight**2 / np.maximum(own.known, 1.0), weight**2 / np.maximum(base.known, 1.0)
    crossed = 0.5 * (own.share * (1 - base.share) + base.share * (1 - own.share))
    tilted = 0.5 * (ours * (1 - 2 * own.share) - theirs * (1 - 2 * base.share))
    return float(((ours + theirs) * crossed + difference * tilted).sum())


def _exact(side: _Shares, weight: np.ndarray, confidence: float) -> tuple[float, float, float]:
    """A share that is 0 or 1 in every place, with exact limits from all its units known."""
    share, known = float(weight @ side.share), max(round(float(side.known.sum())), 1)
    lower, upper = proportion_interval(min(round(share * known), known), known, confidence=confidence)
    return share, min(lower, share), max(upper, share)
