"""Findings of the ranking: what goes with longer life, what could not be told apart, and how far each claim holds."""

from typing import Any

import numpy as np

from workbench.ranking.choices import Ranking, RankingQuestion, comparisons_sentence, question_of
from workbench.report.basis import Drawing, Finding, SeasonData
from workbench.report.findings.findings_bounds import tipping_findings
from workbench.report.findings.ranking_checks import check_findings, place_findings
from workbench.report.findings.ranking_words import (
    RankedRow,
    caveats_of,
    claim,
    comparison_id,
    labelled,
    level_labels,
    main_row,
    ranked_rows,
    shift_sentence,
)
from workbench.report.words import as_headline, detectable_sentence, limits_words, short_name, shown_name
from workbench.wording import (
    NOT_KNOWN,
    SUPPORTED_GRADES,
    Grade,
    count_of,
    days_text,
    join_words,
    percent_text,
    points_text,
    signed_points,
)

__all__ = ["ranking_findings"]

MOST_SLIDES = 3
"""Comparisons that get a slide of their own; the table on the first slide holds all."""
METHOD = (
    "Weibull time ratios of all choices together with environment and site, shrunken; each level put into the whole "
    "fleet; limits from weighted replicates; p from exchanging units within sites, corrected (Holm) for all choices."
)


def ranking_findings(data: SeasonData) -> list[Finding]:
    """Return what goes with longer life and what could not be told apart, each with its grade and caveats."""
    question = question_of(data.log, data.lives)
    ranking = data.ranking  # made once and shared with the plan
    if ranking is None:
        return [_not_ranked(data.no_ranking)]
    rows = ranked_rows(data, ranking)
    strong = [row for row in rows if row.grade in SUPPORTED_GRADES]
    findings = [_overview(data, ranking, rows, strong=strong, question=question)]
    findings += [_comparison(data, ranking, rows, number=number) for number in range(len(rows))]
    if strong:
        findings += [_days(data, ranking, strong), _raw(data, ranking, strong)]
    main = main_row(data, rows)
    findings += [] if main is None else tipping_findings(data, ranking, main)
    findings += [] if data.where is None else place_findings(data, ranking, rows, where=data.where)
    findings += _apart(data, ranking, rows)
    return findings + check_findings(data, ranking, rows, question=question)


def _not_ranked(reason: str) -> Finding:
    return Finding(
        id="ranking.none",
        headline="Protection choices could not be ranked",
        kind="not known",
        section="ranking",
        statement=f"Protection choices could not be ranked: {reason}.",
        method="Not estimable.",
    )


def _counts(data: SeasonData, ranking: Ranking) -> str:
    return f"{count_of(ranking.units, data.counted)}, {count_of(ranking.failures, 'failure')}"


def _overview(
    data: SeasonData, ranking: Ranking, rows: list[RankedRow], *, strong: list[RankedRow], question: RankingQuestion
) -> Finding:
    if strong:
        told = [
            f"{shown_name(r.choice)}: {r.name} over {r.base_name} ({points_text(r.gain)}, {r.grade})" for r in strong
        ]
        more = f", and {len(told) - 3} more" if len(told) > 3 else ""
        listed = f"{', '.join(told[:3])}{more}" if more else join_words(told)
        goes = "goes" if any(r.grade == Grade.CLEAR for r in strong) else "may go"
        life = "longer life" if all(r.gain > 0 for r in strong) else "longer or shorter life"
        lead = f"What {goes} with {life} over {data.mission_text}: {listed}."
    else:
        whole, verb = (
            ("The one comparison", "could not") if len(rows) == 1 else (f"None of {len(rows)} comparisons", "could")
        )
        lead = (
            f"{whole} of protection levels {verb} be told from chance: the season does not show which of them goes "
            "with longer life."
        )
    held = f" with {join_words([shown_name(a) for a in ranking.adjust])} and site held equal" if ranking.adjust else ""
    return Finding(
        id="ranking",
        headline="What goes with longer life, all else equal" if strong else "No comparison can be told from chance",
        kind="rank",
        section="ranking",
        order=0,
        statement=lead,
        unit="share",
        units=ranking.units,
        failures=ranking.failures,
        method=METHOD,
        caveats=(
            comparisons_sentence(ranking.comparisons),
            "These are associations: a level that goes with longer life need not be its cause.",
        ),
        figure=Drawing(
            result=ranking,
            alt=(
                "One line for each protection level: a dot for the gain in the share of the fleet that would last the "
                "mission, a bar for its limits, and the grade in words."
            ),
            caption=f"Share of the fleet lasting {data.mission_text}, had every unit carried the level{held}.",
            options={"labels": level_labels(rows), "subtitle": _counts(data, ranking)},
        ),
        table=_table(data, rows),
    )


