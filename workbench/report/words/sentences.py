"""Sentences: the rules by which numbers of a comparison become plain statements that claim no more than the data."""

import math
from dataclasses import dataclass

from workbench.estimate.curves import DifferenceWithin
from workbench.ranking.checks import detectable_ratio
from workbench.report.words.naming import limits_words
from workbench.wording import Amount, count_of, days_text, interval_text, join_words, p_text, percent_text, points_text

__all__ = [
    "Pairs",
    "ShareOfGroup",
    "age_sentence",
    "association_words",
    "counts_text",
    "days_sentence",
    "detectable_sentence",
    "difference_sentence",
    "inside_sentence",
    "median_sentence",
    "missing_flip_sentence",
    "share_sentence",
    "test_sentence",
]


@dataclass(frozen=True, kw_only=True)
class ShareOfGroup:
    """A group's share lasting the mission with its limits and counts; `at_risk` is the number still observed then.

    `counted`: what units are, units or deployments. `still` says that they were observed, `unknown` why a share that is
    NaN is not known. `may_have`: failures of which nobody knows whether they came by then, counted only where none is
    known to have.
    """

    name: str
    units: int
    failures: int
    share: float
    lower: float
    upper: float
    at_risk: float = math.nan
    may_have: int = 0
    counted: str = "unit"
    still: str = "still observed at"
    unknown: str = "none was observed that long"


def counts_text(
    units: int, failures: int | None = None, *, counted: str = "unit", whole: tuple[int, int] | None = None
) -> str:
    """Return how many a claim rests on; of how many put out and failed (`whole`), where it rests on a part of them.

    Examples
    --------
    >>> counts_text(60, 16), counts_text(41, 10, whole=(60, 16)), counts_text(1, 0, counted="deployment", whole=(1, 0))
    ('60 units, 16 failed', '41 of 60 units, 10 of 16 failed', '1 deployment, 0 failed')
    """
    part = whole is not None and units < whole[0]
    text = f"{units:,} of {count_of(whole[0], counted)}" if whole and part else count_of(units, counted)
    if failures is None:
        return text
    return f"{text}, {failures:,} of {whole[1]:,} failed" if whole and part else f"{text}, {failures:,} failed"


def share_sentence(group: ShareOfGroup, mission: str, confidence: float) -> str:
    """Return what is known of a group's share lasting the mission.

    Examples
    --------
    >>> share_sentence(ShareOfGroup(name="cord", units=10, failures=0, share=1, lower=0.69, upper=1, at_risk=10),
    ...                "180 days", 0.95)
    'None of 10 units with cord failed; with 10 still observed at 180 days up to 31 % could have (95 % limits).'
    """
    if not math.isfinite(group.share):
        return f"How many units with {group.name} last {mission} is not known: {group.unknown}."
    if group.may_have:
        ends = f"{interval_text(percent_text(group.lower), percent_text(group.upper))} of them lasted it"
        known = f"None of {count_of(group.units, group.counted)} with {group.name} is known to have failed by {mission}"
        return f"{known}; {group.may_have:,} may have ({100 * confidence:g} % limits: {ends})."
    if group.failures == 0:
        subject = f"The only {group.counted}" if group.units == 1 else f"None of {group.units} {group.counted}s"
        verb = "did not fail" if group.units == 1 else "failed"
        still = f"with {group.at_risk:.0f} {group.still} {mission} " if math.isfinite(group.at_risk) else ""
        could = percent_text(1 - group.lower)
        return f"{subject} with {group.name} {verb}; {still}up to {could} could have ({100 * confidence:g} % limits)."
    limits = limits_words(percent_text(group.lower), percent_text(group.upper), confidence)
    counts = f"{count_of(group.failures, 'failure')} in {count_of(group.units, group.counted)}"
    return f"With {group.name} {percent_text(group.share)} lasted {mission} ({limits}; {counts})."


def association_words(lower: float, upper: float) -> str:
    """Return how a difference in life is put, by its limits alone.

    Examples
    --------
    >>> association_words(0.02, 0.4), association_words(-0.3, -0.1), association_words(-0.1, 0.3)
    ('goes with longer life', 'goes with shorter life', 'could not be told apart')
    """
    if math.isfinite(lower) and lower > 0:
        return "goes with longer life"
    if math.isfinite(upper) and upper < 0:
        return "goes with shorter life"
    return "could not be told apart"


