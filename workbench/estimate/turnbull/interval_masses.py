"""Which shares of the classes (a cell of time and a cause, or surviving) are most likely, and within which limits?

A life is a few runs of classes, so sums, slopes and curvature come from running sums over the classes with mass, never
from a table of lives by classes.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from workbench.estimate.steps import normal_quantile

__all__ = ["Memberships", "Runs", "fit_masses", "limits_of_sets", "log_likelihood", "share_limits"]

NO_MASS = 1e-9
_NEWTON_STEPS = 300
_CLOSE_ENOUGH = 1e-9
_CLOSE_IN_LIMITS = 1e-6
_CLOSE_ROOT = 1e-3


@dataclass(frozen=True, eq=False)
class Runs:
    """Lives as runs of classes [first, last): the classes that each can belong to, or under which it would be seen.

    Shapes: first, last (n, r), weight (n,).
    """

    first: np.ndarray
    last: np.ndarray
    weight: np.ndarray

    def sums(self, upto: np.ndarray) -> np.ndarray:
        """Share of each life's classes from running sums, shape (n,).

        Shapes: upto (j + 1,).
        """
        return np.asarray((upto[self.last] - upto[self.first]).sum(axis=1))

    def spread(self, values: np.ndarray, classes: int) -> np.ndarray:
        """Sum over lives of a value for each class that a life can belong to, shape (j,).

        Shapes: values (n,).
        """
        each = np.repeat(values, self.first.shape[1])
        ends = np.bincount(self.first.ravel(), each, classes + 1) - np.bincount(self.last.ravel(), each, classes + 1)
        return np.cumsum(ends)[:-1]

    def products(self, values: np.ndarray, before: np.ndarray, size: int) -> np.ndarray:
        """Sum over lives of a value for each pair of free classes that both hold the life, shape (size, size).

        Shapes: values (n,), before (j + 1,): how many free classes come before each.
        """
        first, last = before[self.first], before[self.last]
        ends, signs = np.hstack([first, last]), np.repeat([1.0, -1.0], first.shape[1])
        place = ends[:, :, None] * (size + 1) + ends[:, None, :]
        weights = values[:, None, None] * np.multiply.outer(signs, signs)
        corners = np.bincount(place.ravel(), weights.ravel(), (size + 1) ** 2).reshape(size + 1, size + 1)
        return corners.cumsum(axis=0).cumsum(axis=1)[:-1, :-1]


@dataclass(frozen=True, eq=False)
class Memberships:
    """Distinct lives against the classes that they can belong to, and those under which they would be seen.

    Attributes
    ----------
    owner : np.ndarray of int, shape (j,)
        Cause of each class, ascending but for the last class, -1, which outlives all observation.
    inside : tuple of Runs
        The classes of each life.
    seen : tuple of Runs
        Classes under which each life would have come under observation (delayed entry).
    """

    owner: np.ndarray
    inside: tuple[Runs, ...]
    seen: tuple[Runs, ...]

    @property
    def total(self) -> float:
        """Sum of weights."""
        return float(sum(runs.weight.sum() for runs in self.inside))

    def with_life(self, classes: np.ndarray, weight: float) -> "Memberships":
        """Add one more life, known to belong to some classes and seen in any case.

        Shapes: classes (j,).
        """
        steps = np.diff(np.concatenate([[0], classes.astype(np.int64), [0]]))
        more = np.array([weight])
        added = Runs(np.flatnonzero(steps > 0)[None, :], np.flatnonzero(steps < 0)[None, :], more)
        everything = Runs(np.zeros((1, 1), dtype=np.int64), np.full((1, 1), classes.size), more)
        return Memberships(self.owner, (*self.inside, added), (*self.seen, everything))


def _running(share: np.ndarray) -> np.ndarray:
    return np.append(0.0, np.cumsum(share))


def log_likelihood(lives: Memberships, share: np.ndarray) -> float:
    """Log-likelihood of shares of the classes.

    Shapes: share (j,).
    """
    upto, value = _running(share), 0.0
    for runs in lives.inside:
        own = runs.sums(upto)
        if np.any(own <= 1e-14):
            return -np.inf
        value += float(runs.weight @ np.log(own))
    return value - sum(float(runs.weight @ np.log(runs.sums(upto))) for runs in lives.seen)


def fit_masses(lives: Memberships, start: np.ndarray | None = None, *, close: float = _CLOSE_ENOUGH) -> np.ndarray:
    """Maximise the likelihood: some steps of expectation and maximisation, then projected Newton steps.

    Shapes: start (j,), returns (j,).

    References
    ----------
    Hudgens, Satten & Longini (2001), Biometrics 57, 74-80 (cause and interval together); Turnbull (1976), J. R. Stat.
    Soc. B 38, 290-295; Wang (2007), J. R. Stat. Soc. B 69, 185-198 (classes join the support where the slope peaks).
    """
    share = _first_guess(lives) if start is None else start
    value = log_likelihood(lives, share)
    for _ in range(_NEWTON_STEPS):
        share, value, gain = _newton_step(lives, share, value, close=close)
        if gain <= close:
            break
    return np.asarray(np.where(share > NO_MASS, share, 0.0) / share[share > NO_MASS].sum())


def _first_guess(lives: Memberships) -> np.ndarray:
    """Steps of expectation and maximisation from equal shares, and of their result each life's likeliest class."""
    j = lives.owner.size
    share = np.full(j, 1.0 / j)
    for _ in range(30):
        upto = _running(share)
        pull = sum(runs.spread(runs.weight / runs.sums(upto), j) for runs in lives.inside)
        push = sum(runs.spread(runs.weight / runs.sums(upto), j) for runs in lives.seen)
        share = share * np.maximum(pull, 0.0) / np.maximum(push, 1e-300)
        share /= share.sum()
    best = np.zeros(j, dtype=bool)
    for runs in lives.inside:
        for first, last in zip(runs.first.tolist(), runs.last.tolist(), strict=True):
            tops = [a + int(np.argmax(share[a:b])) for a, b in zip(first, last, strict=True) if b > a]
            best[max(tops, key=lambda top: share[top])] = True
    share = np.where(best, np.maximum(share, 1e-6), 0.0)
    return np.asarray(share / share.sum())


