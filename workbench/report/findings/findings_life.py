"""Findings on length of life by protection choice: lid seal in full, every other choice in the appendix."""

import math
from itertools import zip_longest
from typing import Any

import numpy as np

from workbench.errors import WorkbenchError
from workbench.estimate.curves import RestrictedMeans
from workbench.lives import Lives
from workbench.report.basis import ChoiceComparison, Drawing, Finding, SeasonData, compare_choice, site_caveat
from workbench.report.findings.findings_bounds import missing_findings, shortcut_findings
from workbench.report.words import (
    ShareOfGroup,
    as_headline,
    association_words,
    days_sentence,
    detectable_sentence,
    difference_sentence,
    id_words,
    share_sentence,
    shown_name,
)
from workbench.wording import count_of, p_text, percent_text, points_text, range_text, signed_points

__all__ = ["choice_findings", "life_findings"]

RAW = (
    "This is the raw comparison: units that differ in this choice may differ in place, batch and other choices too, so "
    "it shows what goes together and not what causes what."
)


def life_findings(data: SeasonData) -> list[Finding]:
    """Return life by lid seal in full and life by each other choice for the appendix."""
    choices = data.choices()
    if not choices:
        sentence = "No protection choice has two levels with enough units, so nothing can be compared."
        return [
            Finding(id="life.none", kind="not known", section="life", statement=sentence, method="Levels were counted.")
        ]
    findings = choice_findings(data, choices[0], section="life", order=1)
    for number, column in enumerate(choices[1:]):
        findings += choice_findings(data, column, section="appendix", order=20 + number, short=True)
    return findings


def choice_findings(data: SeasonData, column: str, *, section: str, order: float, short: bool = False) -> list[Finding]:
    """Return the findings of one choice."""
    name = f"life.{id_words([column])[column]}"
    try:
        choice = compare_choice(data, column, with_days=not short, with_inside=False)
    except WorkbenchError as error:
        sentence = f"Units with different {shown_name(column)} could not be compared: {error.clause}."
        return [
            Finding(
                id=name, kind="not known", section=section, order=order, statement=sentence, method="Not estimable."
            )
        ]
    findings = [_curves(data, choice, name, section=section, order=order, short=short)]
    findings += _contrasts(data, choice, name, section=section)
    if not short:
        findings.append(_days(data, choice, name, section=section, order=order + 0.1))
        findings += shortcut_findings(data, choice, name)
        findings += missing_findings(data, choice, name, section=section, order=order + 0.3, level=_foremost(choice))
    return findings


def _others(choice: ChoiceComparison) -> list[str]:
    return [level for level in choice.levels if level != choice.reference]


def _foremost(choice: ChoiceComparison) -> str:
    """The level whose difference to the reference stands out most: smallest adjusted p, then largest difference."""
    return min(
        _others(choice),
        key=lambda level: (
            _or_last(choice.test.adjusted.get(level, math.nan)),
            -abs(np.nan_to_num(choice.differences[level][0])),
        ),
    )


def _or_last(p_value: float) -> float:
    return p_value if math.isfinite(p_value) else 2.0


def _curves(
    data: SeasonData, choice: ChoiceComparison, name: str, *, section: str, order: float, short: bool
) -> Finding:
    level = _foremost(choice)
    difference = choice.differences[level]
    first = difference_sentence(
        choice.shares[level],
        choice.shares[choice.reference],
        difference,
        mission=data.mission_text,
        confidence=data.confidence,
        heading=shown_name(choice.column),
    )
    rest = [_association(choice, level)]
    if len(choice.levels) > 2 or not rest[0]:
        rest.append(choice.overall(data.mission_text))
    units, failures = choice.counts
    return Finding(
        id=name,
        headline=as_headline(f"{shown_name(choice.column)}: the plain comparison"),
        kind="difference",
        section=section,
        order=order,
        statement=" ".join([first, *[r for r in rest if r]]),
        estimate=difference[0],
        lower=difference[1],
        upper=difference[2],
        confidence=data.confidence,
        unit="share",
        units=units,
        failures=failures,
        method=_method(choice),
        caveats=_caveats(data, choice, level, short=short),
        figure=Drawing(
            result=choice.curve,
            alt=(
                f"Share of units still working by days since deployment, one line for each {shown_name(choice.column)},"
                " with the numbers at risk below."
            ),
            options={
                "mission": data.mission,
                "labels": {level: choice.shares[level].name for level in choice.levels},
            },
        ),
        table=_share_table(data, choice),
    )


