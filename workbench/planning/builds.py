"""Builds to compare: as last season, and with the levels that the ranking supports; and what each gain costs."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.checks import check_whole
from workbench.lives import Lives
from workbench.ranking.choices import Ranking
from workbench.results import Result
from workbench.wording import SUPPORTED_GRADES, count_of

__all__ = ["LevelWorth", "supported_levels", "usual_builds", "worth_of_levels"]

LAST_SEASON, SUPPORTED = "as last season", "best supported levels"
WORTH_COLUMNS = (
    "choice", "level", "reference", "grade", "extra_cost", "units_switched", "units_saved", "lower", "upper", "cost",
    "cost_per_unit_saved", "cost_lower", "cost_upper",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelWorth(Result):
    """What the gain of each level costs, the most gain for the money first, then what has no sure gain.

    Table: choice level reference grade extra_cost (per unit) units_switched (those with the reference) units_saved
    (more alive at the mission's end if these had the level) lower upper cost (of switching) cost_per_unit_saved
    cost_lower cost_upper. The last three are NaN unless the gain is graded clear or likely and above zero; cost_upper
    is NaN too where the limits leave room for no gain.
    """

    @property
    def sure(self) -> "pd.DataFrame":
        """The rows of levels whose gain is sure enough to set money against it."""
        return self.table.dropna(subset=["cost_per_unit_saved"])


def supported_levels(ranking: Ranking, preferred: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return the levels that the season supports: of each choice with a comparison graded clear or likely, the best.

    A level that is preferred of its choice comes before a better one where it is supported itself.
    """
    table = ranking.table
    told = table[table["grade"].isin(SUPPORTED_GRADES)]
    chosen = {}
    for choice in dict.fromkeys(told["choice"]):
        rows = told[told["choice"] == choice].sort_values("survival_gain")
        wanted = rows[(rows["level"] == (preferred or {}).get(choice)) & (rows["survival_gain"] > 0)]
        best = (rows if wanted.empty else wanted).iloc[-1]
        chosen[str(choice)] = str(best["level"] if best["survival_gain"] > 0 else best["reference"])
    return chosen


def usual_builds(
    lives: Lives,
    ranking: Ranking,
    units: int,
    *,
    level_costs: Mapping[str, Mapping[str, float]] | None = None,
    unit_cost: float | None = None,
    preferred: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Return the two builds that every review asks about, as a table for `plan_season`."""
    units = check_whole("units", units, least=1)
    choices = list(dict.fromkeys(ranking.table["choice"]))
    places = ["environment"] if "environment" in lives.covariates.columns else []
    mix = lives.covariates[[*choices, *places]].astype(object)
    mix = mix.where(mix.notna(), "").assign(weight=lives.weight)
    mix = mix.groupby([*choices, *places], sort=True)["weight"].sum().reset_index()
    last = mix.drop(columns="weight").assign(build=LAST_SEASON, units=_apportion(mix["weight"].to_numpy(), units))
    chosen = supported_levels(ranking, preferred)
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


def worth_of_levels(
    ranking: Ranking, level_costs: Mapping[str, Mapping[str, float]], units: int | None = None
) -> LevelWorth:
    """Return what it costs to give each level to the units that carry its reference, in the fleet as it is built.

    `units`: size of the fleet, built as the lives were; the lives themselves where it is not given.
    """
    table = ranking.table
    carried = table.set_index(["choice", "level"])["units"]
    scale = 1.0 if units is None else units / max(ranking.units, 1)
    rows, missing = [], 0
    for row in table[table["level"] != table["reference"]].itertuples():
        costs = level_costs.get(row.choice, {})
        if row.level not in costs or row.reference not in costs:
            missing += 1
            continue
        extra = float(costs[row.level]) - float(costs[row.reference])
        switched = scale * float(carried[row.choice, row.reference])
        sure = row.grade in SUPPORTED_GRADES and row.survival_gain > 0
        rows.append(
            {
                "choice": row.choice,
                "level": row.level,
                "reference": row.reference,
                "grade": row.grade,
                "extra_cost": extra,
                "units_switched": switched,
                "units_saved": switched * row.survival_gain,
                "lower": switched * row.lower,
                "upper": switched * row.upper,
                "cost": switched * extra,
                "cost_per_unit_saved": extra / row.survival_gain if sure else np.nan,
                "cost_lower": extra / row.upper if sure else np.nan,
                "cost_upper": extra / row.lower if sure and row.lower > 0 else np.nan,
            }
        )
    rows.sort(key=lambda r: (not np.isfinite(r["cost_per_unit_saved"]), np.nan_to_num(r["cost_per_unit_saved"])))
    verb = "has no cost in the settings and is" if missing == 1 else "have no cost in the settings and are"
    notes = [f"{count_of(missing, 'level')} {verb} left out."] if missing else []
    notes.append(
        "Money is set against gains graded clear or likely only. Units that carry the reference get the level; the "
        "others stay as they are."
    )
    columns = {name: np.array([r[name] for r in rows]) for name in WORTH_COLUMNS}
    return LevelWorth(columns=columns, notes=tuple(notes))
