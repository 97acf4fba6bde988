"""Permutation tests: scores of units in, permutation variance and p values by chance or by full enumeration out."""

from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from math import comb

import numpy as np
from pandas import factorize

from workbench.errors import EstimateError

__all__ = ["Exchangeable", "exact_p", "exchangeable_units", "permutation_p", "permutation_variance"]

_CHUNK = 2_000_000
_MANY = 4_000
_BINS = 64
_DRAWS_AT_ONCE = 200
_MOST_ARRANGEMENTS = 1_000_000
_CLOSE = 1e-9


@dataclass(frozen=True, eq=False)
class Exchangeable:
    """What changes places under no difference: units, or whole clusters, inside strata; ordered by stratum and group.

    Attributes
    ----------
    scores : np.ndarray of float, shape (m,)
        Centred inside each stratum.
    groups, strata : np.ndarray of int, shape (m,)
        Ascending by stratum, then group.
    weight : np.ndarray of int, shape (m,)
        How many a row stands for; 1 each where single units are drawn.
    count : int
        Number of groups.
    """

    scores: np.ndarray
    groups: np.ndarray
    strata: np.ndarray
    weight: np.ndarray
    count: int

    @property
    def excess(self) -> np.ndarray:
        """Sum of scores by group, shape (count,)."""
        return np.bincount(self.groups, weights=self.scores * self.weight, minlength=self.count)

    def blocks(self) -> list[slice]:
        """The rows of each stratum."""
        ends = np.append(np.flatnonzero(np.diff(self.strata)) + 1, self.strata.size)
        return [slice(int(a), int(b)) for a, b in zip(np.append(0, ends[:-1]), ends, strict=True)]


def exchangeable_units(
    scores: np.ndarray,
    weight: np.ndarray,
    groups: np.ndarray,
    *,
    strata: np.ndarray,
    cluster: np.ndarray | None,
    labels: tuple[str, ...],
    single: bool,
) -> Exchangeable:
    """Units that change places: rows, or whole clusters.

    Shapes: scores (n,), weight, groups, strata (n,), cluster (n,).
    """
    if cluster is None and single:
        scores, groups, strata = (np.repeat(values, weight) for values in (scores, groups, strata))
        weight = np.ones(len(scores), dtype=np.int64)
    elif cluster is not None:
        place, names = factorize(cluster)
        first = np.unique(place, return_index=True)[1]
        for what, codes in (("groups", groups), ("strata", strata)):
            split = codes != codes[first][place]
            if split.any():
                row = int(np.argmax(split))
                seen = f" ({labels[groups[first[place[row]]]]} and {labels[groups[row]]})" if what == "groups" else ""
                raise EstimateError(
                    f"cluster {str(names[place[row]])!r} has rows in two {what}{seen}; whole clusters change places "
                    "here, so compare deployments of different clusters or use method='asymptotic'"
                )
        scores = np.bincount(place, weights=scores * weight)
        groups, strata, weight = groups[first], strata[first], np.ones(len(names), dtype=np.int64)
    order = np.lexsort([weight, scores, groups, strata])
    units = Exchangeable(scores[order], groups[order], strata[order], weight[order], len(labels))
    for block in units.blocks():
        units.scores[block] -= np.average(units.scores[block], weights=units.weight[block])
    return units


def permutation_variance(units: Exchangeable) -> np.ndarray:
    """Variance of the sums of scores by group when scores change places inside strata.

    Shapes: returns (count, count).
    """
    variance = np.zeros((units.count, units.count))
    for block in units.blocks():
        weight = units.weight[block]
        m = int(weight.sum())
        size = np.bincount(units.groups[block], weights=weight, minlength=units.count)
        if m > 1:
            spread = float(units.scores[block] ** 2 @ weight) / (m - 1)
            variance += spread * (np.diag(size) - np.outer(size, size) / m)
    return variance


