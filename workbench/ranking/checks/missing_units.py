"""Missing units: rows for those that might have failed or worked on, and how many failures would flip a sign."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from workbench.estimate.likelihood import AftProblem
from workbench.lives import Lives
from workbench.mentions import Mention, Sentence
from workbench.ranking.model import Design, FittedDesign, fit_design, standardise
from workbench.wording import count_of

__all__ = ["FlipCount", "MissingUnits", "flip_counts", "missing_units"]

AT_ONCE = 25
"""Missing units up to which every count of failed ones is tried; of more, those near where the gain seems to turn."""


@dataclass(frozen=True)
class FlipCount:
    """How many of the missing units with `side` would have to have failed to change the sign of a gain.

    `needed` is None when even all `missing` of them would not.
    """

    side: str
    missing: int
    needed: int | None

    def sentence(self, choice: str) -> Sentence:
        """The count for a comparison of a choice in words, without full stop."""
        side = Mention(choice, self.side)
        if self.missing == 0:
            return Sentence("no unit with ", side, " is missing")
        units = count_of(self.missing, "missing unit")
        if self.needed is None:
            every = "the" if self.missing == 1 else "all"
            return Sentence(f"would not change sign even if {every} {units} with ", side, " had failed")
        return Sentence(f"would change sign if {self.needed} of the {units} with ", side, " had failed")


@dataclass(frozen=True, eq=False)
class MissingUnits:
    """Rows of the design, then the missing ones again as failed, then again as having worked on.

    Attributes
    ----------
    rows : np.ndarray of int, shape (N,)
        Row of the design that each row repeats.
    lower, upper : np.ndarray of float, shape (N,)
        Times of each row.
    of : np.ndarray of int, shape (m,)
        Rows of the design that are missing units, in the order in which they were last seen good.
    base : np.ndarray of float, shape (n,)
        Units that each row of the design stands for.
    can_work_on : bool
        Whether it is known to what day each missing unit's site was visited.
    """

    rows: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    of: np.ndarray
    base: np.ndarray
    can_work_on: bool

    @property
    def units(self) -> int:
        """Units missing."""
        return int(self.base[self.of].sum())

    def weights(
        self, failed: np.ndarray | None = None, worked: np.ndarray | None = None, first: int | None = None
    ) -> np.ndarray:
        """Weights when some of the missing failed or worked on.

        Shapes: failed, worked (m,), returns (N,).
        """
        m, base = len(self.of), self.base[self.of]
        as_failed = np.zeros(m) if failed is None else np.where(failed, base, 0.0)
        if first is not None:
            before = np.cumsum(as_failed) - as_failed
            as_failed = np.clip(first - before, 0.0, as_failed)
        as_worked = np.zeros(m) if worked is None else np.where(worked, base, 0.0)
        kept = self.base.copy()
        kept[self.of] -= as_failed + as_worked
        return np.concatenate([kept, as_failed, as_worked])


def missing_units(design: Design) -> tuple[MissingUnits, tuple[str, ...]]:
    """Return the rows needed to ask what the missing units would change."""
    lives, frame = design.lives, design.lives.covariates
    everything = np.arange(len(lives))
    base = lives.weight.astype(float)
    if "outcome" not in frame.columns:
        note = "The lives carry no outcome, so what missing units would change could not be asked."
        return MissingUnits(everything, lives.lower, lives.upper, np.zeros(0, dtype=np.int64), base, False), (note,)
    gone = np.flatnonzero((frame["outcome"].astype(str) == "missing").to_numpy() & ~lives.failed)
    gone = gone[np.argsort(lives.lower[gone], kind="stable")]
    last = lives.lower[gone]
    notes: tuple[str, ...] = ()
    followed = last
    known = "followed_to" in frame.columns
    if known:
        followed = np.nan_to_num(frame["followed_to"].to_numpy(dtype=float, na_value=np.nan)[gone], nan=0.0)
    elif gone.size:
        notes = ("The last visit of each site is not known, so missing units could not be taken as working on.",)
    rows = np.concatenate([everything, gone, gone])
    lower = np.concatenate([lives.lower, last, np.maximum(followed, last)])
    upper = np.concatenate([lives.upper, last + _next_day(lives), np.full(len(gone), np.inf)])
    return MissingUnits(rows, lower, upper, gone, base, known), notes


def _next_day(lives: Lives) -> float:
    """A day in the unit of the lives; where that is none of time, the least step at which anything is known."""
    ends = np.r_[lives.lower, lives.upper]
    return lives.day if np.isfinite(lives.day) else float(np.min(ends[(ends > 0) & np.isfinite(ends)], initial=np.inf))


def flip_counts(
    fitted: FittedDesign,
    missing: MissingUnits,
    problem: AftProblem,
    *,
    mission: float,
    gains: Mapping[tuple[str, str], float],
) -> dict[tuple[str, str], FlipCount]:
    """Return for each comparison how many missing units would have to have failed to change its sign.

    The units are those with the level where it gains, with the reference where it loses, in the order in which they
    were last seen good.
    """
    if not missing.units:
        return {}
    design, units = fitted.design, missing.base[missing.of]
    sides = {}
    for (choice, level), gain in gains.items():
        block = design.block(choice)
        side = level if gain > 0 else block.reference
        mask = np.asarray(block.codes)[missing.of] == block.levels.index(side)
        sides[choice, level] = (side, mask, int(units[mask].sum()))
    # by count of failed units the gain then, positive as long as its sign stands
    found = {pair: {0: gain * gain} for pair, gain in gains.items()}
    while tries := [(pair, k) for pair in gains for k in _next_counts(found[pair], sides[pair][2])]:
        weights = np.array([missing.weights(failed=sides[p][1], first=k) for p, k in tries])
        fits = fit_design(problem, weights, "a run with missing units", start=fitted.best)
        put_in = standardise(design, fits, mission, days=False)
        for row, (pair, k) in enumerate(tries):
            standard = put_in[pair[0]]
            base = standard.levels.index(design.block(pair[0]).reference)
            gain = standard.survival[row, standard.levels.index(pair[1])] - standard.survival[row, base]
            found[pair][k] = float(gain * gains[pair])
    counts = {}
    for pair, (side, _, total) in sides.items():
        turned = _bracket(found[pair], total)[1]
        counts[pair] = FlipCount(side, total, turned if turned <= total else None)
    return counts


def _bracket(found: Mapping[int, float], total: int) -> tuple[int, int]:
    """The most failed units after which the sign stands, and the fewest after which it has changed."""
    high = min((k for k, gain in found.items() if k and gain <= 0), default=total + 1)
    return max(k for k in found if k < high), high


def _next_counts(found: Mapping[int, float], total: int) -> list[int]:
    """Counts to try next: all where units are few, else all failed, then those around where a straight line crosses."""
    low, high = _bracket(found, total)
    if high - low <= 1 or total <= AT_ONCE:
        return list(range(low + 1, high))
    if high > total:
        return [total]
    near = low + (high - low) * found[low] / max(found[low] - found[high], 1e-300)
    reach = (high - low) // AT_ONCE + 1
    return sorted({int(np.clip(k, low + 1, high - 1)) for k in (near - reach, near, near + reach)})