def _peaks(slope: np.ndarray, owner: np.ndarray, least: float) -> np.ndarray:
    """Classes where the slope is positive and no neighbour of the same cause has a higher one."""
    left = np.append(True, (owner[1:] != owner[:-1]) | (slope[1:] > slope[:-1]))
    right = np.append((owner[1:] != owner[:-1]) | (slope[:-1] >= slope[1:]), True)
    return np.asarray((slope > least) & left & right)


def _newton_step(
    lives: Memberships, share: np.ndarray, value: float, *, close: float
) -> tuple[np.ndarray, float, float]:
    upto, total, j = _running(share), lives.total, share.size
    own, seen = [runs.sums(upto) for runs in lives.inside], [runs.sums(upto) for runs in lives.seen]
    slope = _slope(lives.inside, own, j) - _slope(lives.seen, seen, j)
    has = share > NO_MASS
    free = np.flatnonzero(has | _peaks(slope, lives.owner, 1e-12 * total))
    before = np.searchsorted(free, np.arange(j + 1))
    fall = _curvature(lives.inside, own, before) + total  # holds the sum, on which nothing depends
    rise = _curvature(lives.seen, seen, before)
    now = np.where(has, share, 0.0)
    direction = _bounded_step(fall, rise, slope[free], now=now[free])
    gain = float(slope[free] @ direction)
    if gain <= close:
        return share, value, gain
    for halving in range(30):
        new = now.copy()
        new[free] = np.maximum(now[free] + direction * 0.5**halving, 0.0)
        new /= new.sum()
        reached = log_likelihood(lives, new)
        if reached > value:
            return new, reached, max(gain, reached - value)
    return share, value, 0.0


def _slope(parts: Iterable[Runs], sums: Iterable[np.ndarray], classes: int) -> np.ndarray:
    return sum(
        (runs.spread(runs.weight / own, classes) for runs, own in zip(parts, sums, strict=True)), np.zeros(classes)
    )


def _curvature(parts: Iterable[Runs], sums: Iterable[np.ndarray], before: np.ndarray) -> np.ndarray:
    size = int(before[-1])
    each = (runs.products(runs.weight / own**2, before, size) for runs, own in zip(parts, sums, strict=True))
    return sum(each, np.zeros((size, size)))


