"""MeanOfGroup: one group's restricted mean with limits at any level."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.steps.differences import LimitsAt
from workbench.estimate.steps.step_limits import exact_bound, normal_quantile
from workbench.mentions import Sentence, of_group
from workbench.wording import count_of

__all__ = ["MeanOfGroup", "few_failures_notes"]

_ANCHOR = 0.95


@dataclass(frozen=True, eq=False)
class MeanOfGroup:
    """A restricted mean, its standard error, its limits as a function of the two-sided level, and sentences.

    `test_limits` are the limits that the p value of a difference rests on: they widen in proportion to the normal
    quantile without end, so that small p values can be told apart.
    """

    mean: float
    std_error: float
    limits: LimitsAt
    test_limits: LimitsAt
    notes: tuple[Sentence, ...] = ()

    @classmethod
    def unknown(cls, note: Sentence) -> "MeanOfGroup":
        """A mean that the lives do not give."""
        nan = float("nan")
        return cls(nan, nan, _no_limits, _no_limits, (note,))

    @classmethod
    def without_failure(
        cls, label: str, horizon: float, units: int, *, unit: str, who: str = "at risk", may_have: int = 0
    ) -> "MeanOfGroup":
        """The mean of a group with no known failure by the horizon; `may_have`: failures whose spans hold it."""
        limits = _ExactLimits(units, horizon)
        bound = f"the lower limit is the exact bound for {units} {who}."
        by_then = f"no unit failed by {horizon:g} {unit}"
        if may_have:
            by_then = f"none is known to have failed by {horizon:g} {unit}, {may_have:,} may have"
        note = of_group(label, f"{by_then}; {bound}")
        return cls(horizon, 0.0, limits, limits, (note,))

    @classmethod
    def normal(
        cls, mean: float, std_error: float, horizon: float, *, notes: tuple[Sentence, ...] = ()
    ) -> "MeanOfGroup":
        """A mean with normal limits, kept between 0 and the horizon."""
        limits = _NormalLimits(mean, std_error, horizon)
        return cls(mean, std_error, limits, limits, notes)

    @classmethod
    def without_spread(cls, mean: float, note: Sentence) -> "MeanOfGroup":
        """A mean whose error cannot be judged, because all failures coincide."""
        return cls(mean, float("nan"), _no_limits, _no_limits, (note,))

    @classmethod
    def by_ratio(cls, mean: float, std_error: float, limits: LimitsAt, *, notes: tuple[Sentence, ...]) -> "MeanOfGroup":
        """A mean with likelihood-ratio limits."""
        return cls(mean, std_error, limits, _DrawnOutLimits(mean, limits), notes)


def few_failures_notes(
    label: str, failures: int, by: str, *, held_below: tuple[tuple[int, int], ...]
) -> tuple[Sentence, ...]:
    """Say how often limits of a mean with so few failures hold the truth, where that is too seldom."""
    for fewer, held in held_below:
        if failures < fewer:
            seldom = (
                f"with {count_of(failures, 'failure')} by {by}, 95 % limits of this kind hold the truth in about "
                f"{held} of 100 simulated seasons."
            )
            return (of_group(label, seldom),)
    return ()


def _no_limits(confidence: float) -> tuple[float, float]:
    return float("nan"), float("nan")


@dataclass(frozen=True)
class _ExactLimits:
    """Limits of the mean up to the horizon of so many units of which none failed."""

    units: int
    horizon: float

    def __call__(self, confidence: float) -> tuple[float, float]:
        return self.horizon * float(exact_bound(np.array([self.units]), confidence)[0]), self.horizon


@dataclass(frozen=True)
class _NormalLimits:
    """Normal limits of a mean, kept between 0 and the horizon."""

    mean: float
    std_error: float
    horizon: float

    def __call__(self, confidence: float) -> tuple[float, float]:
        half = normal_quantile(confidence) * self.std_error
        return max(self.mean - half, 0.0), min(self.mean + half, self.horizon)


@dataclass(frozen=True, eq=False)
class _DrawnOutLimits:
    """Limits of a mean that widen in proportion to the normal quantile from those at one level."""

    mean: float
    anchor: LimitsAt

    def __call__(self, confidence: float) -> tuple[float, float]:
        lower, upper = self.anchor(_ANCHOR)
        part = normal_quantile(confidence) / normal_quantile(_ANCHOR)
        return self.mean - part * (self.mean - lower), self.mean + part * (upper - self.mean)
