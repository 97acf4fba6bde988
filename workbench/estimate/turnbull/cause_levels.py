"""Which Newton step makes the incidence of each cause likelier, and where does a limit of it lie nearby?

The unknowns are levels: the incidence of a cause at the end of each of its classes. A life's chance is a fixed number
plus a few levels, so the curvature ties levels of nearly the same time only: a band as wide as the intervals.
"""

from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations

import numpy as np
from scipy import sparse

__all__ = ["Bent", "CauseLevels", "Chances", "Lean", "Move", "bounded_move"]

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
    def _begun(self) -> np.ndarray:
        # 0 for the first class of a cause, 1 for the others
        return np.asarray(self.start < np.arange(self.cause.size), dtype=float)

    @cached_property
    def _own_top(self) -> np.ndarray:
        # last level of the cause of each class
        return np.asarray(self.tops[np.searchsorted(self.tops, np.arange(1, self.cause.size + 1))])

    @cached_property
    def _terms(self) -> tuple[sparse.csr_array, sparse.csr_array]:
        # levels of each life with their signs, and the other way round; level 0 holds nothing
        blocks = []
        for part in self.parts:
            n, r = part.at.shape
            signs = np.where(part.at > 0, part.signs, 0.0).ravel()
            begins = np.arange(0, n * r + 1, r)
            blocks.append(sparse.csr_array((signs, part.at.ravel(), begins), shape=(n, self.cause.size + 1)))
        terms = sparse.csr_array(sparse.vstack(blocks))
        return terms, sparse.csr_array(terms.T)

    @cached_property
    def _squares(self) -> sparse.csr_array:
        # which lives bend each level
        squares = self._terms[1].copy()
        squares.data = squares.data**2
        return squares

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
        return np.asarray(level[1:] - self._begun * level[:-1])

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
        return np.asarray(self._terms[0] @ change)

    def pulled(self, values: np.ndarray) -> np.ndarray:
        """Sum by level of a value of each life, shape (m + 1,).

        Shapes: values (n,).
        """
        return np.asarray(self._terms[1] @ values)

    def slopes(self, pull: np.ndarray) -> np.ndarray:
        """Slope by the share of each class, beside what is held, shape (m,).

        Shapes: pull (m + 1,), the slope by level.
        """
        back = np.append(np.cumsum(pull[:0:-1])[::-1], 0.0)
        return np.asarray(back[:-1] - back[self._own_top])

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

    def bent(self, curve: np.ndarray) -> "Bent":
        """How the likelihood bends where each life bends it so much.

        Shapes: curve (n,).
        """
        _, _, tied, sign = self._pairs
        alone = self._squares @ curve
        anchor = _RIDGE * (np.abs(alone) + np.abs(alone).mean())  # holds what no life holds where it is
        return Bent(self, curve, alone + anchor, sign * curve[tied], anchor)

    def cells(self, group: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Pairs of levels of two groups, and the cell of the band of each."""
        first, second, _, _ = self._pairs
        one, two = group[first], group[second]
        low, offset = np.minimum(one, two), np.abs(one - two)
        inner = np.flatnonzero(low > 0)
        return inner, offset[inner] * int(group.max()) + low[inner] - 1


@dataclass(frozen=True, eq=False)
class Bent:
    """Curvature of the likelihood somewhere: by each level, and by each pair of levels that lives tie.

    Shapes: curve (n,), alone, anchor (m + 1,), one value a pair in `tied`.
    """

    problem: CauseLevels
    curve: np.ndarray
    alone: np.ndarray
    tied: np.ndarray
    anchor: np.ndarray
    _factors: dict[bytes, np.ndarray] = field(default_factory=dict)

    def solve(self, group: np.ndarray, right: np.ndarray) -> np.ndarray:
        """Levels with curvature times levels = right, those of one group being equal (group 0 at 0), shape (m + 1, c).

        Shapes: right (m + 1, c).
        """
        from scipy.linalg.lapack import dpbtrs

        count = int(group.max())
        if count == 0:
            return np.zeros(right.shape)
        key = group.tobytes()
        if key not in self._factors:
            self._factors[key] = self._factor(group, count)
        columns = np.empty((count, right.shape[1]), order="F")
        for k, column in enumerate(right.T):
            columns[:, k] = np.bincount(group, column, count + 1)[1:]
        solved, _ = dpbtrs(self._factors[key], columns, lower=1, overwrite_b=1)
        return np.asarray(np.concatenate([np.zeros((1, right.shape[1])), solved])[group])

    def _factor(self, group: np.ndarray, count: int) -> np.ndarray:
        from scipy.linalg.lapack import dpbtrf

        inner, cell = self.problem.cells(group)
        height = int(cell.max(initial=0)) // count + 1
        flat = np.bincount(cell, self.tied[inner], height * count)
        band = flat.astype(float).reshape(-1, count)  # whole numbers where no lives tie levels
        band[0] = 2.0 * band[0] + np.bincount(group, self.alone, count + 1)[1:]
        factor, wrong = dpbtrf(band, lower=1)
        if wrong:
            raise np.linalg.LinAlgError("no maximum")
        return np.asarray(factor)


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


def bounded_move(
    problem: CauseLevels, level: np.ndarray, *, chance: np.ndarray, lean: Lean, bent: Bent | None = None
) -> Move:
    """Newton step of the levels after which no share is negative, by exchange of blocks of bounds.

    The curvature is that at the levels, unless that of other levels near them is given.

    Shapes: level (m + 1,), chance (n,).

    References
    ----------
    Kim & Park (2011), SIAM J. Sci. Comput. 33, 3261-3281 (exchange of blocks of bounds).
    """
    bent = problem.bent(problem.weight / chance**2) if bent is None else bent
    try:
        return _exchanged(problem, level, chance, bent=bent, lean=lean)
    except np.linalg.LinAlgError:  # without what entry bends the other way, which keeps the climb
        return _exchanged(problem, level, chance, bent=problem.bent(np.maximum(bent.curve, 0.0)), lean=lean)


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


def _exchanged(problem: CauseLevels, level: np.ndarray, chance: np.ndarray, *, bent: Bent, lean: Lean) -> Move:
    curve, anchor = bent.curve, bent.anchor
    push = problem.weight / chance
    pull = problem.pulled(push)
    right = np.zeros((level.size, 3))
    right[:, 0] = pull + problem.pulled(curve * (chance - problem.base)) + anchor * level
    right[lean.level, 1] = 1.0 if lean.level else 0.0
    right[problem.tops, 2] = 1.0
    value = problem.value(chance)
    most = _ROUNDING * max(float(np.abs(push).sum()), problem.total)
    free = _may_have_mass(problem, level, pull=pull, lean=lean)
    active, open_rest, best, patience = problem.shares(level) > 0.0, problem.rest(level) > _NOTHING, level.size + 2, 3
    for _ in range(_PIVOTS):
        plain, leant, whole = bent.solve(problem.groups(active), right).T
        hold = float(whole[problem.tops].sum())
        held = not open_rest and hold > 0.0
        over, tilted = float(plain[problem.tops].sum()) - 1.0, float(leant[problem.tops].sum())
        if held:
            plain, leant = plain - over / hold * whole, leant - tilted / hold * whole
        begun, leaned = problem.moved(plain - level), problem.moved(leant)
        number = lean.number
        if lean.goal == lean.goal:
            number = _number(value - lean.goal, push=push, curve=curve, begun=begun, leaned=leaned, lean=lean)
        new, moved = plain + number * leant, begun + number * leaned
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
    above: float, *, push: np.ndarray, curve: np.ndarray, begun: np.ndarray, leaned: np.ndarray, lean: Lean
) -> float:
    """The number of the tilt at which the quadratic model of the likelihood comes down to the goal."""
    rest = above + float(push @ begun) - 0.5 * float(curve @ begun**2)
    straight = float((push - curve * begun) @ leaned)
    bend = 0.5 * float(curve @ leaned**2)
    if bend <= 0.0 or not np.isfinite(bend):  # the level is at its end
        return 4.0 * lean.number
    inner = max(straight**2 + 4.0 * bend * rest, 0.0)
    return (straight + lean.sign * float(np.sqrt(inner))) / (2.0 * bend)
