"""Logbook: spells written down as the rows of a log, every cell as a person would type it."""

import datetime
from collections.abc import Mapping

import numpy as np
import pandas as pd

from workbench.scenario.paper.bench import MEASURED, open_unit, verdict_on
from workbench.scenario.paper.notes import remark
from workbench.scenario.world import CHOICES, SIGNS, Season, Spell, World

__all__ = ["LOG_COLUMNS", "write_log"]

_IDENTITY = ("unit_id", "deployment", "batch", "firmware", "season", "site", "latitude", "longitude")
_TIMES = ("deployed_on", "last_good_on", "failed_on", "found_on", "observed_from", "time_basis")
_OUTCOME = ("outcome", "withdrawn_reason")
_EXPOSURE = (
    "environment",
    "corrosivity",
    "elevation_m",
    "distance_to_salt_water_m",
    "sun",
    "animal_pressure",
    "foot_traffic",
)
_TEARDOWN = ("condition_found", "opened_on", "days_wet_before_opening")
_VERDICT = ("mechanism", "cause", "confidence", "analyst")

LOG_COLUMNS: tuple[str, ...] = (
    *_IDENTITY,
    *_TIMES,
    *_OUTCOME,
    *_EXPOSURE,
    *CHOICES,
    *_TEARDOWN,
    *MEASURED,
    *SIGNS,
    *_VERDICT,
    "unit_cost",
    "notes",
)
"""Columns of the log in order."""

UNIT_COST = 61.0
"""Cost of a unit with the plain level of every choice, in the money of the network."""


def write_log(world: World, spells: list[Spell], rng: np.random.Generator) -> pd.DataFrame:
    """Return the log of the spells."""
    rows = [_row(s, world, rng) for s in spells]
    frame = pd.DataFrame(rows).reindex(columns=list(LOG_COLUMNS)).astype(object)
    return frame.where(frame.notna() & (frame != ""), np.nan)


def _row(spell: Spell, world: World, rng: np.random.Generator) -> dict[str, str]:
    inside = _inside(spell, world, rng)
    wet = inside["condition_found"] != "dry" if inside else None
    note = {"notes": remark(spell, world, wet=wet, rng=rng)}
    return {**_where(spell, world), **_when(spell, world.season), **inside, **note}


def _date(season: Season, day: int | None) -> str:
    return "" if day is None else (season.first_day + datetime.timedelta(days=int(day))).isoformat()


def _where(spell: Spell, world: World) -> dict[str, str]:
    unit, place = spell.unit, world.sites[spell.unit["place"]]
    row = {name: str(unit[name]) for name in ("unit_id", "batch", "firmware", *CHOICES)}
    row |= {name: str(getattr(place, name)) for name in _EXPOSURE}
    cost = UNIT_COST + sum(CHOICES[c].levels[unit[c]][2] for c in CHOICES)
    return row | {
        "deployment": str(spell.deployment),
        "season": world.season.name,
        "site": place.name,
        "latitude": f"{place.latitude:.4f}",
        "longitude": f"{place.longitude:.4f}",
        "unit_cost": f"{cost:.2f}",
    }


def _when(spell: Spell, season: Season) -> dict[str, str]:
    def dated(age: int | None) -> str:
        return "" if age is None else _date(season, spell.deployed + age)

    ending = spell.ending
    return {
        "deployed_on": dated(0),
        "observed_from": dated(spell.entered) if spell.entered else "",
        "last_good_on": dated(ending.last_good),
        "failed_on": dated(ending.failed),
        "found_on": dated(ending.found),
        "time_basis": ending.basis,
        "outcome": ending.outcome,
        "withdrawn_reason": _reason(spell) if ending.outcome == "withdrawn" else "",
    }


def _reason(spell: Spell) -> str:
    if spell.doing == "refitted":
        return "refit"
    return ("landowner", "moved", "end_of_trial")[int(spell.unit["unit_id"][-1]) % 3]


def _inside(spell: Spell, world: World, rng: np.random.Generator) -> Mapping[str, str]:
    season, ending = world.season, spell.ending
    failed = ending.outcome == "failed"
    opens = season.opened_failed_share if failed else season.opened_alive_share
    drawn = rng.random()
    if ending.outcome == "missing" or ending.found is None or spell.doing == "refitted" or drawn >= opens:
        return {}
    dampness = float(np.exp(-2 * world.effects["lid_seal"][spell.unit["lid_seal"]]))
    seen = open_unit(spell, world.sites[spell.unit["place"]], dampness, season=season, rng=rng)
    opened = _date(season, spell.deployed + ending.found + int(rng.integers(2, 25)))
    return {"opened_on": opened, **seen, **(verdict_on(spell, season, rng) if failed else {})}
