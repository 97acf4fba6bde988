"""Findings on next season: builds with losses, spares and cost, a fair trial, visits, and what is shown so far."""

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from workbench.errors import EstimateError
from workbench.estimate.shared import failed_by
from workbench.planning import (
    LAST_SEASON,
    REPLICATES,
    SAME_SEASON_NOTE,
    SPARES_NOTE,
    SUPPORTED,
    SeasonPlan,
    demonstrated_reliability,
    demonstration_sentence,
    plan_season,
    plan_visits,
    supported_levels,
    usual_builds,
    worth_of_levels,
)
from workbench.ranking.choices import Ranking
from workbench.report.basis import Drawing, Finding, SeasonData
from workbench.report.findings.findings_by_place import by_place_findings, nothing_by_place
from workbench.report.findings.findings_rounds import plan_prices, round_findings
from workbench.report.findings.findings_trial import TRIAL, trial_findings
from workbench.report.words import as_headline
from workbench.wording import count_of, days_text, join_words, percent_text, range_text

__all__ = ["level_costs", "planning_findings", "unit_cost"]

CONFIDENCE = 0.9


def planning_findings(
    data: SeasonData,
    *,
    trial: Mapping[str, Any] | None = TRIAL,
    say: Callable[[str], None] = lambda _: None,
) -> list[Finding]:
    """Return what the season says about the next one."""
    findings = _shown(data)
    ranking = data.ranking
    if ranking is None:
        return findings
    try:
        findings += _builds(data, ranking)
        findings += _worth(data, ranking)
        findings += by_place_findings(data, ranking, level_costs(data))
        if trial is not None:
            findings += trial_findings(data, trial, say)
        findings += _visits(data)
        findings += round_findings(data)
    except EstimateError as error:
        statement = f"Next season could not be planned from these lives: {error}."
        findings += _unplanned(
            "refused", 9, statement, method="Planning needs failures and a mission within what was seen."
        )
    return findings


def _unplanned(name: str, order: int, statement: str, *, method: str) -> list[Finding]:
    return [Finding(id=f"plan.{name}", kind="plan", section="plan", order=order, statement=statement, method=method)]


def level_costs(data: SeasonData) -> dict[str, dict[str, float]]:
    """Return the extra cost of each level from the settings: parts, and labour where it is typed."""
    levels: Mapping[str, Any] = data.settings.get("levels") or {}
    hour = plan_prices(data).get("labour_per_hour", 0.0)
    costs: dict[str, dict[str, float]] = {}
    for choice, parts in levels.items():
        hours = parts.get("hours") or {}
        priced = {str(k): float(x) + hour * float(hours.get(k, 0.0)) for k, x in (parts.get("cost") or {}).items()}
        if priced:
            costs[str(choice)] = priced
    return costs


def unit_cost(data: SeasonData, choices: list[str]) -> float | None:
    """Return the mean cost of a unit without its levels: parts as recorded, and labour; None without costs."""
    records = data.log.records
    if "unit_cost" not in records:
        return None
    paid = pd.to_numeric(records["unit_cost"], errors="coerce").to_numpy(dtype=float)
    known = np.isfinite(paid)
    if not known.any():
        return None
    levels: Mapping[str, Any] = data.settings.get("levels") or {}
    prices = plan_prices(data)
    labour = prices.get("build_hours", 0.0) * prices.get("labour_per_hour", 0.0)
    extra = np.zeros(len(records))
    for choice in choices:
        if choice in records:
            extra += (
                records[choice]
                .astype(object)
                .map((levels.get(choice) or {}).get("cost") or {})
                .astype(float)
                .fillna(0.0)
                .to_numpy()
            )
    return float(max((paid - extra)[known].mean(), 0.0)) + labour


def _shown(data: SeasonData) -> list[Finding]:
    lives, mission = data.lives, int(data.mission)
    failed, may_have = failed_by(lives, mission)
    # a failure of the very day of the mission's end counts among the failures
    lasted = int(lives.weight[(lives.lower >= mission) & (lives.upper > mission)].sum())
    units, counted = failed + may_have + lasted, failed + may_have
    if units == 0:
        return []
    return [
        Finding(
            id="plan.shown",
            headline="What has been shown so far",
            kind="demonstration",
            section="plan",
            order=5,
            statement=demonstration_sentence(
                units, counted, CONFIDENCE, mission=mission, may_have=may_have, counted=data.counted
            ),
            estimate=lasted / units,
            lower=demonstrated_reliability(units, counted, CONFIDENCE),
            upper=(lasted + may_have) / units if may_have else None,
            confidence=CONFIDENCE,
            unit="share",
            units=units,
            failures=counted,
            method=(
                "One-sided exact limit (Clopper-Pearson) of units that failed by, or lasted, the mission. A failure "
                "whose span holds the mission counts as failed; upper is the share if all of these had lasted."
            ),
            caveats=("Units lost or taken out before the mission are not in this count.",),
        )
    ]


