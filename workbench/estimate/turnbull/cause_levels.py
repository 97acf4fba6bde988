"""Which Newton step makes the incidence of each cause likelier, and where does a limit of it lie nearby?

The unknowns are levels: the incidence of a cause at the end of each of its classes. A life's chance is a fixed number
plus a few levels, so the curvature ties levels of nearly the same time only: a band as wide as the intervals.
"""

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np

__all__ = ["CauseLevels", "Chances", "Lean", "Move", "bounded_move"]

_PIVOTS = 60
_RIDGE = 1e-10
_ROUNDING = 1e-11
_NO_SHARE = 1e-10
_NOTHING = 1e-14


@dataclass(frozen=True, eq=False)
class Chances:
    """Lives of one kind, whose chance is `base` plus `signs` times their levels.

    Level 0 is always 0, level i + 1 is that at the end of class i. Lives that were seen only because they lasted to
    their entry have a chance of that, with a weight below 0.

    Shapes: at (n, r), signs (r,), weight (n,).
    """

    at: np.ndarray
    signs: np.ndarray
    weight: np.ndarray
    base: float


@dataclass(frozen=True, eq=False)
class CauseLevels:
    """Lives against the m classes, each a cell of one cause, in order of cause and then time.

    Shapes: cause, end (m,).
    """

    cause: np.ndarray
    end: np.ndarray
    parts: tuple[Chances, ...]

    @cached_property
    def weight(self) -> np.ndarray:
        """Weights of all lives, shape (n,)."""
        return np.concatenate([part.weight for part in self.parts])

    @cached_property
    def base(self) -> np.ndarray:
        """What the chances of all lives have beside levels, shape (n,)."""
        return np.concatenate([np.full(part.weight.size, part.base) for part in self.parts])

    @cached_property
    def total(self) -> float:
        """Units that ended somehow."""
        return float(self.weight[self.weight > 0].sum())

    @cached_property
    def start(self) -> np.ndarray:
        """First class of the cause of each class, shape (m,)."""
        return np.searchsorted(self.cause, self.cause)

    @cached_property
    def tops(self) -> np.ndarray:
        """Last level of each cause."""
        return np.flatnonzero(np.diff(self.cause, append=-1)) + 1

    @cached_property
    def _flat(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        # level, life and sign of each term
        begins = np.cumsum([0, *(part.weight.size for part in self.parts)])[:-1]
        lives = [
            np.repeat(begin + np.arange(p.weight.size), p.signs.size)
            for begin, p in zip(begins, self.parts, strict=True)
        ]
        signs = [np.tile(part.signs, part.weight.size) for part in self.parts]
        return np.concatenate([p.at.ravel() for p in self.parts]), np.concatenate(lives), np.concatenate(signs)

    @cached_property
    def _pairs(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        # two different levels of a life, the life, and whether they bend the likelihood together (1) or apart (-1)
        found: list[tuple[np.ndarray, ...]] = []
        begin = 0
        for part in self.parts:
            for a, b in combinations(range(part.signs.size), 2):
                tied = np.flatnonzero((part.at[:, a] > 0) & (part.at[:, b] > 0))
                sign = np.full(tied.size, part.signs[a] * part.signs[b])
                found.append((part.at[tied, a], part.at[tied, b], begin + tied, sign))
            begin += part.weight.size
        first, second, life, sign = (np.concatenate(values) for values in zip(*found, strict=True))
        return first, second, life, sign

    def shares(self, level: np.ndarray) -> np.ndarray:
        """Share of each class, shape (m,)."""
        before = np.where(self.start < np.arange(self.cause.size), level[:-1], 0.0)
        return level[1:] - before

    def levels(self, share: np.ndarray) -> np.ndarray:
        """Levels of shares, shape (m + 1,)."""
        upto = np.append(0.0, np.cumsum(share))
        return np.append(0.0, upto[1:] - upto[self.start])

    def rest(self, level: np.ndarray) -> float:
        """Share that outlives all observation."""
        return 1.0 - float(level[self.tops].sum())

    def moved(self, change: np.ndarray) -> np.ndarray:
        """Change of the chance of each life, shape (n,).

        Shapes: change (m + 1,).
        """
        return np.concatenate([change[part.at] @ part.signs for part in self.parts])

    def pulled(self, values: np.ndarray) -> np.ndarray:
        """Sum by level of a value of each life, shape (m + 1,).

        Shapes: values (n,).
        """
        level, life, sign = self._flat
        return np.append(0.0, np.bincount(level, sign * values[life], self.cause.size + 1)[1:])

    def slopes(self, pull: np.ndarray) -> np.ndarray:
        """Slope by the share of each class, beside what is held, shape (m,).

        Shapes: pull (m + 1,), the slope by level.
        """
        back = np.append(np.cumsum(pull[:0:-1])[::-1], 0.0)
        return np.asarray(back[:-1] - back[self.tops[np.searchsorted(self.tops, np.arange(1, self.cause.size + 1))]])

    def value(self, chance: np.ndarray) -> float:
        """Log-likelihood."""
        return float(self.weight @ np.log(chance)) if np.all(chance > _NOTHING) else -np.inf

    def groups(self, free: np.ndarray) -> np.ndarray:
        """Number, in order of time, of the last free class up to each level, shape (m + 1,); 0 where there is none."""
        places = np.flatnonzero(free)
        number = np.zeros(free.size, dtype=np.int64)
        number[places[np.argsort(self.end[places], kind="stable")]] = np.arange(1, places.size + 1)
        latest = np.maximum.accumulate(np.where(free, np.arange(free.size), -1))
        return np.append(0, np.where(latest >= self.start, number[np.maximum(latest, 0)], 0))

    def curvature(self, curve: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Curvature by each level, and by each pair of levels that lives tie.

        Shapes: curve (n,), returns (m + 1,) and one value a pair.
        """
        level, life, _ = self._flat
        _, _, tied, sign = self._pairs
        return np.bincount(level, curve[life], self.cause.size + 1), sign * curve[tied]

    def solve(self, bends: tuple[np.ndarray, np.ndarray], group: np.ndarray, right: np.ndarray) -> np.ndarray:
        """Levels with curvature times levels = right, those of one group being equal (group 0 at 0), shape (m + 1, c).

        Shapes: right (m + 1, c).
        """
        from scipy.linalg.lapack import dpbsv

        count = int(group.max())
        if count == 0:
            return np.zeros(right.shape)
        first, second, _, _ = self._pairs
        one, two = group[first], group[second]
        low, offset = np.minimum(one, two), np.abs(one - two)
        inner = low > 0
        low, offset, force = low[inner] - 1, offset[inner], bends[1][inner]
        flat = np.bincount(offset * count + low, force, (int(offset.max(initial=0)) + 1) * count)
        band = flat.astype(float).reshape(-1, count)  # whole numbers where no lives tie levels
        band[0] = 2.0 * band[0] + np.bincount(group, bends[0], count + 1)[1:]
        columns = np.empty((count, right.shape[1]))
        for k, column in enumerate(right.T):
            columns[:, k] = np.bincount(group, column, count + 1)[1:]
        _, solved, wrong = dpbsv(band, columns, lower=1)
        if wrong:
            raise np.linalg.LinAlgError("no maximum")
        return np.asarray(np.concatenate([np.zeros((1, right.shape[1])), solved])[group])


@dataclass(frozen=True)
class Lean:
    """How the likelihood is tilted: some number times one level is added.

    With a `goal` the number is such that the likelihood comes down to the goal, the level being moved up (sign 1) or
    down (sign -1); without (NaN), it is `number`.
    """

    level: int = 0
    number: float = 0.0
    sign: float = 1.0
    goal: float = float("nan")


@dataclass(frozen=True)
class Move:
    """A step: change of levels, of chances, the number of the tilt, and the tilted rise that the model foretells."""

    change: np.ndarray
    moved: np.ndarray
    number: float
    rise: float


def bounded_move(problem: CauseLevels, level: np.ndarray, *, chance: np.ndarray, lean: Lean) -> Move:
    """Newton step of the levels after which no share is negative, by exchange of blocks of bounds.

    Shapes: level (m + 1,), chance (n,).

    References
    ----------
    Kim & Park (2011), SIAM J. Sci. Comput. 33, 3261-3281 (exchange of blocks of bounds).
    """
    curve = problem.weight / chance**2
    try:
        return _exchanged(problem, level, chance=chance, curve=curve, lean=lean)
    except np.linalg.LinAlgError:  # without what entry bends the other way, which keeps the climb
        return _exchanged(problem, level, chance=chance, curve=np.maximum(curve, 0.0), lean=lean)


def _may_have_mass(problem: CauseLevels, level: np.ndarray, *, pull: np.ndarray, lean: Lean) -> np.ndarray:
    """Classes that have a share, and those where the tilted slope is positive and no neighbour has a higher one.

    Shapes: pull (m + 1,), returns (m,).
    """
    tilt = np.zeros(level.size)
    tilt[lean.level] = lean.number
    slope, share = problem.slopes(pull + tilt), problem.shares(level)
    if problem.rest(level) <= _NOTHING:  # held: what counts is the slope above that of the classes with a share
        slope = slope - max(float(share @ slope), 0.0) / max(float(share.sum()), _NOTHING)
    apart = problem.cause[1:] != problem.cause[:-1]
    left = np.append(True, apart | (slope[1:] > slope[:-1]))
    right = np.append(apart | (slope[:-1] >= slope[1:]), True)
    return np.asarray((share > 0.0) | ((slope > 1e-12 * problem.total) & left & right))


def _exchanged(problem: CauseLevels, level: np.ndarray, chance: np.ndarray, *, curve: np.ndarray, lean: Lean) -> Move:
    push = problem.weight / chance
    pull = problem.pulled(push)
    right = np.zeros((level.size, 3))
    bends = problem.curvature(curve)
    anchor = _RIDGE * (np.abs(bends[0]) + np.abs(bends[0]).mean())  # holds what no life holds where it is
    bends = bends[0] + anchor, bends[1]
    right[:, 0] = pull + problem.pulled(curve * (chance - problem.base)) + anchor * level
    right[lean.level, 1] = 1.0 if lean.level else 0.0
    right[problem.tops, 2] = 1.0
    value = problem.value(chance)
    most = _ROUNDING * max(float(np.abs(push).sum()), problem.total)
    free = _may_have_mass(problem, level, pull=pull, lean=lean)
    active, open_rest, best, patience = problem.shares(level) > 0.0, problem.rest(level) > _NOTHING, level.size + 2, 3
    for _ in range(_PIVOTS):
        plain, leant, whole = problem.solve(bends, problem.groups(active), right).T
        hold = float(whole[problem.tops].sum())
        held = not open_rest and hold > 0.0
        over, tilted = float(plain[problem.tops].sum()) - 1.0, float(leant[problem.tops].sum())
        if held:
            plain, leant = plain - over / hold * whole, leant - tilted / hold * whole
        begun, bent = problem.moved(plain - level), problem.moved(leant)
        number = lean.number
        if lean.goal == lean.goal:
            number = _number(value - lean.goal, push=push, curve=curve, begun=begun, bent=bent, lean=lean)
        new, moved = plain + number * leant, begun + number * bent
        back = (over + number * tilted) / hold if held else 0.0
        bent_back = problem.pulled(curve * moved) + anchor * (new - level)
        slope = problem.slopes(pull - bent_back + number * right[:, 1] - back * right[:, 2])
        wrong = np.where(active, problem.shares(new) < -_NO_SHARE, free & (slope > most))
        rest_wrong = back < -most if held else problem.rest(new) < -_NOTHING and hold > 0.0
        bad = int(np.count_nonzero(wrong)) + rest_wrong
        if bad == 0:
            break
        patience = 3 if bad < best else patience - 1
        best = min(best, bad)
        if patience >= 0:
            active ^= wrong
            open_rest ^= rest_wrong
        elif rest_wrong:
            open_rest ^= True
        else:
            active[np.flatnonzero(wrong)[-1]] ^= True
    new = problem.levels(np.maximum(problem.shares(new), 0.0))
    if problem.rest(new) < 0.0:
        new = new / (1.0 - problem.rest(new))
    change = new - level
    return Move(change, problem.moved(change), number, float(pull @ change) + number * float(change[lean.level]))


def _number(
    above: float, *, push: np.ndarray, curve: np.ndarray, begun: np.ndarray, bent: np.ndarray, lean: Lean
) -> float:
    """The number of the tilt at which the quadratic model of the likelihood comes down to the goal."""
    rest = above + float(push @ begun) - 0.5 * float(curve @ begun**2)
    straight = float((push - curve * begun) @ bent)
    bend = 0.5 * float(curve @ bent**2)
    if bend <= 0.0 or not np.isfinite(bend):  # the level is at its end
        return 4.0 * lean.number
    inner = max(straight**2 + 4.0 * bend * rest, 0.0)
    return (straight + lean.sign * float(np.sqrt(inner))) / (2.0 * bend)
