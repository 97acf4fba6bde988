"""Interval means: interval-censored lives by group and a horizon in, restricted means with likelihood limits out."""

from dataclasses import dataclass, field, replace

import numpy as np

from workbench.estimate.shared import Groups, failed_by, not_from_the_start, watched_since
from workbench.estimate.steps import LimitsAt, MeanOfGroup, few_failures_notes, normal_quantile, risk_sets
from workbench.estimate.turnbull.interval_curves import Mass, mass_of
from workbench.estimate.turnbull.interval_limits import ratio_limits
from workbench.estimate.turnbull.mean_worth import Worth
from workbench.estimate.turnbull.npmle import Fit, NpmleProblem
from workbench.estimate.turnbull.shared_fate import log_mean_moves, variance_ratio
from workbench.estimate.turnbull.turnbull_cells import TurnbullCells, turnbull_cells
from workbench.lives import Lives
from workbench.mentions import of_group

__all__ = ["interval_means"]

HELD_BELOW = ((10, 92),)
"""Failures in a group below which 95 % limits held the truth in so many of 100 simulated seasons (visits every 30 days,
groups of 10 units); from 10 on 93 to 97."""


def interval_means(lives: Lives, groups: Groups, horizon: float) -> tuple[MeanOfGroup, ...]:
    """Restricted means of interval-censored lives: mass spread evenly in its cell, limits by likelihood ratio.

    The limits are the least and the largest mean of all curves that the likelihood ratio does not reject, mass lying
    half way between even spreading and the start of its span for the lower one, and the end for the upper one.

    References
    ----------
    Thomas & Grunkemeier (1975), J. Am. Stat. Assoc. 70, 865-871 (limits); Murphy & van der Vaart (1997), Ann. Stat. 25,
    1471-1509 (beside a curve of any form); Rao & Scott (1981), J. Am. Stat. Assoc. 76, 221-230 (clusters).
    """
    return tuple(
        _mean_of(lives.take(np.flatnonzero(groups.codes == g)), label, horizon) for g, label in enumerate(groups.labels)
    )


def _mean_of(lives: Lives, label: str, horizon: float) -> MeanOfGroup:
    lives = lives.take(lives.canonical_order())
    fitted = mass_of(lives.lower, lives.upper, lives.entry, weight=lives.weight)
    cells, end, unit = fitted.cells, int(fitted.ends[0]), lives.unit
    alone = np.zeros(len(lives), dtype=np.int64)
    counts = risk_sets(lives.time, lives.failed, lives.entry, weight=lives.weight, codes=alone, groups=1)
    if horizon > counts.unwatched(0)[0]:
        return MeanOfGroup.unknown(*not_from_the_start(label, counts, 0, unit=unit))
    open_end = fitted.breaks_off or not np.isfinite(cells.end[end])
    if open_end and horizon > cells.start[end]:
        last = f"nothing is known after {cells.start[end]:g} {unit}"
        return MeanOfGroup.unknown(of_group(label, f"{last}, so there is no restricted mean up to {horizon:g} {unit}."))
    start, stop, mass = cells.start[: end + 1], cells.end[: end + 1], fitted.mass[: end + 1]
    worth = _mean_within(start, stop, horizon)
    if mass @ (start < horizon) < 1e-9:
        throughout = (lives.lower >= horizon) & (lives.entry < horizon) & (watched_since(lives, alone) <= 0)
        working = int(lives.weight[throughout].sum())
        who = "of those watched from day 0 on" if lives.entry.any() else "at risk"
        _, may_have = failed_by(lives, horizon)
        return MeanOfGroup.without_failure(label, horizon, working, unit=unit, who=who, may_have=may_have)
    mean = float(mass @ worth)
    early, late = float(mass @ np.minimum(start, horizon)), float(mass @ np.minimum(stop, horizon))
    if end == 0:
        one_cell = of_group(label, "all failures fall into one cell, so no limits can be given.")
        return MeanOfGroup.without_spread(mean, one_cell)
    note = "failures are spread evenly between the times that bound them"
    if f"{early:.3g}" == f"{late:.3g}":
        note += ", which hardly matters for the mean."
    else:
        note += (
            f"; all at the start would give a mean of {early:.3g}, all at the end {late:.3g} {unit}, and the limits go "
            "half way to either."
        )
    failures = int(lives.weight[lives.failed & (lives.lower < horizon)].sum())
    few = few_failures_notes(label, failures, f"{horizon:g} {unit}", held_below=HELD_BELOW)
    variance, moves = log_mean_moves(lives, fitted, Worth.of(worth))
    widening = 1.0
    if lives.cluster is not None:
        widening = max(variance_ratio(moves, lives.weight.astype(float), lives.cluster), 1.0)
    limits = _limits(lives, fitted, horizon, widening=widening**0.5)
    return MeanOfGroup.by_ratio(mean, mean * (variance * widening) ** 0.5, limits, notes=(*few, of_group(label, note)))