def difference_sentence(
    group: ShareOfGroup,
    reference: ShareOfGroup,
    difference: tuple[float, float, float],
    *,
    mission: str,
    confidence: float,
    heading: str = "",
) -> str:
    """Return the difference in share lasting the mission, the two shares first, the reference named.

    `heading` stands before it: the choice's name where levels are called 'bonded' or 'side'.
    """
    estimate, lower, upper = difference
    head = f"{heading[:1].upper()}{heading[1:]}: " if heading else ""
    start = f"{head}with" if heading else "With"
    is_open = bool(group.may_have or reference.may_have) and math.isfinite(lower) and math.isfinite(upper)
    if not math.isfinite(estimate) and not is_open:
        return f"{head}{group.name} and {reference.name} cannot be compared at {mission}: {_unknown(group, reference)}."
    if is_open:
        known = limits_words(points_text(lower), points_text(upper), confidence)
        either = f"{start} {group.name} {_lasted(group, mission)}, with {reference.name} (reference) "
        return f"{either}{_lasted(reference, mission)}: the difference is known only by its {known}."
    shares = (
        f"{start} {group.name} {percent_text(group.share)} lasted {mission}, with {reference.name} (reference) "
        f"{percent_text(reference.share)}: {points_text(estimate)}"
    )
    if not (math.isfinite(lower) and math.isfinite(upper)):
        return f"{shares}, without limits."
    limits = limits_words(points_text(lower), points_text(upper), confidence)
    if lower <= 0 <= upper:
        return f"{shares}, but the {limits} include no difference at all."
    return f"{shares} ({limits})."


def inside_sentence(
    group: ShareOfGroup,
    reference: ShareOfGroup,
    inside: DifferenceWithin,
    *,
    within: str,
    confidence: float,
) -> str:
    """Return the difference within the values of another column, with its direction and how many values show it."""
    estimate, strata = inside.difference, inside.places
    limits = limits_words(points_text(inside.lower), points_text(inside.upper), confidence)
    side = "no difference" if round(100 * estimate) == 0 else ("better" if estimate > 0 else "worse")
    sides = "" if side == "no difference" else f" for {group.name}"
    where = f"averaged over the {strata} that hold" if strata > 1 else "in the one that holds"
    over = f"{points_text(estimate)}, {side}{sides} over {reference.name}"
    return f"Within {within}: {over} ({limits}), {where} both levels."


def _lasted(group: ShareOfGroup, mission: str) -> str:
    if group.may_have:
        return f"none is known to have failed by {mission} and {group.may_have:,} may have"
    return f"{percent_text(group.share)} lasted {mission}"


def _unknown(group: ShareOfGroup, reference: ShareOfGroup) -> str:
    unknown = [g for g in (group, reference) if not math.isfinite(g.share)]
    if all(g.unknown == ShareOfGroup.unknown for g in unknown):
        return f"nothing is known that late with {' or '.join(g.name for g in unknown) if unknown else 'either'}"
    return "; ".join(f"with {g.name} {g.unknown}" for g in unknown)


def days_sentence(
    group: ShareOfGroup,
    reference: ShareOfGroup,
    difference: tuple[float, float, float],
    *,
    horizon: str,
    confidence: float,
) -> str:
    """Return the difference in mean working days up to the horizon.

    Examples
    --------
    >>> cord = ShareOfGroup(name="cord", units=10, failures=2, share=0.8, lower=0.4, upper=0.95)
    >>> gasket = ShareOfGroup(name="flat gasket", units=10, failures=5, share=0.5, lower=0.2, upper=0.8)
    >>> days_sentence(cord, gasket, (12.3, 2.0, 22.1), horizon="180 days", confidence=0.95)
    'In the first 180 days units with cord worked 12 days longer on average than with flat gasket
    (95 % limits +2.0 to +22 days).'
    """
    name, reference_name = group.name, reference.name
    estimate, lower, upper = difference
    is_open = bool(group.may_have or reference.may_have) and math.isfinite(lower) and math.isfinite(upper)
    if not math.isfinite(estimate) and not is_open:
        return f"Mean working days up to {horizon} cannot be compared between {name} and {reference_name}."
    if is_open:
        known = limits_words(days_text(lower, signed=True), days_text(upper, signed=True), confidence)
        what = f"How much longer units with {name} worked in the first {horizon} than with {reference_name}"
        return f"{what} is known only by its {known}: nobody saw when failures came."
    more = f"{days_text(abs(estimate))} {'longer' if estimate > 0 else 'less'} on average than"
    if estimate == 0:
        more = "as long on average as"
    text = f"In the first {horizon} units with {name} worked {more} with {reference_name}"
    if not (math.isfinite(lower) and math.isfinite(upper)):
        return f"{text}, without limits."
    limits = limits_words(days_text(lower, signed=True), days_text(upper, signed=True), confidence)
    if lower <= 0 <= upper:
        return f"{text}, but the {limits} include no difference at all."
    return f"{text} ({limits})."


