"""Findings on what ended units: mechanisms by units and lost days, by environment, by age, and how they add up."""

import math
from typing import Any

import numpy as np
import pandas as pd

from workbench.estimate.curves import cumulative_incidence, survival_curve
from workbench.estimate.steps_by_cause import CumulativeIncidence
from workbench.lives import UNDETERMINED
from workbench.report.basis import Drawing, Finding, SeasonData
from workbench.report.words import as_headline, limits_words, shown_name
from workbench.teardown.ends import EndsOfUnits, ends_of_units, lost_words, shapes_by_mechanism
from workbench.teardown.mechanisms import mechanism_words
from workbench.wording import count_of, join_words, percent_text

__all__ = ["ends_findings"]


def ends_findings(data: SeasonData) -> list[Finding]:
    """Return what ended units, in section "ends"."""
    return [*_ends(data), *_environments(data), *_incidence(data), *_ages(data)]


def _ends(data: SeasonData) -> list[Finding]:
    ends = ends_of_units(data.lives, data.mission)
    table = ends.table
    named = table[ends.named]
    if named.empty:
        failures = data.lives.failures
        whole = "The only failure has no" if failures == 1 else f"None of {count_of(failures, 'failure')} has a"
        statement = f"{whole} mechanism."
        share = None
    else:
        top = named.iloc[0]
        statement = (
            f"{_capital(top['end'])} is the largest identified cause: {count_of(int(top['units']), data.counted)}, "
            f"{percent_text(top['share_of_failures'])} of failures and "
            f"{lost_words(top['share_of_lost_days'], top['lost_days_low'], top['lost_days_high'])} by day "
            f"{data.mission:g}."
        )
        share = float(top["share_of_lost_days"])
    unknown = int(data.lives.weight[np.asarray(data.lives.cause) == UNDETERMINED].sum())
    if unknown and not named.empty:
        verb = "has" if unknown == 1 else "have"
        statement += f" {count_of(unknown, 'failure')} of {data.lives.failures} {verb} no mechanism."
    return [
        Finding(
            id="ends.mechanisms",
            headline=_ends_headline(named),
            kind="share",
            section="ends",
            order=1,
            statement=statement,
            estimate=share,
            unit="share",
            units=data.lives.units,
            failures=data.lives.failures,
            method=(
                "Counted from verdicts of people. A failure between two inspections loses its mean, as the curve of all"
                " units shares it out; a missing unit loses the days since it was last known to work."
            ),
            caveats=ends.notes,
            table=_ends_table(data, ends),
            figure=Drawing(
                result=ends,
                alt="Bars of the share of lost unit-days for each end, with marks for shares of units and failures.",
                caption="Grey: missing units and failures without a mechanism.",
            ),
        )
    ]


def _ends_headline(named: pd.DataFrame) -> str:
    """Name the mechanism that cost most, where any has a name."""
    if named.empty:
        return "No failure has a named mechanism"
    return as_headline(f"{_capital(named['end'].iloc[0])} is the largest identified cause")


def _ends_table(data: SeasonData, ends: EndsOfUnits) -> dict[str, list[Any]]:
    table = ends.table
    return {
        "end": [shown_name(mechanism_words(e)) for e in table["end"]],
        "family (ISO 14224)": list(table["family"]),
        f"{data.counted}s": list(table["units"]),
        "of failures": [percent_text(v) if math.isfinite(v) else "–" for v in table["share_of_failures"]],
        f"of {data.counted}s": [percent_text(v) for v in table["share_of_units"]],
        "unit-days lost": [f"{v:,.0f}" for v in table["lost_days"]],
        "from … to": [
            f"{a:,.0f} … {b:,.0f}" for a, b in zip(table["lost_days_low"], table["lost_days_high"], strict=True)
        ],
    }


def _environments(data: SeasonData) -> list[Finding]:
    if "environment" not in data.lives.covariates:
        return []
    result = ends_of_units(data.lives, data.mission, by="environment")
    ends = result.table
    groups = list(dict.fromkeys(ends["group"]))
    if len(groups) < 2:
        return []
    names = [n for n in ends.groupby("end")["units"].sum().sort_values(ascending=False, kind="stable").index]
    units = ends.pivot(index="end", columns="group", values="units").reindex(index=names, columns=groups).fillna(0)
    worst = ends[result.named].sort_values("share_of_units", ascending=False)
    if worst.empty:
        return []
    first = worst.iloc[0]
    statement = (
        f"The largest toll of one mechanism in one kind of place: {shown_name(mechanism_words(first['end']))} in "
        f"{data.label('environment', first['group'])}, {count_of(int(first['units']), data.counted)}, "
        f"{percent_text(first['share_of_units'])} of those there."
    )
    table: dict[str, list[Any]] = {"end": [shown_name(mechanism_words(n)) for n in names]}
    for group in groups:
        table[data.label("environment", group)] = [int(v) for v in units[group]]
    return [
        Finding(
            id="ends.environment",
            headline="What ended them, by kind of place",
            kind="share",
            section="ends",
            order=3,
            statement=statement,
            estimate=float(first["share_of_units"]),
            unit="share",
            units=data.lives.units,
            failures=data.lives.failures,
            method="Units by end and environment, as recorded; the largest of many small counts, so partly chance.",
            table=table,
        )
    ]


