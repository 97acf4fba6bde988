"""Findings on mechanisms: what ended units, its evidence, moisture and leaks, wet and working."""

from dataclasses import replace

import numpy as np
import pandas as pd

from workbench.errors import EstimateError
from workbench.estimate.shared import failed_by
from workbench.lives import UNDETERMINED
from workbench.ranking.choices import question_of
from workbench.report.basis import Drawing, Finding, SeasonData
from workbench.report.findings.findings_ends import ends_findings
from workbench.report.findings.ranking_words import foremost_choice
from workbench.report.words import limits_words, shown_name
from workbench.teardown.ends import (
    DRAWS,
    PREVENTABLE,
    class_incidence,
    inside_condition,
    preventable_causes,
    rank_preventable,
)
from workbench.teardown.mechanisms import (
    LEAKS,
    LEAST_PROBABILITY,
    MechanismSuggestions,
    compare_verdicts,
    evidence_matrix,
    mechanism_words,
    suggest_mechanism,
)
from workbench.wording import Grade, count_of, interval_text, join_words, percent_text, points_text

__all__ = ["teardown_findings"]

RESAMPLES = 200
"""Replicates of the ranking by mechanism; the ranking of all failures has more."""


def teardown_findings(data: SeasonData) -> list[Finding]:
    """Return what ended units and what their insides tell."""
    if data.log.records.empty:  # counts of a fleet; single units, and what was seen in them, are not kept
        return ends_findings(data) if data.lives.failures else []
    suggestions = suggest_mechanism(data.log)
    findings: list[Finding] = []
    if data.lives.failures:
        findings += ends_findings(data)
        findings += _preventable(data, suggestions)
        findings += _evidence(data, suggestions)
        findings += _agreement(data, suggestions)
        findings += _seal_ranking(data)
    return [*findings, *_inside(data, suggestions)]


def _more_in_spans(data: SeasonData, most: float) -> str:
    """How many more may have been lost in spans that hold the mission, where that says more than the largest share."""
    _, may_have = failed_by(data.lives, data.mission)
    return f"up to {count_of(may_have, 'more unit')}, in spans that hold that day" if may_have and most < 0.005 else ""


def _preventable(data: SeasonData, suggestions: MechanismSuggestions) -> list[Finding]:
    names = tuple(data.settings.get("mechanisms_of_interest") or ())
    named = set(np.asarray(data.lives.cause)[data.lives.failed]) - {UNDETERMINED}
    if not named and not suggestions.teardowns.opened.any():
        return []  # no verdict and no unit opened: shares would be the prior's alone
    classes = class_incidence(
        data.lives, suggestions, data.mission, names=names, seed=data.seed, confidence=data.confidence
    )
    if classes is None:
        return []
    table = classes.table.dropna(subset=["incidence"])
    mine = table[table["cause"] == PREVENTABLE]
    if mine.empty:
        return []
    row = mine.iloc[0]
    limits = limits_words(percent_text(row["lower"]), percent_text(row["upper"]), data.confidence)
    leaks = "" if names else _leaks_words(data, suggestions)
    more = _more_in_spans(data, row["most"])
    at_most = f"{more}," if more else f"at most {percent_text(row['most'])}"
    return [
        Finding(
            id="mechanism.preventable",
            headline="Lost to what could be prevented",
            kind="share",
            section="mechanism",
            order=3,
            statement=(
                f"By day {data.mission:g}, {percent_text(row['incidence'])} of units had been lost to "
                f"{_class_words(names)} ({limits}){leaks}; at least {percent_text(row['recorded'])} by verdicts alone, "
                f"{at_most} if every failure without a mechanism belongs here."
            ),
            estimate=float(row["incidence"]),
            lower=float(row["lower"]),
            upper=float(row["upper"]),
            confidence=data.confidence,
            unit="share",
            units=data.lives.units,
            failures=data.lives.failures,
            method=(
                "The mechanisms named together, the rest competing. Failures without a mechanism are"
                f" drawn {DRAWS} times from what their signs say and pooled by Rubin's rules on the log(-log) scale."
            ),
            caveats=classes.notes,
            table={
                "class": list(table["cause"]),
                "lost": [percent_text(v) for v in table["incidence"]],
                f"{100 * data.confidence:g} % limits": [
                    interval_text(percent_text(a), percent_text(b))
                    for a, b in zip(table["lower"], table["upper"], strict=True)
                ],
                "by verdicts alone": [percent_text(v) for v in table["recorded"]],
                "at most": [_more_in_spans(data, most) or percent_text(most) for most in table["most"]],
            },
        )
    ]