def _bounded_step(fall: np.ndarray, rise: np.ndarray, slope: np.ndarray, *, now: np.ndarray) -> np.ndarray:
    """Maximise slope'd - d'(fall - rise)d / 2 over now + d >= 0; without `rise` where that has no maximum."""
    from scipy.linalg import solve_triangular
    from scipy.optimize import nnls

    ridge = 1e-9 * np.trace(fall) / len(fall) * np.eye(len(fall))
    try:
        root = np.linalg.cholesky(fall - rise + ridge).T
    except np.linalg.LinAlgError:
        root = np.linalg.cholesky(fall + ridge).T
    goal = solve_triangular(root, slope, trans=1, check_finite=False)
    plain = solve_triangular(root, goal, check_finite=False)
    if np.all(now + plain >= 0.0):
        return np.asarray(plain)
    return np.asarray(nnls(root, root @ now + goal, maxiter=50 * len(fall))[0] - now)


def share_limits(
    lives: Memberships, best: np.ndarray, classes: np.ndarray, *, confidence: float
) -> tuple[float, float]:
    """All values of the summed share of some classes that the likelihood ratio does not reject.

    The most likely shares under a given sum are those with some number of lives more, known to belong to these classes
    (for higher sums) or to the others (for lower ones); that number is moved until the likelihood has fallen enough.

    Shapes: best (j,), classes (j,).

    References
    ----------
    Thomas & Grunkemeier (1975), J. Am. Stat. Assoc. 70, 865-871; Owen (2001), Empirical Likelihood, ch. 2.
    """
    (limits,) = limits_of_sets(lives, best, [classes], confidence=confidence)
    return limits


def limits_of_sets(
    lives: Memberships, best: np.ndarray, sets: Sequence[np.ndarray], *, confidence: float
) -> list[tuple[float, float]]:
    """Limits for several sets of classes, each search begun where that of the set before ended."""
    top = log_likelihood(lives, best)
    upper, lower = _Search(best, 1.0), _Search(best, 1.0)
    found = []
    for classes in sets:
        upper = _one_side(lives, best, classes, added=classes, wanted=(normal_quantile(confidence), top), near=upper)
        lower = _one_side(lives, best, classes, added=~classes, wanted=(normal_quantile(confidence), top), near=lower)
        found.append((lower.reached, upper.reached))
    return found


@dataclass(frozen=True)
class _Search:
    """Where a search ended: the shares, the lives added as a multiple of the first guess, and the limit."""

    share: np.ndarray
    multiple: float
    reached: float = float("nan")


def _one_side(
    lives: Memberships,
    best: np.ndarray,
    classes: np.ndarray,
    *,
    added: np.ndarray,
    wanted: tuple[float, float],
    near: _Search,
) -> _Search:
    (root_wanted, top), total = wanted, lives.total
    far = _Search(best, 1.0, 1.0 if np.array_equal(added, classes) else 0.0)
    if not added.any():
        return far
    share = near.share if near.share[added].sum() > NO_MASS else 0.999 * near.share + 0.001 * added / added.sum()
    held = min(max(float(best[added].sum()), 0.5 / total), 1.0 - 0.5 / total)
    guess = root_wanted * np.sqrt(total * held / (1.0 - held))  # as of a share counted without doubt
    more, known = guess * near.multiple, [(0.0, 0.0)]
    for _ in range(60):
        share = fit_masses(lives.with_life(added, more), share, close=_CLOSE_IN_LIMITS)
        root = float(np.sqrt(max(2.0 * (top - log_likelihood(lives, share)), 0.0)))
        if abs(root - root_wanted) < _CLOSE_ROOT:
            break
        known = sorted([*known, (root, more)])
        if root < root_wanted and more > 1e4 * total:
            return far
        if known[-1][0] > root_wanted:
            more = _between(known, root_wanted)
        else:
            more *= min(max(1.002 * root_wanted / max(root, 1e-9), 1.002), 10.0)
    return _Search(share, more / guess, float(share[classes].sum()))


def _between(known: list[tuple[float, float]], wanted: float) -> float:
    """The number of lives at which the root is as wanted, by the curve through the nearest points."""
    low = max(k for k in known if k[0] < wanted)
    high = min(k for k in known if k[0] >= wanted)
    if not np.isfinite(high[0]):
        return 0.5 * (low[1] + high[1])
    near = sorted((k for k in known if np.isfinite(k[0])), key=lambda k: abs(k[0] - wanted))[:3]
    roots = np.array([k[0] for k in near])
    guess = 0.0
    for i, (root, more) in enumerate(near):
        others = np.delete(roots, i)
        guess += more * float(np.prod((wanted - others) / (root - others))) if np.all(root != others) else np.nan
    width = high[1] - low[1]
    inner = min(max(guess, low[1] + 1e-3 * width), high[1] - 1e-3 * width)
    return inner if np.isfinite(inner) else 0.5 * (low[1] + high[1])