def _table(data: SeasonData, rows: list[RankedRow]) -> dict[str, list[Any]]:
    return {
        "choice": [shown_name(r.choice) for r in rows],
        "level": [f"{r.name} over {r.base_name}" for r in rows],
        f"{data.counted}s / failed": [f"{r.units} / {r.failures}" for r in rows],
        "would last": [f"{percent_text(r.survival)} against {percent_text(r.base_survival)}" for r in rows],
        "gain": [f"{points_text(r.gain)} ({r.limits})" if r.limits else points_text(r.gain) for r in rows],
        "grade": [r.grade for r in rows],
    }


def _comparison(data: SeasonData, ranking: Ranking, rows: list[RankedRow], *, number: int) -> Finding:
    row = rows[number]
    on_slide = row in [r for r in rows if r.grade in SUPPORTED_GRADES][:MOST_SLIDES]
    return Finding(
        id=comparison_id(ranking, row),
        headline=as_headline(f"{shown_name(row.choice)}: {short_name(row.name)} against {short_name(row.base_name)}"),
        kind="difference",
        section="ranking",
        order=1 + number / 100,
        statement=f"{claim(row, data.mission_text, data.confidence, causes=ranking.causes)}.",
        estimate=row.gain,
        lower=row.lower,
        upper=row.upper,
        confidence=data.confidence,
        unit="share",
        units=row.units + row.base_units,
        failures=row.failures + row.base_failures,
        method=METHOD,
        grade=row.grade,
        caveats=caveats_of(ranking, row),
        figure=_own_figure(ranking, row, rows) if on_slide else None,
        table=_other_ways(ranking, row) if row.grade in SUPPORTED_GRADES else None,
        on_slide=on_slide,
    )


def _other_ways(ranking: Ranking, row: RankedRow) -> dict[str, list[Any]]:
    """The gain asked in other ways: without time ratios, with missing units failed, without one unit or site."""
    at = ranking.of(row.choice).set_index("level").loc[row.level]
    second = f"{signed_points(at.gain_second)} ({signed_points(at.second_lower)} to {signed_points(at.second_upper)})"
    asked = [
        ("as ranked", f"{signed_points(row.gain)} ({row.limits})"),
        ("without time ratios", second if np.isfinite(at.gain_second) else NOT_KNOWN),
        ("with a shape for each level", signed_points(at.gain_own_shapes)),
        ("all missing units failed", signed_points(at.gain_missing_failed)),
    ]
    left_out = ((at.weakest_unit, at.gain_without_unit), (at.weakest_site, at.gain_without_site))
    asked += [(f"without {name}", signed_points(gain)) for name, gain in left_out if name]
    kept = [(words, gain) for words, gain in asked if gain != NOT_KNOWN]
    return {"asked in another way": [words for words, _ in kept], "gain in points": [gain for _, gain in kept]}


def _own_figure(ranking: Ranking, row: RankedRow, rows: list[RankedRow]) -> Drawing:
    return Drawing(
        result=ranking.overlap,
        alt=(
            f"Squares for the number of units with each {shown_name(row.choice)} in each environment or site, a cross "
            "where there were none."
        ),
        caption=f"Where each {shown_name(row.choice)} stood: failed / put out.",
        options={"choice": row.choice, "labels": level_labels(rows, row.choice)},
    )


def _days(data: SeasonData, ranking: Ranking, strong: list[RankedRow]) -> Finding:
    top = strong[0]
    unit, labels = data.lives.unit, level_labels(ranked_rows(data, ranking))
    low, high = (days_text(end, unit, signed=True) for end in (top.days_lower, top.days_upper))
    ends = limits_words(low, high, data.confidence)
    return Finding(
        id="ranking.days",
        headline="The same difference in days",
        kind="difference",
        section="ranking",
        order=2,
        statement=(
            f"In days: up to {data.mission_text} a unit with {shown_name(top.choice)} {top.name} works "
            f"{days_text(abs(top.days), unit)} {'longer' if top.days > 0 else 'shorter'} on average than one "
            f"with {top.base_name} ({ends})."
        ),
        estimate=top.days,
        lower=top.days_lower,
        upper=top.days_upper,
        confidence=data.confidence,
        unit=data.lives.unit,
        units=top.units + top.base_units,
        failures=top.failures + top.base_failures,
        method=METHOD,
        grade=top.grade,
        figure=Drawing(
            result=ranking,
            alt="One line for each protection level: a dot for the gain in mean working days and a bar for its limits.",
            options={"show": "days", "labels": labels, "subtitle": _counts(data, ranking)},
        ),
    )


