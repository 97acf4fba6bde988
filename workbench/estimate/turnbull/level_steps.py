"""Level steps: pairs of levels with weights and a gradient in, the Newton step that keeps levels in order out.

The levels are those of the cumulative hazard at the ends of some cells, the first being 0. Each life ties two levels,
those around its interval, so the curvature is that of a chain of springs: a band as wide as the intervals. Of few
levels the band is factorised. Many levels mostly come of failures known exactly, each of which ties two neighbours far
more firmly than all intervals do; then conjugate gradients find the increments in a few rounds.
"""

import numpy as np

__all__ = ["bounded_step", "free_step", "summed_from_zero"]

_PIVOTS = 60
_RIDGE = 1e-10
_ROUNDING = 1e-12
_LEAST = 1e-8
_FACTORISED = 2_000_000
"""Most operations (levels times the square of the band) for which the band is factorised."""
_MOST_LEVELS = 500
"""Levels above which it is not: what keeps the band definite would bend the answer by the levels' share of it."""
_ROUNDS = 1000
_SOLVED, _GOOD = 1e-28, 1e-20


def summed_from_zero(values: np.ndarray) -> np.ndarray:
    """Running sums of some increments, from 0 before the first.

    Shapes: values (k,), returns (k + 1,).
    """
    level = np.empty(values.size + 1)
    level[0] = 0.0
    values.cumsum(out=level[1:])
    return level


def _differences(level: np.ndarray) -> np.ndarray:
    # increments of levels 1 ... k, from 0 on
    found = level.copy()
    found[1:] -= level[:-1]
    return found


def free_step(low: np.ndarray, high: np.ndarray, weight: np.ndarray, *, gradient: np.ndarray) -> np.ndarray:
    """Newton step of the increments of the levels without bounds.

    Shapes: low, high (n,), weight (n,), gradient (k,), returns (k,).
    """
    springs = _Springs(low, high, weight, count=gradient.size)
    pull = gradient.copy()
    pull[:-1] -= gradient[1:]
    return _differences(springs.solve(np.arange(gradient.size + 1), pull))


def bounded_step(
    low: np.ndarray,
    high: np.ndarray,
    weight: np.ndarray,
    *,
    gradient: np.ndarray,
    hazard: np.ndarray,
    bend: tuple[np.ndarray, float] | None = None,
) -> np.ndarray:
    """Newton step of the increments of the levels after which none is negative, by exchange of blocks of bounds.

    Shapes: low, high (n,), weight (n,), gradient, hazard (k,), bend (k + 1,), returns (k,).

    References
    ----------
    Kim & Park (2011), SIAM J. Sci. Comput. 33, 3261-3281 (exchange of blocks of bounds).
    """
    count = hazard.size
    springs = _Springs(low, high, weight, count=count, bend=bend)
    target = springs.pull(hazard.cumsum()) + gradient
    target[:-1] -= gradient[1:]
    most = _ROUNDING * np.abs(target[::-1].cumsum()).max(initial=1.0)
    free, best, patience = hazard > 0.0, count + 1, 3
    x, group = np.zeros(count), np.zeros(count + 1, dtype=np.int64)
    for _ in range(_PIVOTS):
        group[1:] = free.cumsum()
        level = springs.solve(group, target)
        x = _differences(level)
        slope = (target - springs.pull(level))[::-1].cumsum()[::-1]
        wrong = np.where(free, x < 0.0, slope > most)
        bad = int(np.count_nonzero(wrong))
        if bad == 0:
            break
        if bad < best:
            best, patience = bad, 3
        else:
            patience -= 1
        if patience >= 0:
            free ^= wrong
        else:
            free[np.flatnonzero(wrong)[-1]] ^= True
    return np.asarray(np.maximum(x, 0.0) - hazard)


