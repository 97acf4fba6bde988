"""How many units to carry, to keep at the bench, and how much of each consumable to order?"""

import math
from dataclasses import dataclass

import numpy as np

from workbench.checks import check_confidence, check_positive, check_whole
from workbench.planning.rounds import RoundPlan
from workbench.results import Result

__all__ = ["CONSUMABLES", "SpareKit", "plan_spares", "stock_for"]

CONSUMABLES = {
    "lid seal": (0.1, 1.0),
    "cable seal or gland insert": (0.05, 1.0),
    "desiccant bag": (0.25, 1.0),
    "set of cells": (0.0, 1.0),
    "lid screw with washer": (0.2, 2.0),
    "memory card": (0.02, 0.3),
}
"""Use per unit visited and opened, and per unit swapped; common practice, no source: replace by your own counts."""


@dataclass(frozen=True, kw_only=True, eq=False)
class SpareKit(Result):
    """What to hold so that it suffices with a stated confidence.

    Table: item kind mean hold. kind is field swap (carried on a round), bench float (waiting for repair), or consumable
    (held over one lead time).
    """

    confidence: float


def plan_spares(
    rounds: RoundPlan,
    *,
    lead_days: float = 60.0,
    repair_days: float = 21.0,
    confidence: float = 0.9,
) -> SpareKit:
    """Size field swaps by the worst round, the bench float by the repair time, consumables by the lead time.

    Demand is Poisson with the mean of the schedule that `rounds` names best; the smallest stock s with
    P(demand <= s) >= confidence is held. Lead and repair time are at most the mission.

    References
    ----------
    Stock by Poisson demand over the time to renew it: IEC 62550 (spare parts provisioning); the formula from memory.
    """
    confidence = check_confidence(confidence)
    lead = min(check_positive("lead_days", lead_days), rounds.mission)
    repair = min(check_positive("repair_days", repair_days), rounds.mission)
    row = {name: float(values[rounds.best]) for name, values in rounds.columns.items()}
    per_day = row["swaps"] / rounds.mission
    visited = check_whole("units", rounds.units, least=1) * max(1.0, math.ceil(lead / row["spacing"]))
    items = [
        ("units carried on a round", "field swap", row["most_swaps"]),
        ("units waiting for repair", "bench float", per_day * repair),
        *((item, "consumable", a * visited + b * per_day * lead) for item, (a, b) in CONSUMABLES.items()),
    ]
    means = np.array([mean for _, _, mean in items])
    return SpareKit(
        columns={
            "item": np.array([name for name, _, _ in items], dtype=object),
            "kind": np.array([kind for _, kind, _ in items], dtype=object),
            "mean": means,
            "hold": np.array([stock_for(m, confidence) for m in means], dtype=np.int64),
        },
        confidence=confidence,
        notes=(
            f"Field swaps cover the round with most failures, the bench float {repair:g} days of repair, consumables"
            f" {lead:g} days from order to delivery.",
            "Failures that come together, as after a storm or from one bad batch, need more than this.",
        ),
    )


def stock_for(mean: float, confidence: float) -> int:
    """Return the smallest stock that Poisson demand of this mean exceeds with a chance of at most 1 - confidence."""
    from scipy.stats import poisson

    return int(poisson.ppf(confidence, mean)) if mean > 0 else 0
