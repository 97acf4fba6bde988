"""Ranking checks: appendix findings on other assumptions, second opinions, what is unrecorded and chosen mechanisms."""

from typing import TYPE_CHECKING

import numpy as np

from workbench.errors import WorkbenchError
from workbench.ranking.checks import DIFFERING_P
from workbench.ranking.choices import (
    PRIOR_STRENGTHS,
    RULES,
    Ranking,
    RankingQuestion,
    WhereItHelps,
    comparisons_sentence,
    rank_choices,
)
from workbench.report.basis import Drawing, Finding, SeasonData
from workbench.report.findings.ranking_words import RankedRow, claim, labelled, level_labels, ranked_rows
from workbench.report.words import shown_name
from workbench.wording import SUPPORTED_GRADES, count_of, join_words, percent_text, points_text, signed_points

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["check_findings", "place_findings"]

CAUSE_RESAMPLES = 400
"""Replicates of the ranking by chosen mechanisms, which stands in the appendix."""


def check_findings(
    data: SeasonData, ranking: Ranking, rows: list[RankedRow], *, question: RankingQuestion
) -> list[Finding]:
    """Return how the ranking holds under other assumptions, for the appendix."""
    strong = [r for r in rows if r.grade in SUPPORTED_GRADES]
    findings = [
        _sensitivity(data, ranking, strong),
        _opinions(data, ranking),
        _overlap(data, ranking, rows),
        _rules(data, ranking, question),
    ]
    if strong:
        findings += [_strengths(ranking, strong), _e_values(strong)]
    return findings + _by_mechanism(data, question)


def place_findings(data: SeasonData, ranking: Ranking, rows: list[RankedRow], *, where: WhereItHelps) -> list[Finding]:
    """Return what the comparisons that matter say in each kind of place, in one table."""
    differing = _differing(ranking)
    found = where.table
    if found.empty:
        return []
    told = {(r.choice, r.level): r for r in rows if r.choice in set(found.choice)}
    shown = found[np.isfinite(found.survival_gain)]
    shown = shown[[pair in told for pair in zip(shown.choice, shown.level, strict=True)]]
    if differing:
        named = join_words([shown_name(c) for c in differing])
        lead = f"By {where.place} {named} {'works' if len(differing) == 1 else 'work'} differently, beyond chance"
    else:
        lead = f"No choice is shown to work differently by {where.place}"
    labels = {v: data.label(where.place, v) for v in set(found.environment)}
    said = [f"{_compared(r)}: {where.sentence(c, v, labels)}." for (c, v), r in told.items()]
    return [
        Finding(
            id="ranking.where",
            headline="Where it helps, kind of place by kind of place",
            kind="difference",
            section="ranking",
            order=2.5,
            statement=f"{lead}. {' '.join(said[:3])}",
            units=ranking.units,
            failures=ranking.failures,
            method=(
                "The ranking's model with a further effect of each level in each place, shrunken to none; limits for "
                "all rows together."
            ),
            caveats=(*said[3:5], *where.notes),
            table=_place_table(told, shown, labels),
        )
    ]


def _differing(ranking: Ranking) -> list[str]:
    table = ranking.table
    return list(dict.fromkeys(table[table.place_p < DIFFERING_P].choice))


def _compared(row: RankedRow) -> str:
    return f"{shown_name(row.choice).capitalize()}: {row.name} over {row.base_name}"


def _place_table(
    told: dict[tuple[str, str], RankedRow], shown: "pd.DataFrame", labels: dict[str, str]
) -> dict[str, list[str]]:
    rows = list(shown.itertuples())
    return {
        "comparison": [_compared(told[r.choice, r.level]) for r in rows],
        "place": [labels[r.environment] for r in rows],
        "failed with it": [f"{r.failures} of {r.units}" for r in rows],
        "failed without": [f"{r.reference_failures} of {r.reference_units}" for r in rows],
        "gain in points": [
            f"{signed_points(r.survival_gain)} ({signed_points(r.lower)} to {signed_points(r.upper)})" for r in rows
        ],
        "verdict": [r.verdict for r in rows],
    }