class _Springs:
    """Distinct pairs of levels 0 ... k with the summed weight of each."""

    def __init__(
        self,
        low: np.ndarray,
        high: np.ndarray,
        weight: np.ndarray,
        *,
        count: int,
        bend: tuple[np.ndarray, float] | None = None,
    ) -> None:
        key, place = np.unique((high - low) * (count + 1) + low, return_inverse=True)
        self.count = count
        self.low = key % (count + 1)
        self.high = self.low + key // (count + 1)
        self.weight = np.bincount(place, weight, len(key))
        ends = np.bincount(self.low, self.weight, count + 1) + np.bincount(self.high, self.weight, count + 1)
        shares, self.slope = bend or (None, 0.0)
        self.lean = np.zeros(count + 1) if shares is None else shares
        self.anchor = _RIDGE * max(float(ends[1:].sum()) / max(count, 1), 1e-12) + self.slope * self.lean
        width = int((self.high - self.low).max(initial=0))
        self.many = count > _MOST_LEVELS or count * width**2 > _FACTORISED

    def pull(self, level: np.ndarray) -> np.ndarray:
        """Curvature times levels 1 ... k."""
        whole = np.empty(self.count + 1)
        whole[0], whole[1:] = 0.0, level
        force = self.weight * (whole[self.high] - whole[self.low])
        between = np.bincount(self.high, force, self.count + 1) - np.bincount(self.low, force, self.count + 1)
        total = between + (self.slope * self.lean if self.many else self.anchor) * whole
        if self.slope:
            total = total - self.slope * float(self.lean @ whole) * self.lean
        return np.asarray(total[1:])

    def solve(self, group: np.ndarray, target: np.ndarray) -> np.ndarray:
        """Levels 1 ... k with curvature times levels = target, those of one group being equal (group 0 at 0)."""
        from scipy.linalg.lapack import dpbsv

        count = int(group[-1])
        if count == 0:
            return np.zeros(self.count)
        low, high = group[self.low], group[self.high]
        apart = high > low
        low, high, weight = low[apart], high[apart], self.weight[apart]
        if self.many:
            steps = self._by_gradients(low, high, weight, group=group, target=target)
            if steps is not None:
                return np.asarray(summed_from_zero(steps)[group[1:]])
        diagonal = np.bincount(group, self.anchor, count + 1)
        diagonal += np.bincount(low, weight, count + 1) + np.bincount(high, weight, count + 1)
        inner = low > 0
        low, offset, weight = low[inner], high[inner] - low[inner], weight[inner]
        band = np.zeros((int(offset.max(initial=0)) + 1, count))
        band -= np.bincount(offset * count + low - 1, weight, band.size).reshape(band.shape)
        band[0] = diagonal[1:]
        right = np.bincount(group[1:], target, count + 1)[1:]
        leaning = self.slope != 0.0
        if leaning:
            lean = np.bincount(group, self.lean, count + 1)[1:]
            right = np.column_stack([right, lean])
        _, solved, wrong = dpbsv(band, right, lower=1)
        if wrong:
            raise np.linalg.LinAlgError("no maximum")
        if leaning:  # one product of a vector with itself more: Sherman & Morrison
            solved, back = solved.T
            solved += back * (self.slope * float(lean @ solved) / max(1.0 - self.slope * float(lean @ back), _LEAST))
        whole = np.empty(count + 1)
        whole[0], whole[1:] = 0.0, solved
        return np.asarray(whole[group[1:]])

    def _by_gradients(
        self, low: np.ndarray, high: np.ndarray, weight: np.ndarray, *, group: np.ndarray, target: np.ndarray
    ) -> np.ndarray | None:
        """Increments of groups 1 ... k by conjugate gradients, None where they do not settle.

        References
        ----------
        Nocedal & Wright, Numerical Optimization, ch. 5 (conjugate gradients scaled by the diagonal; from memory).
        """
        count, near = int(group[-1]), high - low == 1
        firm = np.bincount(low[near], weight[near], count)
        low, high, weight = low[~near], high[~near], weight[~near]
        lean = np.bincount(group, self.lean, count + 1)[1:]

        def spread(force: np.ndarray) -> np.ndarray:
            return (np.bincount(low, force, count + 1) - np.bincount(high, force, count + 1)).cumsum()[:-1]

        def pull(steps: np.ndarray) -> np.ndarray:
            level = summed_from_zero(steps)
            total = firm * steps + spread(weight * (level[high] - level[low]))
            if self.slope:
                bent = self.slope * lean * (level[1:] - float(lean @ level[1:]))
                total = total + bent[::-1].cumsum()[::-1]
            return np.asarray(total)

        size = firm + spread(weight)
        size = np.where(size > 0, size, 1.0)
        left = np.bincount(group[1:], target, count + 1)[:0:-1].cumsum()[::-1]
        steps, ahead = np.zeros(count), left / size
        error = first = float(left @ ahead)
        way = ahead
        for _ in range(_ROUNDS):
            if error <= _SOLVED * first:
                break
            turned = pull(way)
            length = error / max(float(way @ turned), 1e-300)
            steps, left = steps + length * way, left - length * turned
            ahead = left / size
            before, error = error, float(left @ ahead)
            way = ahead + (error / before) * way
        return steps if error <= _GOOD * first else None