@dataclass(frozen=True, kw_only=True)
class Pairs:
    """What is known of each level against the reference, `base`.

    `differing`: names of levels that differ from it over their whole lives, corrected for the comparisons made. `told`:
    whether limits tell any of them apart in the share lasting the mission.
    """

    base: str
    differing: tuple[str, ...]
    told: bool


def test_sentence(p_value: float, *, levels: int, pairs: Pairs, mission: str) -> str:
    """Return what the overall test says, in words that do not turn 'not shown' into 'no difference'.

    Examples
    --------
    >>> none = Pairs(base="flat gasket", differing=(), told=False)
    >>> test_sentence(0.4, levels=2, pairs=none, mission="90 days")
    'The two levels could not be told apart (p = 0.4); that is not proof that they are alike.'
    >>> test_sentence(0.04, levels=3, pairs=none, mission="90 days")
    'Taken together the three levels differ (p = 0.04); which of them cannot be said yet.'
    """
    number = {2: "two", 3: "three", 4: "four", 5: "five"}.get(levels, str(levels))
    if not math.isfinite(p_value):
        return f"The {number} levels could not be tested."
    test = p_text(p_value)
    if p_value >= 0.05:
        return f"The {number} levels could not be told apart ({test}); that is not proof that they are alike."
    if pairs.told:
        return f"Chance alone would rarely set the {number} levels this far apart ({test})."
    if not pairs.differing:
        return f"Taken together the {number} levels differ ({test}); which of them cannot be said yet."
    which = f": {join_words(list(pairs.differing))} from {pairs.base}" if levels > 2 else ""
    return (
        f"Over their whole lives the {number} levels differ ({test}){which}. By the share lasting {mission} alone none "
        f"can be told apart from {pairs.base} yet."
    )


test_sentence.__test__ = False  # type: ignore[attr-defined]  # a sentence about a test, not a test


def detectable_sentence(failures: int, share: float) -> str:
    """Return which hazard ratio a season of this size could have shown; never computed from the observed effect.

    Examples
    --------
    >>> detectable_sentence(40, 0.5)
    'With 40 failures and 50 % of the units on one side, the season could show a hazard ratio of 2.4 or more,
    8 times in 10.'
    """
    if failures < 1 or not 0 < share < 1:
        return "Without failures on both sides taken together the season could not show any hazard ratio."
    ratio = detectable_ratio(failures, share)
    if math.isnan(ratio):
        return f"With {count_of(failures, 'failure')} the season could hardly show any hazard ratio, however large."
    least = f"a hazard ratio of {ratio:.2g} or more, 8 times in 10"
    seen = f"With {count_of(failures, 'failure')} and {percent_text(share)} of the units on one side"
    return f"{seen}, the season could show {least}."


def age_sentence(who: str, age: tuple[float, float, float], confidence: float) -> str:
    """Return the age by which a share had failed, with its limits.

    Examples
    --------
    >>> age_sentence("Half", (142.0, 97.0, float("nan")), 0.95)
    'Half had failed by day 142 (95 % limits 97 to not reached).'
    """
    day, *ends = age
    if not math.isfinite(day):
        return ""
    low, high = (Amount(f"{end:.0f}" if math.isfinite(end) else "not reached") for end in ends)
    limits = f" ({limits_words(low, high, confidence)})" if low != high else ""
    return f"{who} had failed by day {day:.0f}{limits}."


def median_sentence(age: tuple[float, float, float], last_share: float, last_day: str, *, confidence: float) -> str:
    """Return the age by which half have failed, or that it was not reached.

    Examples
    --------
    >>> median_sentence((float("nan"),) * 3, 0.62, "day 180", confidence=0.95)
    'Half failed: not reached by day 180 (62 % still working).'
    """
    still = f" ({percent_text(last_share)} still working)" if math.isfinite(last_share) else ""
    return age_sentence("Half", age, confidence) or f"Half failed: not reached by {last_day}{still}."


def missing_flip_sentence(name: str, flips_at: int | None, missing: int) -> str:
    """Return how many missing units would have to have failed for the comparison to change sign.

    Examples
    --------
    >>> missing_flip_sentence("cord", 2, 5)
    'The difference would change sign if 2 of the 5 missing units with cord had failed.'
    """
    if missing == 0:
        return f"No unit with {name} is missing."
    if flips_at is None:
        those = "the missing unit" if missing == 1 else f"all {missing} missing units"
        return f"The difference would keep its sign even if {those} with {name} had failed."
    if missing == 1:
        return f"The difference would change sign if the missing unit with {name} had failed."
    return f"The difference would change sign if {flips_at} of the {missing} missing units with {name} had failed."
