"""Which rounds of visits lose the fewest days of data for their cost?"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from workbench.checks import check_positive, check_whole
from workbench.errors import UsageError
from workbench.lives import Lives
from workbench.planning.seen_shape import seen_weibull
from workbench.results import Result

__all__ = ["RoundPlan", "lost_and_swapped", "plan_rounds"]

FIRST_VISIT = 10.0
"""Days to an early first visit, which catches what was built or installed wrong; common practice, no source."""

TOLERATED = 0.03
"""Without prices: the share of data-days that may be lost (a judgement, no source)."""

_STEPS = 64
"""Points of the integral of each round."""


@dataclass(frozen=True, kw_only=True, eq=False)
class RoundPlan(Result):
    """Days of data lost under each schedule of visits, a dead unit being swapped at the next visit.

    Table: first spacing visits days_lost share_lost swaps most_swaps visit_cost loss cost. `best` is the row of least
    cost, or without prices that of the fewest visits whose loss is tolerable, among those with an early first visit.
    """

    best: int
    mission: float
    units: int
    unit: str = "days"


def plan_rounds(
    lives: Lives,
    *,
    mission: float,
    units: int,
    spacings: Sequence[float] = (14, 21, 28, 42, 56, 84),
    longest: float = np.inf,
    prices: tuple[float, float] = (np.nan, np.nan),
) -> RoundPlan:
    """Compare schedules of visits by the data-days that dead units lose; `prices`: of a round, and of a day of data.

    Every spacing is tried with and without an early first visit; spacings beyond `longest` (the life of cells and
    desiccant) are left out. Lives follow the Weibull fit of those seen, swapped units start afresh.
    """
    mission, units = check_positive("mission", mission), check_whole("units", units, least=1)
    gaps = sorted(check_positive("spacing", s) for s in spacings)
    if not gaps:
        raise UsageError("spacings must not be empty")
    usable = [g for g in gaps if g <= longest] or [min(gaps[0], longest)]
    day = lives.day
    if not np.isfinite(day):
        raise UsageError(f"rounds are planned in days; {lives.unit!r} is no unit of time that is known here")
    location, scale = seen_weibull(lives, "visits")
    rows = []
    for first in (FIRST_VISIT * day, None):
        for gap in usable:
            days = _schedule(first, gap, mission, day=day)
            lost, swaps = lost_and_swapped(location, scale, days)
            swapped = units * swaps
            rows.append(
                (first or gap, gap, len(days), units * lost / day, lost / mission, swapped.sum(), swapped.max())
            )
    table = dict(zip(_COLUMNS, np.array(rows, dtype=float).T, strict=True))
    table["visit_cost"] = table["visits"] * prices[0]
    table["loss"] = table["days_lost"] * prices[1]
    table["cost"] = table["visit_cost"] + table["loss"]
    notes = ["Lives follow the Weibull fit of those seen; a unit found dead is swapped at that visit."]
    if len(usable) < len(gaps):
        notes.append(f"Spacings over {longest:g} days are left out: cells or desiccant do not last longer.")
    early = np.arange(len(rows)) < len(usable)
    if np.isfinite(table["cost"]).all():
        best = int(np.argmin(np.where(early, table["cost"], np.inf)))
    else:
        notes.append(
            "Without the price of a round and the worth of a day of data, the fewest rounds are named that lose at most"
            f" {100 * TOLERATED:g} % of the data-days."
        )
        able = early & (table["share_lost"] <= max(TOLERATED, table["share_lost"][early].min()))
        best = int(np.argmin(np.where(able, table["visits"], np.inf)))
    return RoundPlan(columns=table, best=best, mission=mission, units=units, unit=lives.unit, notes=tuple(notes))


_COLUMNS = ("first", "spacing", "visits", "days_lost", "share_lost", "swaps", "most_swaps")


def _schedule(first: float | None, gap: float, mission: float, *, day: float) -> np.ndarray:
    """Times of the visits, the last being the retrieval at the mission's end."""
    start = min(first or gap, gap)
    days = np.arange(start, mission, gap)
    return np.append(days[days < mission - day], mission)


def lost_and_swapped(location: float, scale: float, days: np.ndarray) -> tuple[float, np.ndarray]:
    """Return the days lost per unit, and the swaps per unit at each visit, by renewal at the visits.

    Shapes: days (v,), swaps (v,).
    """

    def survival(age: np.ndarray) -> np.ndarray:
        with np.errstate(divide="ignore"):
            return np.asarray(np.exp(-np.exp((np.log(age) - location) / scale)))

    put_out, working = [0.0], [1.0]  # day on which a share of the units was put out, and that share, still working
    lost, swaps, before = 0.0, [], 0.0
    for day in days:
        steps = np.linspace(before, day, _STEPS + 1)
        dead = 0.0
        for i, start in enumerate(put_out):
            alive = survival(steps - start)
            share = working[i] * alive / alive[0]
            lost += float(np.trapezoid(working[i] - share, steps))
            dead += working[i] - share[-1]
            working[i] = float(share[-1])
        swaps.append(dead)
        put_out.append(float(day))
        working.append(dead)
        before = float(day)
    return lost, np.array(swaps)
