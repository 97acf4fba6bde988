"""Restricted means: lives and a horizon in, mean time alive up to the horizon by group out, with differences."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import TYPE_CHECKING

import numpy as np

from workbench.checks import check_confidence, check_positive
from workbench.errors import EstimateError
from workbench.estimate.shared import few_before_joiners, groups_of, not_from_the_start, watched_throughout
from workbench.estimate.steps import (
    MeanOfGroup,
    RiskSets,
    difference_frame,
    few_failures_notes,
    reference_label,
    risk_sets,
)
from workbench.estimate.turnbull import interval_means
from workbench.lives import Lives
from workbench.mentions import Sentence, of_group
from workbench.results import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RestrictedMeans", "restricted_mean"]

HELD_BELOW = ((3, 85), (10, 88), (20, 92))
"""Failures in a group below which 95 % normal limits held the truth in so many of 100 simulated seasons (Weibull shapes
1, 1.5 and 2.5, groups of 10 to 200 units); from 20 on 93 to 95."""


@dataclass(frozen=True, kw_only=True, eq=False)
class RestrictedMeans(Result):
    """Mean time alive up to a horizon, one row a group.

    Attributes
    ----------
    horizon : float
        Up to here.
    parts : tuple of MeanOfGroup
        What stands behind each row.
    confidence : float
        Two-sided level.
    unit : str
        Unit of time.
    """

    notes: tuple[Sentence, ...] = ()
    horizon: float
    parts: tuple[MeanOfGroup, ...]
    confidence: float
    unit: str

    @property
    def difference(self) -> "pd.DataFrame":
        """Each group minus the first, without rows where there is one group only; see `difference_to`."""
        if len(self.parts) < 2:
            return difference_frame((), "", {"": (np.nan,) * 4}, limits=None)
        return self.difference_to(None)

    def difference_to(self, reference: str | None) -> "pd.DataFrame":
        """Differences in restricted mean, each group minus the reference.

        Parameters
        ----------
        reference : str or None
            Group to compare with; None means the first.

        Returns
        -------
        pandas.DataFrame
            group_a, group_b, difference (a minus b, b the reference), std_error, lower, upper, p_value. Limits by
            square-and-add of the groups' own limits; p_value is the level at which they just reach 0. NaN where a
            group has no restricted mean.

        Raises
        ------
        UsageError
            If the reference is no group.
        EstimateError
            If there is one group only.
        """
        labels = tuple(str(label) for label in self.columns["group"])
        values: dict[str, tuple[float, ...]] = {
            label: (part.mean, *part.limits(self.confidence), part.std_error)
            for label, part in zip(labels, self.parts, strict=True)
        }
        return difference_frame(
            labels, reference_label(labels, reference), values, limits=[part.test_limits for part in self.parts]
        )


def restricted_mean(
    lives: Lives, horizon: float, by: str | Sequence[str] | None = None, *, confidence: float = 0.95
) -> RestrictedMeans:
    """Mean time alive up to a horizon: the area under the survival curve.

    Parameters
    ----------
    lives : Lives
        n lives, at least one.
    horizon : float
        In the unit of the lives, above 0.
    by : str, sequence of str, or None
        Covariates that make groups; None gives one mean, group "all".
    confidence : float in (0, 1)
        Two-sided level.

    Returns
    -------
    RestrictedMeans
        `.table`: group, restricted_mean, std_error, lower, upper; `.difference`: each group minus the first. A group
        that was not followed to the horizon has NaN and a note. A group without failures by then has the horizon as
        its mean and an exact lower limit; one with under 20 failures has a note on what its limits are worth.
        Interval-censored lives: mass spread evenly in its cell, limits by likelihood ratio.

    Raises
    ------
    UsageError
        If an argument is wrong.
    EstimateError
        If there are no lives.

    Notes
    -----
    Limits of exact lives are normal around the mean. In simulated seasons 95 % limits of one group held the truth 85
    times in 100 with 2 failures in the group by the horizon, 88 with 5, 92 with 15 and 93 to 95 from 20 on; those of
    a difference 90 to 95; the notes say so where failures are few. With failures known only between visits 10 to 60
    days apart they held it 91 to 97 times, differences 93 to 97. Lives of one cluster count as independent of each
    other where all are exact, and widen the limits otherwise.

    References
    ----------
    Irwin (1949), J. Hyg. 47, 188-189; Klein & Moeschberger (2003), Survival Analysis, 2nd ed., sec. 4.5; Zou & Donner
    (2008), Stat. Med. 27, 1693-1702 (limits of the difference).

    Examples
    --------
    >>> means = restricted_mean(Lives.from_arrays([1, 2, 3, 4], [True, True, False, True]), 4)
    >>> means.table["restricted_mean"].tolist()
    [2.75]
    """
    confidence = check_confidence(confidence)
    end = check_positive("horizon", horizon)
    if len(lives) == 0:
        raise EstimateError("there are no lives, so there is no mean")
    groups = groups_of(lives, by)
    if lives.is_right_censored:
        counts = risk_sets(
            lives.lower, lives.failed, lives.entry, weight=lives.weight, codes=groups.codes, groups=len(groups.labels)
        )
        throughout = (
            watched_throughout(lives, groups, lives.lower, failed=lives.failed) if lives.entry.any() else counts
        )
        parts = tuple(
            _mean_of(counts, throughout, g, label=label, horizon=end, unit=lives.unit)
            for g, label in enumerate(groups.labels)
        )
    else:
        parts = interval_means(lives, groups, end)
    limits = [part.limits(confidence) for part in parts]
    in_turn = [note for turn in zip_longest(*(part.notes for part in parts)) for note in turn if note]
    return RestrictedMeans(
        columns={
            "group": np.array(groups.labels, dtype=object),
            "restricted_mean": np.array([part.mean for part in parts]),
            "std_error": np.array([part.std_error for part in parts]),
            "lower": np.array([lower for lower, _ in limits]),
            "upper": np.array([upper for _, upper in limits]),
        },
        notes=tuple(map(Sentence, [*groups.notes, *in_turn])),
        horizon=end,
        parts=parts,
        confidence=confidence,
        unit=lives.unit,
    )


def _mean_of(
    counts: RiskSets, throughout: RiskSets, group: int, *, label: str, horizon: float, unit: str
) -> MeanOfGroup:
    rows = counts.rows(group)
    time, n, d = counts.time[rows], counts.at_risk[rows], counts.failures[rows]
    survival = np.cumprod(1.0 - d / np.maximum(n, 1))
    if horizon > counts.unwatched(group)[0]:
        return MeanOfGroup.unknown(*not_from_the_start(label, counts, group, unit=unit))
    if horizon > time[-1] and survival[-1] > 0:
        why = f"nothing is known after {time[-1]:g} {unit}, so there is no restricted mean up to {horizon:g} {unit}."
        return MeanOfGroup.unknown(of_group(label, why))
    used = time < horizon
    edges = np.concatenate([[0.0], time[used], [horizon]])
    areas = np.append(1.0, survival[used]) * np.diff(edges)
    mean = float(areas.sum())
    if not d[used].any():
        at_end = int(throughout.count_at(group, np.array([horizon]))[0])
        who = "at risk" if throughout is counts else "of those watched from day 0 on"
        return MeanOfGroup.without_failure(label, horizon, at_end, unit=unit, who=who)
    right = mean - np.cumsum(areas)[:-1]
    y, f = n[used].astype(float), d[used]
    variance = float(np.sum(right**2 * f / (y * np.maximum(y - f, 1.0))))  # after the last failure right is 0
    if variance <= 0.0:
        one_day = of_group(label, "all units failed on one day, so no limits can be given.")
        return MeanOfGroup.without_spread(mean, one_day)
    notes = few_before_joiners(label, counts, group, by=horizon, unit=unit)
    notes += few_failures_notes(label, int(d[used].sum()), f"{horizon:g} {unit}", held_below=HELD_BELOW)
    return MeanOfGroup.normal(mean, float(np.sqrt(variance)), horizon, notes=notes)