def _sensitivity(data: SeasonData, ranking: Ranking, strong: list[RankedRow]) -> Finding:
    runs = ranking.sensitivity.table
    marked = {(r.choice, r.level) for r in strong}
    of_strong = runs[[pair in marked for pair in zip(runs.choice, runs.level, strict=True)]]
    flips = int(of_strong.flips.sum())
    if strong:
        statement = (
            f"{count_of(len(strong), 'comparison')} graded clear or likely {'was' if len(strong) == 1 else 'were'} "
            f"refitted under other assumptions; the sign changed in {flips} of {count_of(len(of_strong), 'run')}."
        )
    else:
        statement = (
            f"No comparison is clear or likely; the ranking was refitted under {runs.run.nunique()} other assumptions."
        )
    names = list(dict.fromkeys(runs.run))
    return Finding(
        id="ranking.sensitivity",
        headline="The ranking under other assumptions",
        kind="check",
        section="appendix",
        order=10,
        statement=statement,
        units=ranking.units,
        failures=ranking.failures,
        method=(
            "Refits: missing units failed, working on, or crossed; each site left out; units dead on arrival left "
            "out; other life distributions; day of the season as clock when deployment took over 30 days."
        ),
        caveats=tuple(labelled(data, note) for note in ranking.sensitivity.notes),
        table={
            "run": [shown_name(n, 120) for n in names],
            "comparisons whose sign changes": [int(runs[runs.run == n].flips.sum()) for n in names],
            "of these clear or likely": [int(of_strong[of_strong.run == n].flips.sum()) for n in names],
        },
    )


def _opinions(data: SeasonData, ranking: Ranking) -> Finding:
    cox, *raw = ranking.agreements
    return Finding(
        id="ranking.opinions",
        headline="A second way of ranking beside this one",
        kind="check",
        section="appendix",
        order=11,
        statement=labelled(data, cox.sentence),
        estimate=cox.share,
        unit="share",
        units=ranking.units,
        failures=ranking.failures,
        method="Proportional hazards with the same terms, shrunken alike; directions compared.",
        caveats=tuple(labelled(data, a.sentence) for a in raw),
    )


def _overlap(data: SeasonData, ranking: Ranking, rows: list[RankedRow]) -> Finding:
    table = ranking.overlap.table
    here = table[table.place == table.place.iloc[0]] if len(table) else table
    empty = int((here.units == 0).sum()) if len(here) else 0
    where = shown_name(here.place.iloc[0]) if len(here) else "place"
    choice = str(ranking.columns["choice"][0])
    return Finding(
        id="ranking.overlap",
        headline="Where each level stood",
        kind="count",
        section="appendix",
        order=12,
        statement=f"Of {len(here)} pairs of a level and its {where}, {empty} had no unit at all.",
        units=ranking.units,
        failures=ranking.failures,
        method="Units and failures counted by level and place.",
        caveats=tuple(labelled(data, advice) for advice in ranking.overlap.advice[:3]),
        figure=Drawing(
            result=ranking.overlap,
            alt=f"Squares for the number of units with each level in each {where}, a cross where there were none.",
            options={"choice": choice, "labels": level_labels(rows, choice)},
        )
        if len(here)
        else None,
    )


def _rules(data: SeasonData, ranking: Ranking, question: RankingQuestion) -> Finding:
    chance = comparisons_sentence(ranking.comparisons)
    said = [labelled(data, note) for note in (*ranking.notes, *question.notes) if note != chance]
    return Finding(
        id="ranking.rules",
        headline="How grades are given",
        kind="check",
        section="appendix",
        order=13,
        statement=f"How grades are given. {chance}",
        method=" ".join(said[:3]),
        caveats=tuple(said[3:9]),
        table={"grade": [str(rule.grade) for rule in RULES], "rule": [rule.words for rule in RULES]},
    )


def _strengths(ranking: Ranking, strong: list[RankedRow]) -> Finding:
    table = ranking.table.set_index(["choice", "level"])
    at = [table.loc[(r.choice, r.level)] for r in strong]
    strict, used, free = PRIOR_STRENGTHS
    changed = sum(s.gain_strong_shrinkage * s.gain_weak_shrinkage <= 0 for s in at)
    return Finding(
        id="ranking.strengths",
        headline="The gain at three strengths of shrinkage",
        kind="check",
        section="appendix",
        order=14,
        statement=(
            f"With half and with twice the freedom of each level the sign changes in {changed} of "
            f"{count_of(len(strong), 'comparison')} graded clear or likely."
        ),
        units=ranking.units,
        failures=ranking.failures,
        method=(
            f"Prior standard deviation of each level's log time ratio: {strict:g}, {used:g} (the answer) and {free:g}."
        ),
        table={
            "comparison": [f"{shown_name(r.choice)}: {r.name} over {r.base_name}" for r in strong],
            f"sd {strict:g}": [points_text(s.gain_strong_shrinkage) for s in at],
            f"sd {used:g}": [points_text(s.survival_gain) for s in at],
            f"sd {free:g}": [points_text(s.gain_weak_shrinkage) for s in at],
        },
    )


