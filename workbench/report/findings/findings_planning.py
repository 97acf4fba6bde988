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
    SUPPORTED,
    SeasonPlan,
    TrialPlan,
    TrialQuestion,
    demonstrated_reliability,
    demonstration_sentence,
    missing_by,
    plan_season,
    plan_trial,
    plan_visits,
    supported_levels,
    usual_builds,
    worth_of_levels,
)
from workbench.ranking.choices import Ranking
from workbench.report.basis import Drawing, Finding, SeasonData
from workbench.report.findings.findings_rounds import plan_prices, round_findings
from workbench.wording import count_of, days_text, join_words, percent_text, range_text

__all__ = ["level_costs", "planning_findings", "unit_cost", "visit_spacing"]

CONFIDENCE = 0.9
TRIAL: Mapping[str, Any] = {"hazard_ratio": 0.5, "seasons": 300}
"""A trial must see half as many failures a day (a judgement, no source); `workbench plan` simulates more seasons."""
TRIAL_SIZES = (60, 120, 240, 360, 480)
MOST_RATIO = 100


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
        if trial is not None:
            findings += _trial(data, trial, say)
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


def visit_spacing(data: SeasonData) -> float:
    """Return the median width of the failure intervals, as the spacing of visits seen; NaN without any."""
    lives = data.lives
    open_cells = lives.failed & (lives.upper - lives.lower > 1) & (lives.lower > 0)
    if not open_cells.any():
        return math.nan
    return float(np.median((lives.upper - lives.lower)[open_cells]))