def _association(choice: ChoiceComparison, level: str) -> str:
    _, lower, upper = choice.differences[level]
    words = association_words(lower, upper)
    group, reference = choice.shares[level].name, choice.shares[choice.reference].name
    p_value = choice.test.adjusted.get(level, math.nan)
    if not (math.isfinite(lower) and math.isfinite(upper)):
        return ""
    if lower <= 0 <= upper:
        return f"By that share {group} could not be told apart from {reference}."
    if not p_value < 0.05:
        pairs = len(choice.levels) - 1
        counted = p_text(p_value) if pairs == 1 else f"counting all {pairs} comparisons, {p_text(p_value)}"
        return f"The limits leave out zero, but over the whole curve this can be chance ({counted})."
    return (
        f"{group[0].upper()}{group[1:]} {words} than {reference} ({choice.test.method}, {p_text(p_value)} after Holm)."
    )


def _method(choice: ChoiceComparison) -> str:
    curve = (
        "Curves from the spans in which failures lie, no form assumed"
        if choice.curve.kind == "npmle"
        else "Product-limit curves"
    )
    return (
        f"{curve}; difference in share at the mission with limits by square-and-add; {choice.test.method}, each level "
        "against the reference with Holm's correction."
    )


def _caveats(data: SeasonData, choice: ChoiceComparison, level: str, *, short: bool) -> tuple[str, ...]:
    caveats = [] if short else [RAW]
    if choice.within is not None and math.isfinite(choice.within.p_value):
        caveats.append(f"Compared only within the same environment: {p_text(choice.within.p_value)} over all levels.")
    pair = [choice.shares[level], choice.shares[choice.reference]]
    if not short:
        failures, units = sum(s.failures for s in pair), sum(s.units for s in pair)
        caveats.append(detectable_sentence(failures, pair[0].units / units))
    caveats += site_caveat(_pair_of_lives(choice, level), data.mission)
    without = [group for group in choice.shares.values() if group.failures == 0 or group.may_have]
    caveats += [share_sentence(group, data.mission_text, data.confidence) for group in without]
    if choice.unrecorded:
        left = count_of(choice.unrecorded, data.counted)
        caveats.append(f"Without a recorded {shown_name(choice.column)}: {left}, left out here.")
    if choice.left_out:
        few = "Too few units to compare: " + ", ".join(choice.left_out) + "."
        caveats.append(few)
    return tuple(caveats)


def _pair_of_lives(choice: ChoiceComparison, level: str) -> list[tuple[Lives, float]]:
    """Lives of the level and of the reference, with the sign of each in the difference."""
    of_life = choice.lives.covariates[choice.column]
    return [
        (choice.lives.take(np.flatnonzero(of_life == side)), sign)
        for side, sign in ((level, 1.0), (choice.reference, -1.0))
    ]


def _share_table(data: SeasonData, choice: ChoiceComparison) -> dict[str, list[str]]:
    rows = [choice.shares[level] for level in choice.levels]
    against = ["reference" if level == choice.reference else _gap(choice.differences[level]) for level in choice.levels]
    return {
        shown_name(choice.column): [s.name for s in rows],
        f"{data.counted}s / failed": [f"{s.units} / {s.failures}" for s in rows],
        f"lasted {data.mission_text}": [_share_cell(s) for s in rows],
        "against reference": against,
    }


def _share_cell(group: ShareOfGroup) -> str:
    if not math.isfinite(group.share):
        return "not known"
    lower, upper = percent_text(group.lower), percent_text(group.upper)
    share = f"{group.may_have} may have failed" if group.may_have else percent_text(group.share)
    return f"{share} ({lower.number} to {upper.number})"


def _gap(difference: tuple[float, float, float]) -> str:
    estimate, lower, upper = difference
    if not (math.isfinite(lower) and math.isfinite(upper)):
        return points_text(estimate) if math.isfinite(estimate) else "not known"
    known = points_text(estimate) if math.isfinite(estimate) else "not known"
    return f"{known} ({signed_points(lower)} to {signed_points(upper)})"