def _e_values(strong: list[RankedRow]) -> Finding:
    top = strong[0]
    limit = f"; for the limit nearer to no difference {top.e_value_limit:.2g}" if np.isfinite(top.e_value_limit) else ""
    return Finding(
        id="ranking.e_value",
        headline="How strong a hidden cause would have to be",
        kind="check",
        section="appendix",
        order=15,
        statement=(
            f"To explain away {shown_name(top.choice)} {top.name} over {top.base_name}, an unrecorded circumstance "
            f"would have to go with both the level and the failures by a risk ratio of {top.e_value:.2g}{limit}."
        ),
        estimate=top.e_value,
        lower=top.e_value_limit,
        unit="risk ratio",
        units=top.units + top.base_units,
        failures=top.failures + top.base_failures,
        method="E-value of the standardised risks (VanderWeele & Ding 2017, Ann. Intern. Med. 167, 268-274).",
        table={
            "comparison": [f"{shown_name(r.choice)}: {r.name} over {r.base_name}" for r in strong],
            "E-value": [float(f"{r.e_value:.2g}") for r in strong],
            "of the nearer limit": [float(f"{r.e_value_limit:.2g}") for r in strong],
        },
    )


def _by_mechanism(data: SeasonData, question: RankingQuestion) -> list[Finding]:
    """The ranking with only the mechanisms of interest as failures, when the settings name any."""
    wanted = [str(m) for m in data.settings.get("mechanisms_of_interest") or ()]
    if not wanted:
        return []
    try:
        ranking = rank_choices(
            data.lives,
            question.choices,
            adjust=question.adjust,
            mission=data.mission,
            cause=wanted,
            resamples=CAUSE_RESAMPLES,
            seed=data.seed,
            confidence=data.confidence,
            reference=question.reference,
            tried=question.tried,
        )
    except WorkbenchError as error:
        return _not_ranked(wanted, error)
    rows = ranked_rows(data, ranking)
    top = next((r for r in rows if r.grade in SUPPORTED_GRADES), rows[0])
    lost = ranking.table.set_index(["choice", "level"]).lost_to_anything
    return [
        Finding(
            id="ranking.mechanisms",
            headline="Counting the mechanisms of interest alone",
            kind="difference",
            section="ranking",
            order=8,
            statement=(
                f"{claim(top, data.mission_text, data.confidence, causes=ranking.causes)}; to anything, raw, "
                f"{percent_text(lost[top.choice, top.level])} were lost with {top.name} and "
                f"{percent_text(lost[top.choice, top.base])} with {top.base_name}."
            ),
            estimate=top.gain,
            lower=top.lower,
            upper=top.upper,
            confidence=data.confidence,
            unit="share",
            units=top.units + top.base_units,
            failures=top.failures + top.base_failures,
            method=f"As the ranking, with {join_words([shown_name(w) for w in wanted])} alone counted as failure.",
            grade=top.grade,
            caveats=(
                f"Lost to anything by then, raw: {percent_text(lost[top.choice, top.level])} with {top.name}, "
                f"{percent_text(lost[top.choice, top.base])} with {top.base_name}.",
            ),
            table={
                "comparison": [f"{shown_name(r.choice)}: {r.name} over {r.base_name}" for r in rows],
                "gain": [f"{points_text(r.gain)} ({r.limits})" if r.limits else points_text(r.gain) for r in rows],
                "grade": [r.grade for r in rows],
            },
        )
    ]


def _not_ranked(wanted: list[str], error: WorkbenchError) -> list[Finding]:
    words = f"Protection choices could not be ranked by {join_words([shown_name(w) for w in wanted])} alone: {error}"
    return [
        Finding(
            id="ranking.mechanisms",
            headline="Counting the mechanisms of interest alone",
            kind="not known",
            section="appendix",
            order=16,
            statement=words.replace("_", " "),
            method="Not estimable.",
        )
    ]
