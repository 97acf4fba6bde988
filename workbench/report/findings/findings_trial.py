"""How large must a fair trial be to see a difference worth having?"""

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from workbench.errors import EstimateError
from workbench.planning import TrialPlan, TrialQuestion, missing_by, plan_trial
from workbench.report.basis import Drawing, Finding, SeasonData
from workbench.wording import percent_text

__all__ = ["TRIAL", "trial_findings", "visit_spacing"]

TRIAL: Mapping[str, Any] = {"hazard_ratio": 0.5, "seasons": 300}
"""A trial must see half as many failures a day (a judgement, no source); `workbench plan` simulates more seasons."""
TRIAL_SIZES = (60, 120, 240, 360, 480)
MOST_RATIO = 100


def trial_findings(data: SeasonData, trial: Mapping[str, Any], say: Callable[[str], None]) -> list[Finding]:
    """Return the finding on the size of a fair trial, the fleet at hand among the sizes tried."""
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
            units=_trial_sizes(data, 2 * max(sites, 1)),
            seasons=trial["seasons"],
            seed=data.seed,
            say=say,
        )
    except EstimateError as error:
        statement = f"A fair trial could not be planned: {error}."
        return [
            Finding(
                id="plan.trial",
                headline="A fair trial could not be planned",
                kind="plan",
                section="plan",
                order=3,
                statement=statement,
                method="A trial needs failures within the mission.",
            )
        ]
    return [_sized(plan, trial["seasons"])]


def _sized(plan: TrialPlan, seasons: int) -> Finding:
    return Finding(
        id="plan.trial",
        headline="How large a fair trial must be",
        kind="trial",
        section="plan",
        order=3,
        statement=_trial_statement(plan),
        estimate=plan.enough,
        unit="units",
        method=(
            f"{seasons:,} simulated seasons per size with this season's sites, losses and visit spacing, "
            f"analysed by the model of the ranking; Schoenfeld's formula asks for {plan.by_formula} units."
        ),
        caveats=("The trial mixes both levels at every site, assigned at random; 'workbench plan' writes the list.",),
        figure=Drawing(
            result=plan,
            alt="Chance to see the stated difference against the number of units in the trial, rising.",
            caption="Dots are simulated seasons with their limits.",
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


def _trial_sizes(data: SeasonData, least: int) -> list[int]:
    """Sizes to simulate: the usual ones, the nearest of them replaced by the fleet at hand."""
    fleet = 2 * round(data.lives.units_among() / 2)
    sizes = list(TRIAL_SIZES)
    if TRIAL_SIZES[0] / 2 <= fleet <= 1.5 * TRIAL_SIZES[-1]:
        nearest = min(range(len(sizes)), key=lambda k: abs(math.log(sizes[k] / fleet)))
        sizes[nearest] = fleet
    return [n for n in sorted(sizes) if n >= least] or [least]


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


def visit_spacing(data: SeasonData) -> float:
    """Return the median width of the failure intervals, as the spacing of visits seen; NaN without any."""
    lives = data.lives
    open_cells = lives.failed & (lives.upper - lives.lower > 1) & (lives.lower > 0)
    if not open_cells.any():
        return math.nan
    return float(np.median((lives.upper - lives.lower)[open_cells]))
