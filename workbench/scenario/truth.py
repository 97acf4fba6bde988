"""Truth: what a simulated season was made of, as plain values that a test can compare an estimate with."""

from typing import Any

import numpy as np
import pandas as pd

from workbench.scenario.choices import CHOICES
from workbench.scenario.mechanisms import MECHANISMS
from workbench.scenario.places import CORROSIVITY_EFFECTS, ENVIRONMENT_EFFECTS
from workbench.scenario.spells import Spell, World

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
        "effects": {c: dict(levels) for c, levels in world.effects.items()},
        "prevents": {c: names if not season.competing else list(choice.prevents) for c, choice in CHOICES.items()},
        "environment_effects": {k: strength * v for k, v in ENVIRONMENT_EFFECTS.items()},
        "corrosivity_effects": {k: strength * v for k, v in CORROSIVITY_EFFECTS.items()},
        "site_effects": {p.name: float(e) for p, e in zip(world.sites, world.site_effects, strict=True)},
        "shape": dict(zip(names, law.shape.tolist(), strict=True)),
        "scale": dict(zip(names, law.scale.tolist(), strict=True)),
        "alias": {season.alias: "batch"} if season.alias else {},
        "failure_day": [int(s.fate.dies) for s in spells],
        "mechanism": [s.mechanism for s in spells],
        "mechanism_days": {name: np.round(ages[:, j], 3).tolist() for j, name in enumerate(names)},
        "lost_day": [int(s.fate.lost) if np.isfinite(s.fate.lost) else None for s in spells],
        "visit_days": [s.visits.tolist() for s in spells],
        **_standardised(world, fleet),
    }


def _standardised(world: World, fleet: pd.DataFrame) -> dict[str, Any]:
    """Survival of the mission and restricted mean, averaged over the rows, with each level put in for all."""
    days = np.arange(world.season.mission + 1, dtype=float)
    works = 1 - world.season.dead_on_arrival_share

    def both(changed: pd.DataFrame) -> tuple[float, float]:
        survival = works * world.law.mean_survival(days, world.eta(changed))
        return float(survival[-1]), float(np.trapezoid(survival, days))

    whole = both(fleet)
    table = {c: {level: both(fleet.assign(**{c: level})) for level in choice.levels} for c, choice in CHOICES.items()}
    return {
        "fleet_mission_survival": whole[0],
        "fleet_restricted_mean": whole[1],
        "mission_survival": {c: {level: v[0] for level, v in levels.items()} for c, levels in table.items()},
        "restricted_mean": {c: {level: v[1] for level, v in levels.items()} for c, levels in table.items()},
    }
