"""Records: what did each unit's own memory hold, reading by reading, until it stopped?"""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from workbench.checks import check_one_of
from workbench.errors import UsageError
from workbench.scenario.world import Place, Season, air_temperature, places

__all__ = ["RECORD_COLUMNS", "UnitLife", "lives_of", "records_of"]

RECORD_COLUMNS = ("time", "battery_v", "humidity_inside", "temperature_inside")
"""Columns of one unit's file."""

_FACTORY = datetime.datetime(2000, 1, 1)
"""Where a clock stands after it lost its time; common practice, no source."""

_WATER = (
    "lid_seal_leak",
    "gland_or_connector_leak",
    "breathing_past_seal",
    "vapour_condensation",
    "corrosion_contacts",
)
"""Mechanisms whose damp shows before the end; high water comes in hours and gives no such warning."""

_CUTOFF = 2.3
"""Voltage of two cells below which the logger stops, invented."""

_FADE = 12.0
"""Days of damp where the bench saw the data fade and the mechanism alone would show none, invented."""

_SOLAR_GAIN = {"full": 9.0, "partial": 5.0, "shaded": 1.5}
"""Warming of the enclosure by noon sun in kelvin, invented; a sun shield halves it."""


@dataclass(frozen=True, kw_only=True)
class UnitLife:
    """One row of a log as its memory lived it.

    Attributes
    ----------
    row : mapping of str to str
        Cells of the log.
    deployed : datetime.date
        Day it was put out.
    last : int
        Age at which it was taken home.
    dies : int
        First day without usable data (age).
    mechanism : str
        What ended it, "" if it lived to `last`.
    """

    row: Mapping[str, str]
    deployed: datetime.date
    last: int
    dies: int
    mechanism: str

    @property
    def failed(self) -> bool:
        """Whether it failed while it was out."""
        return self.dies <= self.last


def lives_of(log: pd.DataFrame, truth: Mapping[str, Any], units: Sequence[str] | None) -> tuple[Season, list[UnitLife]]:
    """Return the rows of a log whose units came back from their spell, as their memories lived them."""
    if len(truth["failure_day"]) != len(log):
        raise UsageError(f"the truth is of a log of {len(truth['failure_day'])} rows; this one has {len(log)}")
    for unit in units or ():
        check_one_of("units", unit, list(log["unit_id"]))
    season = Season(start=truth["start"], days=truth["season_days"], sites=truth["sites"])
    lives = []
    for i, row in enumerate(log.to_dict("records")):
        back = row["outcome"] in ("failed", "working") or row["withdrawn_reason"] in (
            "landowner",
            "moved",
            "end_of_trial",
        )
        if pd.isna(row["found_on"]) or not back or (units is not None and row["unit_id"] not in units):
            continue
        deployed = datetime.date.fromisoformat(row["deployed_on"])
        last = (datetime.date.fromisoformat(row["found_on"]) - deployed).days
        dies = int(truth["failure_day"][i])
        if dies > 1:
            lives.append(UnitLife(row=row, deployed=deployed, last=last, dies=dies, mechanism=truth["mechanism"][i]))
    return season, lives


