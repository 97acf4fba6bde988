"""Builds to compare: as last season, and with the levels that the ranking supports; and what each gain costs."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.checks import check_whole
from workbench.lives import Lives
from workbench.ranking.choices import Ranking
from workbench.results import Result

__all__ = ["LevelWorth", "supported_levels", "usual_builds", "worth_of_levels"]

SUPPORTED_GRADES = ("clear", "likely")
LAST_SEASON, SUPPORTED = "as last season", "best supported levels"


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelWorth(Result):
    """What the gain of each level costs.

    Table: choice level reference extra_cost units_saved lower upper cost_per_unit_saved grade. `units_saved` counts
    units more alive at the mission's end among 100; `cost_per_unit_saved` is NaN unless the gain is graded
    clear or likely and its limits lie above zero.
    """


def supported_levels(ranking: Ranking) -> dict[str, str]:
    """Return the levels that the season supports: of each choice with a comparison graded clear or likely, the best."""
    table = ranking.table
    told = table[table["grade"].isin(SUPPORTED_GRADES)]
    chosen = {}
    for choice in dict.fromkeys(told["choice"]):
        rows = told[told["choice"] == choice].sort_values("survival_gain")
        best = rows.iloc[-1]
        chosen[str(choice)] = str(best["level"] if best["survival_gain"] > 0 else best["reference"])
    return chosen


def usual_builds(
    lives: Lives,
    ranking: Ranking,
    units: int,
    *,
    level_costs: Mapping[str, Mapping[str, float]] | None = None,
    unit_cost: float | None = None,
) -> pd.DataFrame:
    """Return the two builds that every review asks about, as a table for `plan_season`."""
    units = check_whole("units", units, least=1)
    choices = list(dict.fromkeys(ranking.table["choice"]))
    places = ["environment"] if "environment" in lives.covariates.columns else []
    mix = lives.covariates[[*choices, *places]].astype(object)
    mix = mix.where(mix.notna(), "").assign(weight=lives.weight)
    mix = mix.groupby([*choices, *places], sort=True)["weight"].sum().reset_index()
    last = mix.drop(columns="weight").assign(build=LAST_SEASON, units=_apportion(mix["weight"].to_numpy(), units))
    chosen = supported_levels(ranking)
    frame = pd.concat([last, last.assign(build=SUPPORTED, **chosen)], ignore_index=True) if chosen else last
    frame = frame[frame["units"] > 0]
    frame = frame.groupby(["build", *choices, *places], sort=False)["units"].sum().reset_index()
    if unit_cost is not None:
        extra = sum(
            (frame[c].map(dict((level_costs or {}).get(c, {}))).fillna(0.0) for c in choices), np.zeros(len(frame))
        )
        frame["unit_cost"] = unit_cost + extra
    return frame


def _apportion(weights: np.ndarray, total: int) -> np.ndarray:
    """Whole numbers in the proportions of the weights that add up to the total (largest remainders)."""
    exact = weights / weights.sum() * total
    whole = np.floor(exact).astype(np.int64)
    short = total - int(whole.sum())
    whole[np.argsort(-(exact - whole), kind="stable")[:short]] += 1
    return np.asarray(whole)


def worth_of_levels(ranking: Ranking, level_costs: Mapping[str, Mapping[str, float]]) -> LevelWorth:
    """Return what each level's gain over its reference costs."""
    rows = []
    missing = 0
    for row in ranking.table.itertuples():
        costs = level_costs.get(row.choice, {})
        if row.level == row.reference:
            continue
        if row.level not in costs or row.reference not in costs:
            missing += 1
            continue
        extra = float(costs[row.level]) - float(costs[row.reference])
        sure = row.grade in SUPPORTED_GRADES and np.isfinite(row.lower) and row.lower > 0
        rows.append(
            {
                "choice": row.choice,
                "level": row.level,
                "reference": row.reference,
                "extra_cost": extra,
                "units_saved": 100 * row.survival_gain,
                "lower": 100 * row.lower,
                "upper": 100 * row.upper,
                "cost_per_unit_saved": extra / row.survival_gain if sure else float("nan"),
                "grade": row.grade,
            }
        )
    names = (
        "choice",
        "level",
        "reference",
        "extra_cost",
        "units_saved",
        "lower",
        "upper",
        "cost_per_unit_saved",
        "grade",
    )
    left_out = (
        "1 level has no cost in the settings and is"
        if missing == 1
        else f"{missing} levels have no cost in the settings and are"
    )
    notes = [f"{left_out} left out."] if missing else []
    notes.append("A price per unit saved is given only for gains graded clear or likely whose limits lie above zero.")
    return LevelWorth(columns={name: np.array([r[name] for r in rows]) for name in names}, notes=tuple(notes))
