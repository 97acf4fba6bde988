"""Grades: how far a comparison can be relied on, by printed rules, with the reason in words."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from workbench.estimate.shared import adjusted_by_holm
from workbench.wording import Grade, p_text, points_text, signed_points

__all__ = ["LIKELY_P", "RULES", "Evidence", "adjusted_for_choices", "comparisons_sentence", "grade_of"]

CLEAR_P = 0.05
LIKELY_P = 0.20
LIKELY_SHARE = 0.90
LIKELY_ERRORS = 1.2816
"""Standard errors that leave `LIKELY_SHARE` of a normal law on one side."""

RULES = (
    "cannot be told apart: the design itself cannot separate the level from a site, a batch or another choice; or more "
    "than half of the fleet stood where the level never was; or the mission lies beyond the level's last known day.",
    f"clear: p after correction for the number of choices under {CLEAR_P:.2f}, limits of the gain that exclude 0, and "
    "the same sign with weaker and stronger shrinkage, in the raw comparison within environments, by hazard ratios, "
    "with all missing units taken as failed, and with the day of the season as clock; a second estimate without "
    "time ratios whose limits exclude 0 on the same side; a gain that missing units alone could not halve; levels "
    "that do not differ in shape; and no one unit or site without which it would be half or less, or its limits would "
    "reach 0.",
    f"likely: p after correction under {LIKELY_P:.2f}, better (or worse) than the reference in at least "
    f"{LIKELY_SHARE:.0%} of the replicates, the same sign with weaker and stronger shrinkage, a second estimate that "
    "lies at least 1.28 standard errors to the same side of 0, and no level whose units are missing more often than "
    "others' where that alone could turn the sign.".replace("%", " %"),
    "unclear: everything else.",
)
"""The rules of the grades, in the order in which they are tried."""


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What the grade of one comparison rests on.

    Attributes
    ----------
    gain, lower, upper : float
        Gain in mission survival over the reference, with limits.
    better_share : float
        Share of replicates with a gain.
    p_adjusted : float
        Of the choice, after correction; NaN if it could not be tested.
    same_sign : sequence of (str, float)
        What must not point the other way for "clear": a few words, and a figure whose sign counts (NaN: not known).
    strengths : sequence of float
        Gains with weaker and stronger shrinkage.
    apart : str
        Why it cannot be told apart, or "".
    at_most_likely : str
        Why it cannot be clear, or "".
    at_most_unclear : str
        Why it cannot be likely, or "".
    second_gain, second_error, second_lower, second_upper : float
        The second estimate with its standard error and limits; NaN where it could not be made.
    """

    gain: float
    lower: float
    upper: float
    better_share: float
    p_adjusted: float
    strengths: Sequence[float]
    same_sign: Sequence[tuple[str, float]] = ()
    apart: str = ""
    at_most_likely: str = ""
    at_most_unclear: str = ""
    second_gain: float = math.nan
    second_error: float = math.nan
    second_lower: float = math.nan
    second_upper: float = math.nan

    @property
    def second_supports_clear(self) -> bool:
        """Whether the limits of the second estimate are known and exclude 0 on the side of the gain."""
        nearer = self.second_lower if self.gain > 0 else -self.second_upper
        return nearer > 0

    @property
    def second_supports_likely(self) -> bool:
        """Whether the second estimate lies far enough to the side of the gain, or is not known."""
        away = self.second_gain if self.gain > 0 else -self.second_gain
        return not away < LIKELY_ERRORS * self.second_error

    @property
    def second_differs(self) -> bool:
        """Whether the gain lies outside of the limits of the second estimate."""
        return self.gain < self.second_lower or self.gain > self.second_upper

    @property
    def second_words(self) -> str:
        """The second estimate in words."""
        if math.isnan(self.second_gain):
            return "the second estimate, without time ratios, could not be made"
        low, high = (signed_points(v) for v in (self.second_lower, self.second_upper))
        beyond = ", which differs beyond chance" if self.second_differs else ""
        return f"without time ratios {points_text(self.second_gain)} ({low} to {high}){beyond}"