def _builds(data: SeasonData, ranking: Ranking) -> list[Finding]:
    units = data.lives.units_among()
    # without the extra costs of levels every build would seem to cost the same, so money is left out
    paid = unit_cost(data, list(dict.fromkeys(ranking.table["choice"]))) if level_costs(data) else None
    build = usual_builds(
        data.lives, ranking, units, level_costs=level_costs(data), unit_cost=paid, preferred=data.asked_levels
    )
    plan = plan_season(data.lives, build, mission=data.mission, confidence=CONFIDENCE, seed=data.seed)
    table = plan.table.set_index("build")
    last = table.loc[LAST_SEASON]
    parts = [
        f"Built as last season, {units} units would lose about {last['expected_losses']:.0f} by {data.mission_text}"
        f" ({last['losses_lower']:.0f} to {last['losses_upper']:.0f}, {percent_text(CONFIDENCE)} limits);"
        f" {last['spares']:.0f} spares cover the losses 9 times in 10."
    ]
    if SUPPORTED in table.index:
        best = table.loc[SUPPORTED]
        names = join_words([data.label(c, level) for c, level in supported_levels(ranking, data.asked_levels).items()])
        parts.append(
            f"With the levels this season supports ({names}) about {best['expected_losses']:.0f}"
            f" ({best['losses_lower']:.0f} to {best['losses_upper']:.0f})."
        )
    else:
        parts.append("No level was supported well enough to plan another build on it.")
    parts.append(nothing_by_place(ranking))
    return [
        Finding(
            id="plan.builds",
            headline="What next season may lose, build by build",
            kind="plan",
            section="plan",
            order=1,
            statement=" ".join(filter(None, parts)),
            estimate=float(last["expected_losses"]),
            lower=float(last["losses_lower"]),
            upper=float(last["losses_upper"]),
            confidence=CONFIDENCE,
            unit="units",
            units=data.lives.units,
            failures=data.lives.failures,
            method=(
                "Weibull time-ratio model of the ranked choices, environment and sites in "
                f"{REPLICATES:,} weighted replicates; "
                "units missing by the mission as a competing end; counts drawn by chance on top."
            ),
            caveats=(SPARES_NOTE, SAME_SEASON_NOTE, *_labour_note(data, paid)),
            figure=_plan_drawing(data, plan),
            table=_plan_table(plan),
        )
    ]


def _labour_note(data: SeasonData, paid: float | None) -> tuple[str, ...]:
    if paid is None:
        return ()
    if {"labour_per_hour", "build_hours"} <= set(plan_prices(data)):
        return ("Prices are parts and labour.",)
    return ("Prices are parts alone: labour_per_hour and build_hours under [plan] in the settings add the labour.",)


def _plan_drawing(data: SeasonData, plan: SeasonPlan) -> Drawing:
    return Drawing(
        result=plan,
        alt=f"Units expected to be alive by day up to {data.mission_text}, one falling line and band for each build.",
        caption="Bands hold the uncertainty of the season behind the plan and the chance of the next one.",
    )


def _plan_table(plan: SeasonPlan) -> dict[str, list[Any]]:
    table = plan.table
    shown: dict[str, list[Any]] = {
        "build": table["build"].tolist(),
        "units": table["units"].tolist(),
        "losses expected": [round(float(x)) for x in table["expected_losses"]],
        "limits": [range_text(*pair) for pair in zip(table["losses_lower"], table["losses_upper"], strict=True)],
        "spares": [round(float(x)) for x in table["spares"]],
    }
    if table["cost"].notna().all():
        shown["cost"] = [f"{x:,.0f}" for x in table["cost"]]
        shown["cost per survivor"] = [f"{x:,.0f}" for x in table["cost_per_survivor"]]
    return shown