def _contrasts(data: SeasonData, choice: ChoiceComparison, name: str, *, section: str) -> list[Finding]:
    """Each level against the reference as a finding of its own, for whoever reads findings.json."""
    words = id_words(choice.levels)
    found = []
    for level in _others(choice):
        pair = [choice.shares[level], choice.shares[choice.reference]]
        share, days = choice.differences[level], choice.days.get(level)
        common: dict[str, Any] = {
            "kind": "difference",
            "section": section,
            "confidence": data.confidence,
            "units": sum(s.units for s in pair),
            "failures": sum(s.failures for s in pair),
            "on_slide": False,
        }
        sentence = difference_sentence(
            pair[0],
            pair[1],
            share,
            mission=data.mission_text,
            confidence=data.confidence,
            heading=shown_name(choice.column),
        )
        found.append(
            Finding(
                id=f"{name}.{words[level]}",
                statement=sentence,
                estimate=share[0],
                lower=share[1],
                upper=share[2],
                unit="share",
                method=_method(choice),
                **common,
            )
        )
        if days is None:
            continue
        found.append(
            Finding(
                id=f"{name}.{words[level]}.days",
                statement=days_sentence(pair[0], pair[1], days, horizon=data.mission_text, confidence=data.confidence),
                estimate=days[0],
                lower=days[1],
                upper=days[2],
                unit=data.lives.unit,
                method="Difference in mean working time up to the mission; limits by square-and-add.",
                **common,
            )
        )
    return found


def _days(data: SeasonData, choice: ChoiceComparison, name: str, *, section: str, order: float) -> Finding:
    level = _foremost(choice)
    shares, days = choice.shares, choice.days[level]
    statement = days_sentence(
        shares[level], shares[choice.reference], days, horizon=data.mission_text, confidence=data.confidence
    )
    table = choice.means.table.set_index("group")
    half = choice.curve.quantile(0.5).set_index("group")["time"]
    last = {g: float(choice.lives.time[choice.lives.covariates[choice.column] == g].max()) for g in choice.levels}
    units, failures = choice.counts
    return Finding(
        id=f"{name}.days",
        headline=as_headline(f"{shown_name(choice.column)}: working days on average"),
        kind="difference",
        section=section,
        order=order,
        statement=statement,
        estimate=days[0],
        lower=days[1],
        upper=days[2],
        confidence=data.confidence,
        unit=data.lives.unit,
        units=units,
        failures=failures,
        method="Mean working time up to the mission (area under the curve); differences with limits by square-and-add.",
        caveats=(
            "Days are counted up to the mission only; what units would do after it is not part of this.",
            *site_caveat(_pair_of_lives(choice, level), data.mission, days=True),
            *_named(choice, choice.means)[:3],
        ),
        figure=Drawing(
            result=choice.means,
            alt=f"Mean working days up to the mission for each {shown_name(choice.column)}, as dots with limits.",
            options={
                "labels": {g: shares[g].name for g in choice.levels},
                "unit": data.lives.unit,
                "limits_only": [g for g in choice.levels if shares[g].may_have],
            },
        ),
        table={
            shown_name(choice.column): [shares[g].name for g in choice.levels],
            f"worked of {data.mission_text}": [_days_cell(table.loc[g], shares[g]) for g in choice.levels],
            "half failed by": [
                (
                    "not known"
                    if not choice.curve.knows_day_0(g)
                    else f"day {half[g]:.0f}"
                    if math.isfinite(half[g])
                    else f"not reached by day {last[g]:.0f}"
                )
                for g in choice.levels
            ],
        },
    )


def _named(choice: ChoiceComparison, means: RestrictedMeans) -> tuple[str, ...]:
    """Notes on the mean of one level, the level named as it is shown."""
    in_turn = zip_longest(*(part.notes for part in means.parts))
    names = {level: share.name for level, share in choice.shares.items()}
    return tuple(note.named(lambda group: names[group.level]) for turn in in_turn for note in turn if note)


def _days_cell(row: Any, share: ShareOfGroup) -> str:
    mean, lower, upper = (float(row[k]) for k in ("restricted_mean", "lower", "upper"))
    if not math.isfinite(mean):
        return "not known"
    return f"{'not known' if share.may_have else f'{mean:.0f}'} ({range_text(lower, upper)})"
