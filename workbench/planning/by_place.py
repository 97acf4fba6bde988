"""What would a level save, and cost, put in everywhere or only in the kinds of place where it helps?"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from workbench.ranking.checks import DIFFERING_P
from workbench.ranking.choices import HELPS, WhereItHelps
from workbench.results import Result
from workbench.wording import count_of

__all__ = ["EVERYWHERE", "WHERE_IT_HELPS", "BuildsByPlace", "builds_by_place"]

EVERYWHERE, WHERE_IT_HELPS = "everywhere", "only where it helps"
COLUMNS = (
    "choice", "level", "reference", "build", "places", "units_switched", "units_saved", "lower", "upper", "cost",
    "cost_per_unit_saved", "cost_lower", "cost_upper",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class BuildsByPlace(Result):
    """Two builds for each level that helps in some kinds of place and not in others, beyond chance; else no row.

    Table: choice level reference build places (names) units_switched (those with the reference)
    units_saved (more alive at the mission's end) lower upper cost cost_per_unit_saved cost_lower cost_upper. Costs are
    NaN without prices; the last three also where the limits leave room for no unit saved.
    """


def builds_by_place(
    where: WhereItHelps, level_costs: Mapping[str, Mapping[str, float]], *, scale: float = 1.0
) -> BuildsByPlace:
    """Return what each level would save put into all units that carry its reference, or only into those it helps.

    Limits of the places hold together, so their sum holds too and is too wide rather than too narrow. `scale` is the
    size of the fleet built over that of the lives.
    """
    rows, untold = [], 0.0
    table = where.table
    for (choice, level), found in table.groupby(["choice", "level"], sort=False):
        known = found[np.isfinite(found["survival_gain"])]
        helped = known[known["verdict"] == HELPS]
        if not (found["p_value"] < DIFFERING_P).any() or helped.empty or len(helped) == len(known):
            continue
        costs = level_costs.get(str(choice), {})
        reference = str(found["reference"].iloc[0])
        extra = float(costs[level]) - float(costs[reference]) if {level, reference} <= set(costs) else np.nan
        named = {"choice": choice, "level": level, "reference": reference}
        for build, part in ((EVERYWHERE, known), (WHERE_IT_HELPS, helped)):
            rows.append(named | {"build": build} | _saved(part, extra, scale))
        untold += float(found["reference_units"].sum() - known["reference_units"].sum())
    notes = [
        "Limits are those of the places added up: too wide rather than too narrow.",
        "Units that go missing are not in it.",
    ]
    if untold:
        units = count_of(round(scale * untold), "unit")
        notes.append(f"{units} stand where nothing can be told, and keep what they have.")
    columns = {name: np.array([row[name] for row in rows]) for name in COLUMNS if name != "places"}
    columns["places"] = np.array([row["places"] for row in rows] + [None], dtype=object)[:-1]
    return BuildsByPlace(columns=columns, notes=tuple(notes) if rows else ())


def _saved(part: Any, extra: float, scale: float) -> dict[str, Any]:
    """Units that get the level in some places, how many more live, and the money."""
    units = scale * part["reference_units"].to_numpy(dtype=float)
    saved, lower, upper = (float(units @ part[name]) for name in ("survival_gain", "lower", "upper"))
    cost = float(units.sum()) * extra
    sure = lower > 0
    return {
        "places": tuple(part["environment"].astype(str)),
        "units_switched": float(units.sum()),
        "units_saved": saved,
        "lower": lower,
        "upper": upper,
        "cost": cost,
        "cost_per_unit_saved": cost / saved if sure else np.nan,
        "cost_lower": cost / upper if sure else np.nan,
        "cost_upper": cost / lower if sure else np.nan,
    }