def _raw(data: SeasonData, ranking: Ranking, strong: list[RankedRow]) -> Finding:
    choices = list(dict.fromkeys(r.choice for r in strong))
    known = [r for r in strong if np.isfinite(r.raw_gain)]
    widest = max(known or strong, key=lambda r: abs(np.nan_to_num(r.raw_gain - r.gain)))
    return Finding(
        id="ranking.raw",
        headline="Plain counts beside the fair comparison",
        kind="difference",
        section="ranking",
        order=3,
        statement=shift_sentence(data, ranking, widest),
        estimate=widest.raw_gain,
        unit="share",
        units=widest.units + widest.base_units,
        failures=widest.failures + widest.base_failures,
        method="Raw: difference of the curves at the mission. Adjusted: as in the ranking.",
        caveats=tuple(labelled(data, a.sentence) for a in ranking.agreements if "raw" in a.view),
        figure=Drawing(
            result=ranking,
            alt="Adjusted gains as dots with limits, and the raw difference of the curves as a bar on the same line.",
            options={"show": "points with raw", "choices": choices, "labels": level_labels(ranked_rows(data, ranking))},
        ),
        table={
            "level": [f"{shown_name(r.choice)}: {r.name} over {r.base_name}" for r in strong],
            "raw": [points_text(r.raw_gain) for r in strong],
            "raw, within environments": [points_text(r.within) for r in strong],
            "adjusted": [points_text(r.gain) for r in strong],
        },
    )


def _apart(data: SeasonData, ranking: Ranking, rows: list[RankedRow]) -> list[Finding]:
    findings = []
    aliased = [r for r in rows if r.grade == Grade.NOT_APART]
    if aliased:
        reasons = list(dict.fromkeys(r.reason for r in aliased))
        findings.append(
            Finding(
                id="ranking.apart",
                headline="What this season's design cannot separate",
                kind="not known",
                section="apart",
                order=1,
                statement=f"The season's design cannot separate {count_of(len(aliased), 'comparison')}: {reasons[0]}.",
                units=ranking.units,
                failures=ranking.failures,
                method="Found from where each level stood and with what, before looking at any failure.",
                caveats=tuple(f"{reason[0].upper()}{reason[1:]}." for reason in reasons[1:5]),
                table={
                    "comparison": [f"{shown_name(r.choice)}: {r.name} over {r.base_name}" for r in aliased],
                    "why": [r.reason for r in aliased],
                },
            )
        )
    unclear = [r for r in rows if r.grade == Grade.UNCLEAR]
    if unclear:
        findings.append(_unclear(data, ranking, unclear))
    if ranking.overlap.advice:
        findings.append(
            Finding(
                id="ranking.mix",
                headline="To tell more apart next season, mix more",
                kind="plan",
                section="plan",
                order=9,
                statement=f"To tell more apart next season: {labelled(data, ranking.overlap.advice[0])}",
                method="From the overlap of levels with sites, environments, batches and each other.",
                caveats=tuple(labelled(data, a) for a in ranking.overlap.advice[1:5]),
            )
        )
    return findings


def _unclear(data: SeasonData, ranking: Ranking, unclear: list[RankedRow]) -> Finding:
    names = [f"{shown_name(r.choice)}: {r.name} over {r.base_name}" for r in unclear]
    more = f" and {len(names) - 4} more" if len(names) > 4 else ""
    listed = f"{', '.join(names[:4])}{more}" if more else join_words(names)
    widest = max(unclear, key=lambda r: min(r.units, r.base_units))
    units = widest.units + widest.base_units
    return Finding(
        id="ranking.unclear",
        headline=f"{count_of(len(unclear), 'comparison')} could be chance",
        kind="not known",
        section="apart",
        order=2,
        statement=(
            f"{count_of(len(unclear), 'comparison')} could not be told from chance: {listed}. That does not prove "
            "that there is no difference."
        ),
        units=ranking.units,
        failures=ranking.failures,
        method=METHOD,
        grade=Grade.UNCLEAR,
        caveats=(
            f"{shown_name(widest.choice).capitalize()}, the one with most units: "
            + detectable_sentence(widest.failures + widest.base_failures, widest.units / units),
        ),
        table={
            "comparison": names,
            "gain": [f"{points_text(r.gain)} ({r.limits})" if r.limits else points_text(r.gain) for r in unclear],
            "why unclear": [r.reason for r in unclear],
        },
    )