def _incidence(data: SeasonData) -> list[Finding]:
    result = cumulative_incidence(data.lives, confidence=data.confidence)
    at = result.at([data.mission]).dropna(subset=["incidence"])
    named = at[at["cause"] != UNDETERMINED].sort_values("incidence", ascending=False, kind="stable")
    if named.empty:
        return []
    top = named.iloc[0]
    words = shown_name(mechanism_words(top["cause"]))
    limits = limits_words(percent_text(top["lower"]), percent_text(top["upper"]), data.confidence)
    statement = (
        f"By day {data.mission:g}, {percent_text(top['incidence'])} of units had been lost to {words} ({limits}), the "
        f"other mechanisms being at work; {percent_text(float(at['incidence'].sum()))} to any."
    )
    return [
        Finding(
            id="ends.incidence",
            headline=f"Lost to each mechanism by day {data.mission:g}",
            kind="share",
            section="ends",
            order=2,
            statement=statement,
            estimate=float(top["incidence"]),
            lower=float(top["lower"]),
            upper=float(top["upper"]),
            confidence=data.confidence,
            unit="share",
            units=data.lives.units,
            failures=data.lives.failures,
            method=(
                "Cumulative incidence: the areas and the share still working add up to one. Failures that nobody could"
                " name are an area of their own."
            ),
            caveats=result.notes,
            table={
                "mechanism": [shown_name(mechanism_words(c)) for c in at["cause"]],
                f"lost by day {data.mission:g}": [percent_text(v) for v in at["incidence"]],
                "limits": [
                    limits_words(percent_text(a), percent_text(b), data.confidence)
                    for a, b in zip(at["lower"], at["upper"], strict=True)
                ],
            },
            figure=_stacked(data, result, str(top["cause"])),
        )
    ]


def _stacked(data: SeasonData, result: CumulativeIncidence, cause: str) -> Drawing:
    words = shown_name(mechanism_words(cause))
    return Drawing(
        result=result,
        alt=(
            "Areas stacked over age, one for each mechanism and one for failures without a mechanism, up to the share "
            f"still working; a dashed line shows {words} with the other mechanisms ignored, which overstates it."
        ),
        caption="Dashed as a warning only: a curve for one mechanism that ignores the others cannot be added up.",
        options={
            "mission": data.mission,
            "naive": {cause: survival_curve(data.lives.for_causes(cause))},
        },
    )


def _ages(data: SeasonData) -> list[Finding]:
    shapes = shapes_by_mechanism(data.lives, confidence=data.confidence)
    table = shapes.table
    told = table[np.isfinite(table["shape"].to_numpy(dtype=float))]
    if table.empty:
        return []
    clear = told[(told["lower"] > 1) | (told["upper"] < 1)]
    if told.empty:
        statement = "No mechanism has the five failures that a statement about early life or wear-out needs."
    elif clear.empty:
        one = len(told) == 1
        whole = "The one mechanism" if one else f"None of {count_of(len(told), 'mechanism')}"
        verb = "cannot" if one else "can"
        statement = f"{whole} with five failures or more {verb} be shown to be early-life or wear-out."
    else:
        parts = [
            f"{shown_name(mechanism_words(r.mechanism))} {'wears units out' if r.lower > 1 else 'strikes early'}"
            for r in clear.itertuples(index=False)
        ]
        statement = f"{_capital(join_words(parts))}; the others cannot be told apart from a steady rate."
    return [
        Finding(
            id="ends.ages",
            headline="Early life or wear-out, by mechanism",
            kind="shape",
            section="ends",
            order=4,
            statement=statement,
            units=data.lives.units,
            failures=data.lives.failures,
            method="Weibull shape of each mechanism, failures of another kind counted as suspensions.",
            caveats=shapes.notes,
            table={
                "mechanism": [shown_name(mechanism_words(m)) for m in table["mechanism"]],
                "failures": list(table["failures"]),
                "what age says": list(shapes.ages),
            },
        )
    ]


def _capital(text: str) -> str:
    words = shown_name(mechanism_words(text))
    return words[:1].upper() + words[1:]