def records_of(
    life: UnitLife, season: Season, every_hours: int, *, rng: np.random.Generator
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Return the records of one unit and the truth about them."""
    age = np.arange(0.5, (life.dies if life.failed else life.last + 0.4) - 1e-9, every_hours / 24)
    midnight = life.failed and life.mechanism == "firmware_fault" and rng.random() < 0.4
    if life.failed and not midnight:  # some reading of the last day with data is the last
        age = age[: int(rng.integers(np.searchsorted(age, life.dies - 1), age.size)) + 1]
    end = float(age[-1])
    site = {p.name: p for p in places(season.sites)}[life.row["site"]]
    temperature = _inside_temperature(life, season, site, age=age, rng=rng)
    lead = _lead(life, rng)
    humidity = _inside_humidity(life, site, age, temperature=temperature, damp=(end, lead), rng=rng)
    battery = _battery(life, age, temperature, end=end, rng=rng)
    start = datetime.datetime.combine(life.deployed, datetime.time())
    time = pd.to_datetime(start) + pd.to_timedelta(np.round(age * 24).astype(int), unit="h")
    reset = int(0.6 * age.size) if life.mechanism == "firmware_fault" and life.failed and rng.random() < 0.5 else None
    shown = time if reset is None else time[:reset].append(time[reset:] - time[reset] + pd.Timestamp(_FACTORY))
    keep = rng.random(age.size) >= 0.004  # a record lost now and then
    keep[-1:] = True
    table = pd.DataFrame(
        {
            "time": shown.strftime("%Y-%m-%d %H:%M"),
            "battery_v": np.round(battery, 2),
            "humidity_inside": np.round(humidity).astype(int),
            "temperature_inside": np.round(temperature, 1),
        }
    )[keep]
    truth = {
        "unit_id": life.row["unit_id"],
        "deployment": int(life.row["deployment"]),
        "failed": life.failed,
        "mechanism": life.mechanism if life.failed else "",
        "last_record": str(time[-1]) if age.size else None,
        "failure_day": life.dies if life.failed else None,
        "damp_from": round(end - lead, 2) if lead else None,
        "clock_lost_at": None if reset is None else str(time[reset]),
        "records_kept": int(keep.sum()),
        "records_missing": int((~keep).sum()),
    }
    return table.reset_index(drop=True), truth


def _inside_temperature(
    life: UnitLife, season: Season, site: Place, *, age: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Daily mean of the place, warm and cold spells, the hour of the day and the sun on the enclosure."""
    offset = (life.deployed - season.first_day).days
    daily = air_temperature(season, site, offset + life.last + 2)
    mean = np.interp(offset + age, np.arange(daily.size) + 0.5, daily)
    spells = np.convolve(rng.normal(0, 1.4, life.last + 8), 0.75 ** np.arange(7))[: life.last + 2]
    noon = np.cos(2 * np.pi * (age - 14 / 24))
    shade = 0.5 if life.row["shade"] == "yes" else 1.0
    sun = shade * _SOLAR_GAIN[site.sun] * np.clip(noon, 0, None) * rng.uniform(0.2, 1.0, life.last + 2)[age.astype(int)]
    return np.asarray(mean + spells[age.astype(int)] + 4.0 * noon + sun + rng.normal(0, 0.3, age.size))


def _saturated(temperature: np.ndarray) -> np.ndarray:
    """Vapour pressure over water in hPa (Magnus formula, constants of WMO-No. 8)."""
    return 6.112 * np.exp(17.62 * temperature / (243.12 + temperature))


def _lead(life: UnitLife, rng: np.random.Generator) -> float:
    """Days of damp before the end, 0 without any; the bench read the same file, so what it wrote down holds."""
    wet = life.failed and life.mechanism in _WATER and rng.random() >= 0.15
    days = 3.0 + rng.gamma(2.0, 7.0) if wet else 0.0
    seen = life.row.get("data_fade_before_end")
    days = 0.0 if seen == "no" else days or _FADE if seen == "yes" and life.failed else days
    return float(min(life.dies * 0.8, days))


def _inside_humidity(
    life: UnitLife,
    site: Place,
    age: np.ndarray,
    *,
    temperature: np.ndarray,
    damp: tuple[float, float],
    rng: np.random.Generator,
) -> np.ndarray:
    """Vapour comes slowly through plastic and seals, fast where water gets in; a desiccant holds it off for weeks."""
    end, lead = damp
    slow = rng.uniform(35, 70) if life.row["desiccant"] == "silica_gel" else rng.uniform(12, 25)
    usual = pd.Series(temperature).groupby(age.astype(int)).transform("mean").to_numpy()
    humid = (0.70 + 0.05 * site.drive("damp")) * (0.45 + 0.55 * (1 - np.exp(-age / slow)))
    swing = (_saturated(usual) / _saturated(temperature)) ** 0.35  # walls and board take up and give back vapour
    humid = humid * swing
    if lead:
        wet = np.clip((age - (end - lead)) / lead, 0, 1) ** 0.7
        humid = humid + wet * (1.02 - humid)
    return np.asarray(np.clip(100 * humid + rng.normal(0, 1.0, age.size), 3, 100))


def _battery(
    life: UnitLife, age: np.ndarray, temperature: np.ndarray, *, end: float, rng: np.random.Generator
) -> np.ndarray:
    """Two 1.5 V cells in series: a long plateau, the knee at the end of charge, less in the cold."""
    exhausted = life.failed and life.mechanism == "battery_exhausted"
    empty_at = end if exhausted else max(250.0, life.last) * rng.uniform(1.25, 2.2)
    used = age / empty_at
    lithium = life.row["battery_chemistry"] == "lithium_iron_disulfide"
    plateau = 3.05 - 0.12 * used if lithium else 3.15 - 0.45 * used
    knee = (plateau - _CUTOFF) * np.clip((used - 0.9) / 0.1, 0, 1) ** (3.0 if lithium else 2.0)
    cold = (0.002 if lithium else 0.006) * np.clip(15 - temperature, 0, None) * (1 + used)
    return np.asarray(np.clip(plateau - knee - cold + rng.normal(0, 0.008, age.size), 0, None))