def _worth(data: SeasonData, ranking: Ranking) -> list[Finding]:
    units = data.lives.units_among()
    result = worth_of_levels(ranking, level_costs(data), units)
    if result.table.empty:
        return []
    sure = result.sure
    common: dict[str, Any] = {
        "id": "plan.worth",
        "kind": "cost",
        "section": "plan",
        "order": 2,
        "units": data.lives.units,
        "failures": data.lives.failures,
        "method": "Gain in share lasting the mission of the adjusted ranking, with extra costs typed in the settings.",
        "caveats": ("A level that goes with longer life need not be its cause; a trial would tell.", *result.notes),
    }
    if sure.empty:
        statement = "No level with a price has a gain sure enough to set money against it."
        return [Finding(statement=statement, headline="No gain is sure enough to set money against", **common)]
    best = sure.iloc[0]
    name, base = (data.label(best["choice"], best[key]) for key in ("level", "reference"))
    statement = (
        f"Of {count_of(len(sure), 'level')} with a price and a likely gain, {name} gives most for the money: put into"
        f" the {best['units_switched']:.0f} of {units} units that have {base}, it costs {data.money(best['cost'])} and"
        f" keeps about {best['units_saved']:.0f} more alive ({range_text(best['lower'], best['upper'])}),"
        f" {data.money(best['cost_per_unit_saved'], 2)} for each."
    )
    return [
        Finding(
            statement=statement,
            headline=as_headline(f"For the money, {name} keeps most units alive"),
            estimate=float(best["cost_per_unit_saved"]),
            lower=float(best["cost_lower"]),
            upper=float(best["cost_upper"]),
            confidence=data.confidence,
            unit=f"{data.settings.get('currency') or 'money'} per unit",
            table={
                "level": [data.label(c, x) for c, x in zip(sure["choice"], sure["level"], strict=True)],
                "grade": sure["grade"].tolist(),
                "in place of": [data.label(c, x) for c, x in zip(sure["choice"], sure["reference"], strict=True)],
                "units changed": [f"{x:.0f}" for x in sure["units_switched"]],
                "extra cost per unit": [data.money(x, 2) for x in sure["extra_cost"]],
                f"more alive of {units}": [f"{x:.0f}" for x in sure["units_saved"]],
                "limits": [range_text(*pair) for pair in zip(sure["lower"], sure["upper"], strict=True)],
                "cost for each": [
                    _with_limits(data, cost, lower, upper=upper)
                    for cost, lower, upper in zip(
                        sure["cost_per_unit_saved"], sure["cost_lower"], sure["cost_upper"], strict=True
                    )
                ],
            },
            **common,
        )
    ]


def _with_limits(data: SeasonData, cost: float, lower: float, *, upper: float) -> str:
    """A cost per additional unit alive with its limits; without upper limit where no gain is possible too."""
    high = data.money(upper, 2) if math.isfinite(upper) else "no limit"
    return f"{data.money(cost, 2)} ({data.money(lower, 2)} to {high})"


def _visits(data: SeasonData) -> list[Finding]:
    units = max(data.lives.units, 1)
    plan = plan_visits(data.lives, mission=data.mission, units=units)
    spacing = f"every {plan.best:.0f} days" if math.isfinite(plan.best) else "more often than weekly"
    table = plan.table
    if not table["widening"].notna().any():
        statement = (
            f"How often to visit cannot be planned: hardly any unit is expected to fail within {data.mission_text}."
        )
        return _unplanned("visits", 4, statement, method="Expected width of the limits of the time by which 10 % fail.")
    return [
        Finding(
            id="plan.visits",
            headline="How often to visit",
            kind="visits",
            section="plan",
            order=4,
            statement=(
                f"Visits {spacing} keep what is known of early failures within {percent_text(plan.limit - 1)} of what"
                f" telemetry would tell, for {count_of(units, data.counted)}."
            ),
            estimate=plan.best,
            unit="days",
            units=data.lives.units,
            failures=data.lives.failures,
            method="Width of the limits of the time by which 10 % fail that each spacing lets one expect (Weibull).",
            caveats=("Visits also find what can still be mended; that is not counted here.",),
            table={
                "days between visits": [f"{x:.0f}" for x in table["spacing"]],
                "rounds": [f"{x:.0f}" for x in table["visits"]],
                "10 % failed by": [days_text(float(x)) for x in table["b10"]],
                "limits to expect": [range_text(*pair) for pair in zip(table["lower"], table["upper"], strict=True)],
                "wider by": [percent_text(float(x) - 1) for x in table["widening"]],
            },
        )
    ]