def _shown(data: SeasonData) -> list[Finding]:
    lives, mission = data.lives, int(data.mission)
    failed, may_have = failed_by(lives, mission)
    lasted = int(lives.weight[lives.lower >= mission].sum())
    units, counted = failed + may_have + lasted, failed + may_have
    if units == 0:
        return []
    return [
        Finding(
            id="plan.shown",
            kind="demonstration",
            section="plan",
            order=5,
            statement=demonstration_sentence(units, counted, CONFIDENCE, mission=mission, may_have=may_have),
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
    build = usual_builds(data.lives, ranking, units, level_costs=level_costs(data), unit_cost=paid)
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
        names = join_words([data.label(c, level) for c, level in supported_levels(ranking).items()])
        parts.append(
            f"With the levels this season supports ({names}) about {best['expected_losses']:.0f}"
            f" ({best['losses_lower']:.0f} to {best['losses_upper']:.0f})."
        )
    else:
        parts.append("No level was supported well enough to plan another build on it.")
    return [
        Finding(
            id="plan.builds",
            kind="plan",
            section="plan",
            order=1,
            statement=" ".join(parts),
            estimate=float(last["expected_losses"]),
            lower=float(last["losses_lower"]),
            upper=float(last["losses_upper"]),
            confidence=CONFIDENCE,
            unit="units",
            units=data.lives.units,
            failures=data.lives.failures,
            method=(
                "Weibull time-ratio model of the ranked choices, environment and sites in 1,000 weighted replicates; "
                "units missing by the mission as a competing end; counts drawn by chance on top."
            ),
            caveats=(*plan.notes[-2:], *_labour_note(data, paid)),
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
    worth = worth_of_levels(ranking, level_costs(data)).table
    if worth.empty:
        return []
    priced = worth[worth["cost_per_unit_saved"].notna()].sort_values("cost_per_unit_saved")
    if len(priced):
        best = priced.iloc[0]
        name = data.label(best["choice"], best["level"])
        statement = (
            f"Of the levels with a price, {name} goes with most for the money: about"
            f" {best['units_saved']:.0f} more units alive in 100 for {_signed(best['extra_cost'], 2)} a unit."
        )
    else:
        statement = "For no level with a price is the gain sure enough to put a price on a unit saved."
    rows = worth.sort_values("units_saved", ascending=False)
    return [
        Finding(
            id="plan.worth",
            kind="cost",
            section="plan",
            order=2,
            statement=statement,
            units=data.lives.units,
            failures=data.lives.failures,
            method="Gain in share lasting the mission of the adjusted ranking, with extra costs typed in the settings.",
            caveats=("A level that goes with longer life need not be its cause; a trial would tell.",),
            table={
                "level": [data.label(c, x) for c, x in zip(rows["choice"], rows["level"], strict=True)],
                "extra cost": [_signed(x, 2) for x in rows["extra_cost"]],
                "more alive in 100": [_signed(x) for x in rows["units_saved"]],
                "limits": [f"{_signed(a)} to {_signed(b)}" for a, b in zip(rows["lower"], rows["upper"], strict=True)],
            },
        )
    ]


def _signed(value: float, digits: int = 0) -> str:
    return f"{value:+.{digits}f}".replace("-", "−")


def _trial(data: SeasonData, trial: Mapping[str, Any], say: Callable[[str], None]) -> list[Finding]:
    sites = int(data.lives.covariates["site"].nunique()) if "site" in data.lives.covariates else 1
    gap = visit_spacing(data)
    try:
        plan = plan_trial(
            data.lives,
            TrialQuestion(
                hazard_ratio=trial["hazard_ratio"],
                mission=data.mission,
                sites=max(sites, 1),
                visit_spacing=gap if math.isfinite(gap) else 30.0,
                missing_share=_missing_share(data),
            ),
            units=[n for n in TRIAL_SIZES if n >= 2 * sites] or [2 * sites],
            seasons=trial["seasons"],
            seed=data.seed,
            say=say,
        )
    except EstimateError as error:
        statement = f"A fair trial could not be planned: {error}."
        return _unplanned("trial", 3, statement, method="A trial needs failures within the mission.")
    return [
        Finding(
            id="plan.trial",
            kind="trial",
            section="plan",
            order=3,
            statement=_trial_statement(plan),
            estimate=plan.enough,
            unit="units",
            method=(
                f"{trial['seasons']:,} simulated seasons per size with this season's sites, losses and visit spacing, "
                f"analysed by the model of the ranking; Schoenfeld's formula asks for {plan.by_formula} units."
            ),
            caveats=(
                "The trial mixes both levels at every site, assigned at random; 'workbench plan' writes the list.",
            ),
            figure=Drawing(
                result=plan,
                alt="Chance to see the stated difference against the number of units in the trial, rising.",
                caption="Dots are simulated seasons with their limits, the dotted line is the formula.",
            ),
            table={
                "units": plan.columns["units"].tolist(),
                "failures expected": [round(float(x)) for x in plan.columns["failures"]],
                "chance to see it": [percent_text(float(x)) for x in plan.columns["power"]],
                "rate ratio seen 8 times in 10": [
                    f"{x:.1f}" if x < MOST_RATIO else f"over {MOST_RATIO}" for x in plan.columns["detectable_ratio"]
                ],
            },
        )
    ]


def _trial_statement(plan: TrialPlan) -> str:
    if math.isfinite(plan.enough):
        return (
            f"A fair trial of {plan.enough:.0f} units, half with each level at every site, would see"
            f" {_change(plan.hazard_ratio)} at least {10 * plan.wanted:.0f} times in 10."
        )
    most = int(plan.columns["units"][-1])
    return (
        f"Even {most} units in a fair trial would see {_change(plan.hazard_ratio)} only"
        f" {percent_text(float(plan.columns['power'][-1]))} of the time."
    )


def _change(ratio: float) -> str:
    return "a halving of the failure rate" if ratio == 0.5 else f"a failure rate {ratio:g} times that of the old level"


def _missing_share(data: SeasonData) -> float:
    return float(min(0.9, missing_by(data.lives, np.array([data.mission]))[0]))


def _visits(data: SeasonData) -> list[Finding]:
    units = max(data.lives.units, 1)
    plan = plan_visits(data.lives, mission=data.mission, units=units)
    spacing = f"every {plan.best:.0f} days" if math.isfinite(plan.best) else "more often than weekly"
    table = plan.table
    if not table["widening"].notna().any():
        statement = (
            f"How often to visit cannot be told: hardly any unit is expected to fail within {data.mission_text}."
        )
        return _unplanned("visits", 4, statement, method="Expected width of the limits of the time by which 10 % fail.")
    return [
        Finding(
            id="plan.visits",
            kind="visits",
            section="plan",
            order=4,
            statement=(
                f"Visits {spacing} keep what is known of early failures within {percent_text(plan.limit - 1)} of what"
                f" telemetry would tell, for {count_of(units, 'unit')}."
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