def _class_words(names: tuple[str, ...]) -> str:
    return join_words([mechanism_words(name) for name in names]) if names else "moisture in any way"


def _leaks_words(data: SeasonData, suggestions: MechanismSuggestions) -> str:
    """Leaks told apart: what a seal can prevent; vapour comes through plastic whatever the seal."""
    classes = class_incidence(
        data.lives, suggestions, data.mission, names=LEAKS, seed=data.seed, confidence=data.confidence
    )
    table = None if classes is None else classes.table.set_index("cause")
    if table is None or PREVENTABLE not in table.index or not np.isfinite(table.loc[PREVENTABLE, "incidence"]):
        return ""
    return f", {percent_text(table.loc[PREVENTABLE, 'incidence'])} to leaks, which a seal can prevent"


def _evidence(data: SeasonData, suggestions: MechanismSuggestions) -> list[Finding]:
    opened = int((suggestions.teardowns.opened & suggestions.teardowns.failed).sum())
    if not opened:
        return []
    named = int((suggestions.columns["mechanism"] != UNDETERMINED).sum())
    matrix = evidence_matrix(suggestions, most_signs=18)
    open_rows = suggestions.table[suggestions.table["mechanism"] == UNDETERMINED]
    return [
        Finding(
            id="mechanism.evidence",
            headline="Which signs were seen with which mechanism",
            kind="count",
            section="mechanism",
            order=1,
            statement=(
                f"Of {count_of(data.lives.failures, 'failure')}, {opened} were opened; their signs name a mechanism "
                f"for {named}, and leave {len(open_rows)} undetermined."
            ),
            estimate=named,
            unit="units",
            units=data.lives.units,
            failures=data.lives.failures,
            method=(
                "Bayes' rule from a table of signs (common practice, editable) and from teardowns that a person is sure"
                f" of; signs that nobody looked for say nothing; under"
                f" {percent_text(LEAST_PROBABILITY)} or on one sign only: undetermined."
            ),
            caveats=suggestions.notes[1:],
            figure=Drawing(
                result=matrix,
                alt="A grid of signs by mechanism; discs show in how many of the units looked at each sign was seen.",
                caption="Survivors stand beside for comparison: a sign they show as often is no evidence.",
            )
            if matrix.signs
            else None,
        )
    ]


def _agreement(data: SeasonData, suggestions: MechanismSuggestions) -> list[Finding]:
    agreement = compare_verdicts(suggestions, confidence=data.confidence)
    again = agreement.look_again
    if not agreement.compared and again.empty:
        return []
    known = agreement.compared > 0
    return [
        Finding(
            id="mechanism.agreement",
            headline="Where people and signs name the same mechanism",
            kind="share",
            section="mechanism",
            order=2,
            statement=agreement.told,
            estimate=agreement.agreed / agreement.compared if known else None,
            lower=agreement.lower if known else None,
            upper=agreement.upper if known else None,
            confidence=data.confidence if known else None,
            unit="share",
            units=data.lives.units,
            failures=data.lives.failures,
            method="A verdict never trains the suggestion for its own unit. Exact limits.",
            caveats=tuple(note for note in agreement.notes if note != agreement.told),
            table={
                "unit": [shown_name(u) for u in again["unit_id"]],
                "verdict": [shown_name(mechanism_words(v)) for v in again["verdict"]],
                "why look again": [str(r) for r in again["reason"]],
            }
            if len(again)
            else None,
        )
    ]


