"""What course did each unit's readings take before its end, as numbers that the dictionary's limits turn into signs?"""

from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.records.reduction import QUANTITIES

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["BEFORE", "LIMITED", "courses_of", "days_above"]

LIMITED = (
    "wrong_readings_percent", "battery_fall_percent", "humidity_end_percent", "colder_share_percent",
    "readings_to_midnight",
)  # fmt: skip
"""Numbers that limits of the dictionary turn into signs."""

BEFORE = (14, 21)
"""Days before the end that the end is compared with; judgement."""

_FEWEST = 4
"""Readings of a day from which on it can be seen to stand still."""
_SATURATED = 99.0
_HOURLY = 3600.0


def courses_of(daily: "pd.DataFrame", spells: "pd.DataFrame") -> "pd.DataFrame":
    """Return one row of numbers per unit and deployment, in the order of `spells`.

    missing_percent, longest_gap_hours, gap_from, wrong_readings_percent; battery_fall_percent, humidity_end_percent and
    colder_share_percent of what was recorded before the end, NaN where it was not; readings_to_midnight for units that
    record every hour or oftener.
    """
    import pandas as pd

    days = dict(list(daily.groupby(["unit", "deployment"], sort=False)))
    rows = [_course(days[row["unit"], row["deployment"]], row) for row in spells.to_dict("records")]
    return pd.DataFrame(rows, index=spells.index)


def days_above(days: "pd.DataFrame", name: str, limit: float) -> float:
    """Return for how many days before its last reading a unit's course stood above a limit without a break.

    `days` holds the unit's days in their order; NaN where the course does not end above the limit.
    """
    number = len(days)
    while number and _course_on(days.iloc[:number], name) > limit:
        number -= 1
    return float((days["day"].iloc[-1] - days["day"].iloc[number]).days) if number < len(days) else np.nan


def _course_on(days: "pd.DataFrame", name: str) -> float:
    """A course as it stood on the last of some days; NaN where it was not recorded."""
    if name == "humidity_end_percent":
        return float(days["humidity_inside_mean"].iloc[-1])
    return _fall(days["battery_v_mean"].to_numpy(), _days_ago(days))


def _days_ago(days: "pd.DataFrame") -> np.ndarray:
    return np.asarray((days["day"].iloc[-1] - days["day"]).dt.days)


def _course(days: "pd.DataFrame", spell: dict[str, Any]) -> dict[str, Any]:
    step, readings = float(spell["step"]), int(spell["readings"])
    span = (spell["last"] - spell["first"]).total_seconds()
    expected = span / step + 1 if step > 0 else np.nan
    gap = days["gap"].max()
    ago = _days_ago(days)
    midnight = (spell["last"].normalize() - spell["last"]).total_seconds() + 86_400
    return {
        "missing_percent": 100 * max(0.0, 1 - readings / expected) if expected > 1 else np.nan,
        "longest_gap_hours": gap / 3600 if gap > 0 else np.nan,
        "gap_from": days["gap_from"].iloc[int(days["gap"].fillna(-1).to_numpy().argmax())] if gap > 0 else None,
        "wrong_readings_percent": 100 * _wrong(days) / max(readings, 1),
        "battery_fall_percent": _fall(days["battery_v_mean"].to_numpy(), ago),
        "humidity_end_percent": float(days["humidity_inside_mean"].iloc[-1]),
        "colder_share_percent": _colder(days, spell),
        "readings_to_midnight": midnight / step if 0 < step <= _HOURLY else np.nan,
    }


def _wrong(days: "pd.DataFrame") -> float:
    """Readings that cannot be, and those of days on which temperature or humidity did not move at all."""
    still = np.zeros(len(days), dtype=bool)
    for name in ("temperature_inside", "humidity_inside"):
        same = (days[f"{name}_n"] >= _FEWEST) & (days[f"{name}_least"] == days[f"{name}_most"])
        still |= (same & ~((name == "humidity_inside") & (days[f"{name}_most"] >= _SATURATED))).to_numpy()
    impossible = sum(days[f"{name}_impossible"].to_numpy() for name in QUANTITIES)
    return float(np.where(still, days["readings"].to_numpy(), np.minimum(impossible, days["readings"])).sum())


def _fall(mean: np.ndarray, ago: np.ndarray) -> float:
    """By how much, in percent, the last day's mean lies below that of two to three weeks before; shapes: (d,), (d,)."""
    base = _base(mean, ago)
    return 100 * (base - mean[-1]) / base if base > 0 else np.nan


def _base(mean: np.ndarray, ago: np.ndarray) -> float:
    """The mean of two to three weeks before the end; shapes: mean (d,), ago (d,)."""
    inside = mean[(ago >= BEFORE[0]) & (ago <= BEFORE[1])]
    inside = inside[~np.isnan(inside)]
    return float(inside.mean()) if inside.size else np.nan


def _colder(days: "pd.DataFrame", spell: dict[str, Any]) -> float:
    """In percent, the days that went colder than where it ended; 100 when it did not end in frost."""
    end, least = spell["last_temperature_inside"], days["temperature_inside_least"].to_numpy()
    if not np.isfinite(end) or np.isnan(least).all():
        return np.nan
    return 100.0 if end >= 0 or len(days) < 20 else 100 * float(np.mean(least < end))