def grade_of(evidence: Evidence) -> tuple[str, str]:
    """Return the grade of a comparison and the reason for it."""
    if evidence.apart:
        return Grade.NOT_APART, evidence.apart
    sign = math.copysign(1.0, evidence.gain)
    steady = all(sign * strength > 0 for strength in evidence.strengths)
    excludes = evidence.lower > 0 or evidence.upper < 0
    against = [words for words, figure in evidence.same_sign if sign * figure <= 0]
    p = evidence.p_adjusted
    often = evidence.better_share >= LIKELY_SHARE or evidence.better_share <= 1 - LIKELY_SHARE + 1e-12
    bar = evidence.at_most_unclear or evidence.at_most_likely
    if p < CLEAR_P and excludes and steady and not against and not bar and evidence.second_supports_clear:
        checks = evidence.second_words if evidence.second_differs else "every check points the same way"
        return Grade.CLEAR, f"{p_text(p)} after correction, and {checks}"
    if p < LIKELY_P and often and steady and not evidence.at_most_unclear and evidence.second_supports_likely:
        second = "" if evidence.second_supports_clear and not evidence.second_differs else evidence.second_words
        return Grade.LIKELY, _why_not_clear(p, excludes, against, bar="; ".join(filter(None, (bar, second))))
    second = "" if evidence.second_supports_likely else evidence.second_words
    bar = "; ".join(filter(None, (evidence.at_most_unclear, second)))
    return Grade.UNCLEAR, _why_unclear(p, often, steady, bar=bar if p < LIKELY_P else "")


def _why_not_clear(p: float, excludes: bool, against: list[str], *, bar: str) -> str:
    reasons = []
    if p >= CLEAR_P:
        reasons.append(f"{p_text(p)} after correction")
    if not excludes:
        reasons.append("the limits include zero")
    reasons += [f"the sign differs {words}" for words in against]
    if bar:
        reasons.append(bar)
    return "not clear: " + "; ".join(reasons)


def _why_unclear(p: float, often: bool, steady: bool, *, bar: str) -> str:
    reasons = []
    if not math.isfinite(p):
        reasons.append("could not be tested within sites")
    elif p >= LIKELY_P:
        reasons.append(f"{p_text(p)} after correction")
    if not often:
        reasons.append("too often the other way in the replicates")
    if not steady:
        reasons.append("the sign depends on the strength of shrinkage")
    if bar:
        reasons.append(bar)
    return "; ".join(reasons)


def adjusted_for_choices(p_values: np.ndarray, tried: int | None = None) -> np.ndarray:
    """Return p values corrected for the number of choices looked at, by Holm's step-down rule.

    Shapes: p_values (m,), returns (m,).

    References
    ----------
    Holm (1979), Scandinavian Journal of Statistics 6, 65-70.

    Examples
    --------
    >>> adjusted_for_choices(np.array([0.01, 0.04, 0.03])).round(3)
    array([0.03, 0.06, 0.06])
    """
    p_values = np.asarray(p_values, dtype=float)
    looked_at = np.ones(max(len(p_values), tried or 0))
    looked_at[: len(p_values)] = np.where(np.isfinite(p_values), p_values, 1.0)
    return np.where(np.isfinite(p_values), adjusted_by_holm(looked_at)[: len(p_values)], np.nan)


def comparisons_sentence(comparisons: int) -> str:
    """Return the sentence that stands under every ranking: how many comparisons, and what chance alone shows."""
    noun = "comparison was" if comparisons == 1 else "comparisons were"
    return (
        f"{comparisons} {noun} looked at; under no effect at all a season shows a clear one in about 1 of 20 "
        "and a likely one in about 1 of 6."
    )