def _mean_within(start: np.ndarray, stop: np.ndarray, horizon: float) -> np.ndarray:
    # mean of min(T, horizon) for T even in (start, stop]
    low, high = np.minimum(start, horizon), np.minimum(stop, horizon)
    width = np.where(np.isfinite(stop) & (stop > start), stop - start, 1.0)
    before = np.clip((high - low) / width, 0.0, 1.0)
    return np.asarray(np.where(stop > start, before * 0.5 * (low + high) + (1.0 - before) * horizon, low))


@dataclass(frozen=True, eq=False)
class _RatioLimits:
    """Likelihood-ratio limits of a mean: worths of the cells at each side, and what the last cell is worth there.

    `found` holds the limits at every level that was asked for, since each takes a search.
    """

    problem: NpmleProblem
    fit: Fit
    worths: tuple[Worth, Worth]
    last: tuple[float, float]
    widening: float
    found: dict[float, tuple[float, float]] = field(default_factory=dict)

    def __call__(self, confidence: float) -> tuple[float, float]:
        if confidence not in self.found:
            wanted = normal_quantile(confidence) * self.widening
            lower, upper = ratio_limits(self.problem, self.fit, self.worths, wanted=wanted)
            self.found[confidence] = lower * self.last[0], upper * self.last[1]
        return self.found[confidence]


def _limits(lives: Lives, fitted: Mass, horizon: float, *, widening: float) -> LimitsAt:
    cells, problem, fit = _all_spans(lives, fitted)
    even = _mean_within(cells.start, cells.end, horizon)
    early, late = (0.5 * (even + np.minimum(ends, horizon)) for ends in (cells.start, cells.end))
    last = float(early[-1]), float(late[-1])
    return _RatioLimits(problem, fit, (Worth.of(early), Worth.of(late)), last, widening)


def _all_spans(lives: Lives, fitted: Mass) -> tuple[TurnbullCells, NpmleProblem, Fit]:
    # the same maximum over all spans between ends up to the last cell with mass: a mean that is held moves mass there
    end, own = int(fitted.ends[0]), fitted.cells
    spans = turnbull_cells(lives.lower, lives.upper, lives.entry, every=True)
    place = np.searchsorted(spans.end, own.end[: end + 1], side="left")
    place += spans.start[place] < own.start[: end + 1]
    last, used = int(place[-1]), own.entered <= end
    spans = TurnbullCells(
        spans.start[: last + 1],
        spans.end[: last + 1],
        spans.first[used],
        np.minimum(spans.last[used], last),
        spans.entered[used],
    )
    hazard = np.zeros(last)
    hazard[place[:-1]] = fitted.fits[0].hazard
    problem = NpmleProblem(last + 1, spans.first, spans.last, spans.entered, lives.weight[used].astype(float))
    return spans, problem, replace(fitted.fits[0], hazard=hazard)
