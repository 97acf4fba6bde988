"""Grades: how far can a comparison be relied on, by printed rules, and for what reasons?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from workbench.estimate.shared import adjusted_by_holm
from workbench.mentions import Sentence, joined
from workbench.wording import Grade, p_text, percent_text, points_text, signed_points

__all__ = [
    "LIKELY_P",
    "RULES",
    "Evidence",
    "Judgement",
    "Rule",
    "adjusted_for_choices",
    "comparisons_sentence",
    "grade_of",
]

CLEAR_P = 0.05
LIKELY_P = 0.20
LIKELY_SHARE = 0.90
LIKELY_ERRORS = 1.2816
"""Standard errors that leave `LIKELY_SHARE` of a normal law on one side."""


@dataclass(frozen=True)
class Rule:
    """How one grade is given, in words with a full stop."""

    grade: Grade
    words: str

    @property
    def sentence(self) -> str:
        """The grade and its rule."""
        return f"{self.grade}: {self.words}"


RULES = (
    Rule(
        Grade.NOT_APART,
        "the design itself cannot separate the level from a site, a batch or another choice; or more than half of the "
        "fleet stood where the level never was; or the mission lies beyond the level's last known day.",
    ),
    Rule(
        Grade.CLEAR,
        f"p after correction for the number of choices under {CLEAR_P:.2f}, limits of the gain that exclude 0, and "
        "the same sign with weaker and stronger shrinkage, in the raw comparison within environments, by hazard "
        "ratios, with all missing units taken as failed, and with the day of the season as clock; a second estimate "
        "without time ratios whose limits exclude 0 on the same side; a gain that missing units alone could not "
        "halve; levels that do not differ in shape; and no one unit or site without which it would be half or less, "
        "or its limits would reach 0.",
    ),
    Rule(
        Grade.LIKELY,
        f"p after correction under {LIKELY_P:.2f}, better (or worse) than the reference in at least "
        f"{percent_text(LIKELY_SHARE)} of the replicates, the same sign with weaker and stronger shrinkage, a second "
        f"estimate that lies at least {LIKELY_ERRORS:.2f} standard errors to the same side of 0, and no level whose "
        "units are missing more often than others' where that alone could turn the sign.",
    ),
    Rule(Grade.UNCLEAR, "everything else."),
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
    apart : sequence of Sentence
        Why it cannot be told apart; empty where it can.
    at_most_likely : sequence of Sentence
        Why it cannot be clear; empty where it can.
    at_most_unclear : sequence of Sentence
        Why it cannot be likely; empty where it can.
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
    apart: Sequence[Sentence] = ()
    at_most_likely: Sequence[Sentence] = ()
    at_most_unclear: Sequence[Sentence] = ()
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


@dataclass(frozen=True)
class Judgement:
    """The grade of one row of the ranking and the reasons for it, as clauses without full stop.

    `grade` is None for the reference, which the others are compared with. `weakest_site` is the site without which the
    gain is least, "" where none was left out.
    """

    grade: Grade | None
    reasons: tuple[Sentence, ...]
    weakest_site: str = ""

    @property
    def note(self) -> Sentence:
        """All reasons in one."""
        return joined("; ", self.reasons)


def grade_of(evidence: Evidence) -> Judgement:
    """Return the grade of a comparison and the reasons for it."""
    if evidence.apart:
        return Judgement(Grade.NOT_APART, tuple(evidence.apart))
    sign = math.copysign(1.0, evidence.gain)
    steady = all(sign * strength > 0 for strength in evidence.strengths)
    excludes = evidence.lower > 0 or evidence.upper < 0
    against = [words for words, figure in evidence.same_sign if sign * figure <= 0]
    p = evidence.p_adjusted
    often = evidence.better_share >= LIKELY_SHARE or evidence.better_share <= 1 - LIKELY_SHARE + 1e-12
    second, unlikely = Sentence(evidence.second_words), tuple(evidence.at_most_unclear)
    bars = unlikely or tuple(evidence.at_most_likely)
    if p < CLEAR_P and excludes and steady and not against and not bars and evidence.second_supports_clear:
        checks = second if evidence.second_differs else "every check points the same way"
        return Judgement(Grade.CLEAR, (Sentence(f"{p_text(p)} after correction, and ", checks),))
    if p < LIKELY_P and often and steady and not unlikely and evidence.second_supports_likely:
        bars += () if evidence.second_supports_clear and not evidence.second_differs else (second,)
        first, *more = (*_why_not_clear(p, excludes, against), *bars)
        return Judgement(Grade.LIKELY, (Sentence("not clear: ", first), *more))
    bars = () if not p < LIKELY_P else unlikely if evidence.second_supports_likely else (*unlikely, second)
    return Judgement(Grade.UNCLEAR, (*_why_unclear(p, often, steady), *bars))


def _why_not_clear(p: float, excludes: bool, against: list[str]) -> list[Sentence]:
    reasons = []
    if p >= CLEAR_P:
        reasons.append(f"{p_text(p)} after correction")
    if not excludes:
        reasons.append("the limits include zero")
    reasons += [f"the sign differs {words}" for words in against]
    return [Sentence(reason) for reason in reasons]


def _why_unclear(p: float, often: bool, steady: bool) -> list[Sentence]:
    reasons = []
    if not math.isfinite(p):
        reasons.append("could not be tested within sites")
    elif p >= LIKELY_P:
        reasons.append(f"{p_text(p)} after correction")
    if not often:
        reasons.append("too often the other way in the replicates")
    if not steady:
        reasons.append("the sign depends on the strength of shrinkage")
    return [Sentence(reason) for reason in reasons]


def adjusted_for_choices(p_values: np.ndarray, tried: int = 0) -> np.ndarray:
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
    looked_at = np.ones(max(len(p_values), tried))
    looked_at[: len(p_values)] = np.where(np.isfinite(p_values), p_values, 1.0)
    return np.where(np.isfinite(p_values), adjusted_by_holm(looked_at)[: len(p_values)], np.nan)


def comparisons_sentence(comparisons: int) -> str:
    """Return the sentence that stands under every ranking: how many comparisons, and what chance alone shows."""
    noun = "comparison was" if comparisons == 1 else "comparisons were"
    return (
        f"{comparisons} {noun} looked at; under no effect at all a season shows a clear one in about 1 of 20 "
        "and a likely one in about 1 of 6."
    )