@dataclass(frozen=True, eq=False)
class _Block:
    """The units of one stratum: scores in ascending order of group, groups present, first unit and size of each."""

    scores: np.ndarray
    present: np.ndarray
    first: np.ndarray
    size: np.ndarray

    @classmethod
    def of(cls, units: Exchangeable, rows: slice) -> "_Block":
        present, first, size = np.unique(units.groups[rows], return_index=True, return_counts=True)
        return cls(units.scores[rows], present, first, size)

    @property
    def is_large(self) -> bool:
        """Whether bins are quicker than moving every unit."""
        return self.scores.size > _MANY

    def sums(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Sums of scores by group in random arrangements, shape (draws, groups present)."""
        if self.is_large:
            return self._sums_by_bins(draws, rng)
        scores = rng.permuted(np.broadcast_to(self.scores, (draws, self.scores.size)), axis=1)
        return np.add.reduceat(scores, self.first, axis=1)

    @cached_property
    def _bins(self) -> tuple[np.ndarray, np.ndarray]:
        """Scores in ascending order and where bins begin: narrow in units and in scores."""
        scores = np.sort(self.scores)
        way = np.arange(scores.size) / scores.size + (scores - scores[0]) / max(np.ptp(scores), 1e-300)
        ends = np.searchsorted(way, np.linspace(0.0, way[-1], _BINS + 1)[1:-1])
        return scores, np.unique(np.concatenate([[0], ends, [scores.size]]))

    def _sums_by_bins(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Sums in arrangements that share the order inside bins of nearly equal scores.

        How many of a bin fall to a group is drawn for each arrangement (hypergeometric), which of them by one random
        order of the bin: each arrangement is as likely as any other, and what two of them share is next to nothing.
        """
        scores, ends = self._bins
        number = np.repeat(np.arange(ends.size - 1), np.diff(ends))
        upto = np.append(0.0, np.cumsum(scores[np.argsort(number + rng.random(number.size))]))
        sums = np.zeros((draws, self.size.size))
        wanted = np.tile(self.size, (draws, 1))
        for start, stop in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
            place = np.full(draws, start)
            left, after = np.full(draws, stop - start), wanted.sum(axis=1)
            for g in range(self.size.size):
                after = after - wanted[:, g]
                taken = left if g == self.size.size - 1 else rng.hypergeometric(wanted[:, g], after, left)
                sums[:, g] += upto[place + taken] - upto[place]
                wanted[:, g] -= taken
                place, left = place + taken, left - taken
        return sums


def permutation_p(units: Exchangeable, white: np.ndarray, resamples: int, *, seed: int) -> float:
    """Share of arrangements by chance, the observed one counted, with as large a statistic.

    Shapes: white (count, r).
    """
    rng = np.random.default_rng(seed)
    blocks = [_Block.of(units, block) for block in units.blocks()]
    observed = float(np.sum((units.excess @ white) ** 2))
    at_once = max(1, _CHUNK // max(min(units.scores.size, _MANY), 1))
    at_once = min(at_once, _DRAWS_AT_ONCE) if any(block.is_large for block in blocks) else at_once
    as_large, left = 0, resamples
    while left:
        draws = min(at_once, left)
        excess = np.zeros((draws, units.count))
        for block in blocks:
            excess[:, block.present] += block.sums(draws, rng)
        statistic = np.sum((excess @ white) ** 2, axis=1)
        as_large += int(np.count_nonzero(statistic >= observed * (1.0 - _CLOSE) - _CLOSE))
        left -= draws
    return (1 + as_large) / (1 + resamples)


def exact_p(units: Exchangeable, white: np.ndarray) -> float:
    """Share of all arrangements with as large a statistic.

    Shapes: white (count, r).
    """
    blocks = units.blocks()
    sizes = [np.bincount(units.groups[block], minlength=units.count) for block in blocks]
    arrangements = 1
    for size in sizes:
        left = int(size.sum())
        for k in size.tolist():
            arrangements *= comb(left, k)
            left -= k
    if arrangements > _MOST_ARRANGEMENTS:
        raise EstimateError(
            f"method 'exact' would need {arrangements:.2g} arrangements, more than {_MOST_ARRANGEMENTS:,}; "
            "use method='permutation'"
        )
    sums = np.zeros((1, units.count))
    for block, size in zip(blocks, sizes, strict=True):
        more = _all_sums(units.scores[block], size)
        sums = (sums[:, None, :] + more[None, :, :]).reshape(-1, units.count)
    statistic = np.sum((sums @ white) ** 2, axis=1)
    observed = float(np.sum((units.excess @ white) ** 2))
    return int(np.count_nonzero(statistic >= observed * (1.0 - _CLOSE) - _CLOSE)) / int(statistic.size)


def _all_sums(scores: np.ndarray, size: np.ndarray) -> np.ndarray:
    # every way to deal the scores out to groups of these sizes: group by group from those left over
    left = scores[None, :]
    sums = np.zeros((1, size.size))
    for g, k in enumerate(size.tolist()):
        m = left.shape[1]
        chosen = np.array(list(combinations(range(m), k)), dtype=np.int64).reshape(comb(m, k), k)
        rest = np.ones((len(chosen), m), dtype=bool)
        np.put_along_axis(rest, chosen, False, axis=1)
        other = np.nonzero(rest)[1].reshape(len(chosen), m - k)
        sums = np.repeat(sums, len(chosen), axis=0)
        sums[:, g] = left[:, chosen].sum(axis=2).reshape(-1)
        left = left[:, other].reshape(len(sums), m - k)
    return sums
