"""Truth: what a simulated season was made of, as plain values that a test can compare an estimate with."""

from typing import Any

import numpy as np
import pandas as pd

from workbench.scenario.world.choices import CHOICES
from workbench.scenario.world.mechanisms import MECHANISMS
from workbench.scenario.world.places import CORROSIVITY_EFFECTS, ENVIRONMENT_EFFECTS
from workbench.scenario.world.spells import Spell, World

__all__ = ["truth_of"]


def truth_of(world: World, spells: list[Spell]) -> dict[str, Any]:
    """Return the truth behind a season; `simulate_season` documents the keys."""
    season, law, names = world.season, world.law, list(MECHANISMS)
    fleet = pd.DataFrame([s.unit for s in spells])
    ages = np.array([s.ages for s in spells])
    strength = season.exposure_strength
    return {
        "mission_days": season.mission,
        "season_days": season.days,
        "start": season.start,
        "sites": season.sites,
        "effects": {c: dict(levels) for c, levels in world.effects.items()},
        "prevents": {c: names if not season.competing else list(choice.prevents) for c, choice in CHOICES.items()},
        "environment_effects": {k: strength * v for k, v in ENVIRONMENT_EFFECTS.items()},
        "corrosivity_effects": {k: strength * v for k, v in CORROSIVITY_EFFECTS.items()},
        "site_effects": {p.name: float(e) for p, e in zip(world.sites, world.site_effects, strict=True)},
        "drives": {
            name: {p.name: float(p.drive(m.driver) ** strength) for p in world.sites} if season.competing else {}
            for name, m in MECHANISMS.items()
        },
        "shape": dict(zip(names, law.shape.tolist(), strict=True)),
        "scale": dict(zip(names, law.scale.tolist(), strict=True)),
        "alias": {season.alias: "batch"} if season.alias else {},
        "failure_day": [int(s.fate.dies) for s in spells],
        "mechanism": [s.mechanism for s in spells],
        "cause": [s.cause for s in spells],
        "kit": [str(s.unit["kit"]) for s in spells],
        "storm_days": world.weather.storms.tolist(),
        "flood_days": {p.name: d.tolist() for p, d in zip(world.sites, world.weather.floods, strict=True)},
        "mechanism_days": {name: np.round(ages[:, j], 3).tolist() for j, name in enumerate(names)},
        "lost_day": [int(s.fate.lost) if np.isfinite(s.fate.lost) else None for s in spells],
        "visit_days": [s.visits.tolist() for s in spells],
        **_standardised(world, fleet, np.array([s.deployed for s in spells])),
    }


def _standardised(world: World, fleet: pd.DataFrame, start: np.ndarray) -> dict[str, Any]:
    """Survival of the mission and restricted mean, averaged over the rows, with each level put in for all."""
    works = 1 - world.season.dead_on_arrival_share

    def both(changed: pd.DataFrame) -> tuple[float, float]:
        survival = works * world.law.mean_survival(world.season.mission, world.standing(changed, start))
        return float(survival[-1]), float(np.trapezoid(survival))

    whole, table = both(fleet), {}
    for name, choice in CHOICES.items():
        by_effect = {world.effects[name][level]: level for level in choice.levels}  # equal effects share one answer
        known = {effect: both(fleet.assign(**{name: level})) for effect, level in by_effect.items()}
        table[name] = {level: known[world.effects[name][level]] for level in choice.levels}
    return {
        "fleet_mission_survival": whole[0],
        "fleet_restricted_mean": whole[1],
        "mission_survival": {c: {level: v[0] for level, v in levels.items()} for c, levels in table.items()},
        "restricted_mean": {c: {level: v[1] for level, v in levels.items()} for c, levels in table.items()},
    }
