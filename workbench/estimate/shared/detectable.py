"""Detectable differences: failures and shares of units in, the smallest hazard ratio the data could have shown out."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, sqrt
from statistics import NormalDist

import numpy as np

from workbench.checks import check_confidence, check_positive
from workbench.errors import UsageError
from workbench.estimate.shared.groups import groups_of
from workbench.estimate.steps import reference_label
from workbench.lives import Lives
from workbench.results import Result
from workbench.wording import count_of, percent_text, round_sense

__all__ = ["DetectableRatio", "DetectableRatios", "detectable_hazard_ratio", "detectable_hazard_ratios"]


@dataclass(frozen=True)
class DetectableRatio:
    """A hazard ratio (NaN without failures) and the sentence that states it."""

    hazard_ratio: float
    sentence: str


@dataclass(frozen=True, kw_only=True, eq=False)
class DetectableRatios(Result):
    """One row a group compared with the reference; its sentences stand in `notes`."""


def detectable_hazard_ratio(
    failures: float, share: float, *, power: float = 0.8, significance: float = 0.05
) -> DetectableRatio:
    """Smallest hazard ratio that a season could have shown, whatever it did show.

    References
    ----------
    Schoenfeld (1981), Biometrika 68, 316-319.

    Examples
    --------
    >>> detectable_hazard_ratio(40, 0.5).sentence
    'With 40 failures and a share of 50 % the data could show a hazard ratio of 2.4 or more, 8 times in 10.'
    """
    failures = check_positive("failures", failures, zero=True)
    share = check_confidence(share, "share")
    power = check_confidence(power, "power")
    significance = check_confidence(significance, "significance")
    if power <= 0.5 * significance:
        raise UsageError(
            f"power must exceed half the significance; got power {power!r} and significance {significance!r}"
        )
    counted = count_of(int(failures), "failure") if float(failures).is_integer() else f"{failures:.3g} failures"
    if failures == 0:
        return DetectableRatio(float("nan"), "Without a failure the data could not show any hazard ratio.")
    normal = NormalDist()
    needed = normal.inv_cdf(1.0 - 0.5 * significance) + normal.inv_cdf(power)
    exponent = needed / sqrt(failures * share * (1.0 - share))
    if exponent > np.log(1000.0):
        return DetectableRatio(
            float("nan"), f"With {counted} and a share of {percent_text(share)} no hazard ratio below 1,000 would show."
        )
    ratio = exp(exponent)
    return DetectableRatio(
        ratio,
        f"With {counted} and a share of {percent_text(share)} the data could show a hazard ratio of "
        f"{round_sense(ratio):g} or more, {round_sense(10 * power):g} times in 10.",
    )


def detectable_hazard_ratios(
    lives: Lives,
    by: str | Sequence[str],
    *,
    reference: str | None = None,
    power: float = 0.8,
    significance: float = 0.05,
) -> DetectableRatios:
    """Smallest hazard ratio that could have been shown between each group and the reference."""
    groups = groups_of(lives, by)
    base = groups.labels.index(reference_label(groups.labels, reference))
    used = groups.codes >= 0
    codes, weight, failed = groups.codes[used], lives.weight[used], lives.failed[used]
    units = np.bincount(codes, weights=weight, minlength=len(groups.labels))
    failures = np.bincount(codes, weights=weight * failed, minlength=len(groups.labels))
    rows = [g for g in range(len(groups.labels)) if g != base]
    both = np.array([failures[g] + failures[base] for g in rows])
    share = np.array([units[g] / (units[g] + units[base]) for g in rows])
    found = [
        detectable_hazard_ratio(float(d), float(p), power=power, significance=significance)
        for d, p in zip(both, share, strict=True)
    ]
    names = np.array(groups.labels, dtype=object)
    return DetectableRatios(
        columns={
            "group_a": names[rows],
            "group_b": names[[base] * len(rows)],
            "failures": both.astype(np.int64),
            "share": share,
            "hazard_ratio": np.array([one.hazard_ratio for one in found]),
        },
        notes=(
            *groups.notes,
            *(
                f"{groups.labels[g]} against {groups.labels[base]}: {one.sentence}"
                for g, one in zip(rows, found, strict=True)
            ),
        ),
    )