def _inside(data: SeasonData, suggestions: MechanismSuggestions) -> list[Finding]:
    records = suggestions.teardowns.records
    choice = foremost_choice(data)
    if choice not in records.columns or not records[choice].notna().any():
        choice = "lid_seal"
    if choice not in records.columns or not records[choice].notna().any():
        return []
    inside = inside_condition(suggestions.teardowns, choice, confidence=data.confidence)
    table = inside.table
    every = table.iloc[-1]
    if not every["opened"]:
        return []
    limits = limits_words(percent_text(every["lower"]), percent_text(every["upper"]), data.confidence)
    labels = [data.label(choice, g) for g in table["group"][:-1]] + ["all"]
    return [
        Finding(
            id="mechanism.inside",
            headline="Wet inside when opened",
            kind="share",
            section="mechanism",
            order=4,
            statement=(
                f"{int(every['wet'])} of {count_of(int(every['opened']), 'opened unit')} were wet inside at the end "
                f"({limits}); {int(every['wet_working'])} of them still worked, and {int(every['dry_failed'])} "
                "failed dry."
            ),
            estimate=float(every["share_wet"]),
            lower=float(every["lower"]),
            upper=float(every["upper"]),
            confidence=data.confidence,
            unit="share",
            units=data.lives.units,
            failures=data.lives.failures,
            method="Opened units with a condition written down; exact limits (Clopper and Pearson).",
            caveats=inside.notes,
            figure=Drawing(
                result=replace(inside, columns={**inside.columns, "group": np.array(labels, dtype=object)}),
                alt=f"A dot with limits for the share of opened units that were wet inside, by {shown_name(choice)}.",
            ),
            table={
                shown_name(choice): labels,
                "opened": list(table["opened"]),
                "wet": list(table["wet"]),
                "share wet": [percent_text(v) for v in table["share_wet"]],
                f"{100 * data.confidence:g} % limits": [
                    interval_text(percent_text(a), percent_text(b)) if n else "not known"
                    for a, b, n in zip(table["lower"], table["upper"], table["opened"], strict=True)
                ],
                "wet and working": list(table["wet_working"]),
                "dry and failed": list(table["dry_failed"]),
                "not opened": list(table["not_opened"]),
            },
        )
    ]


def _seal_ranking(data: SeasonData) -> list[Finding]:
    question = question_of(data.log, data.lives)
    causes = preventable_causes(data.lives, LEAKS)
    # settings that name mechanisms get the ranking by those instead
    if "lid_seal" not in question.choices or not causes or data.settings.get("mechanisms_of_interest"):
        return []
    try:
        ranking = rank_preventable(
            data.lives,
            question.choices,
            adjust=question.adjust,
            mission=data.mission,
            seed=data.seed,
            confidence=data.confidence,
            resamples=RESAMPLES,
            reference=question.reference,
        )
    except EstimateError:
        return []
    table = ranking.table
    seals = table[(table["choice"] == "lid_seal") & (table["grade"] != "reference")]
    seals = seals[np.isfinite(seals["survival_gain"].to_numpy(dtype=float))]
    if seals.empty:
        return []
    best = seals.iloc[0]
    reference = table[(table["choice"] == "lid_seal") & (table["grade"] == "reference")].iloc[0]
    limits = limits_words(points_text(best["lower"]), points_text(best["upper"]), data.confidence)
    level, base = (data.label("lid_seal", best[name]) for name in ("level", "reference"))
    return [
        Finding(
            id="ranking.preventable",
            headline="Counting losses to leaks alone",
            kind="difference",
            section="ranking",
            order=8,
            statement=(
                f"With {level} in every unit instead of {base}, {_more(best['survival_gain'])} would not "
                f"have been lost to leaks by day {data.mission:g} ({limits}), if the difference is "
                f"the seal's; to anything, {_lost(best)} were lost with {level} and {_lost(reference)} with {base}."
            ),
            estimate=float(best["survival_gain"]),
            lower=float(best["lower"]),
            upper=float(best["upper"]),
            confidence=data.confidence,
            unit="share",
            units=ranking.units,
            failures=ranking.failures,
            grade=str(best["grade"]) if str(best["grade"]) in list(Grade) else None,
            method=f"The adjusted ranking with only {join_words([mechanism_words(c) for c in causes])} as failures.",
            caveats=tuple(ranking.notes),
        )
    ]


def _more(gain: float) -> str:
    return f"{count_of(abs(round(100 * gain)), 'point')} {'more' if gain >= 0 else 'fewer'}"


def _lost(row: pd.Series) -> str:
    return percent_text(float(row["lost_to_anything"]))
