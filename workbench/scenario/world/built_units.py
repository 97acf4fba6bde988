"""Fleet: which unit stands where and what it carries, drawn by chance, by site (confounding) and by batch (alias)."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from workbench.scenario.world.choices import CHOICES, KITS, level_names
from workbench.scenario.world.places import places
from workbench.scenario.world.simulated_season import Season

__all__ = ["draw_fleet"]

BATCHES = {"B1": 1 / 3, "B2": 1 / 3, "B3": 1 / 3}
FIRMWARE = ("1.4", "1.5")


def draw_fleet(n: int, season: Season, rng: np.random.Generator) -> pd.DataFrame:
    """Return the units of a season as they were built and placed."""
    sites = places(season.sites)
    place = rng.permutation(np.arange(n) % len(sites))
    first = season.first_number
    width = max(3, len(str(first + n - 1)))
    batches = dict(season.batches or BATCHES)
    fleet: dict[str, Any] = {
        "unit_id": [f"{season.unit_prefix}{first + i:0{width}d}" for i in range(n)],
        "place": place,
        "batch": _draw(batches, n, rng),
        "firmware": rng.choice(FIRMWARE, size=n),
    }
    fleet["kit"] = _draw({name: share for name, (share, _) in KITS.items()}, n, rng)
    for choice, levels in CHOICES.items():
        given = (season.shares or {}).get(choice)
        drawn = _draw(given or {level: row[0] for level, row in levels.levels.items()}, n, rng)
        by_kit = np.array([KITS[kit][1][choice] for kit in fleet["kit"]], dtype=object)
        fleet[choice] = np.where((rng.random(n) < season.kit_share) & (given is None), by_kit, drawn)
    follows = rng.random(n) < season.confounding
    fleet["lid_seal"] = np.where(follows, _seal_by_harshness(fleet["lid_seal"], place, sites), fleet["lid_seal"])
    if season.alias is not None:
        names, order = list(batches), level_names()[season.alias]
        by_batch = {name: order[i * len(order) // len(names)] for i, name in enumerate(names)}
        fleet[season.alias] = np.array([by_batch[b] for b in fleet["batch"]], dtype=object)
    return pd.DataFrame(fleet)


def _draw(shares: Mapping[str, float], n: int, rng: np.random.Generator) -> np.ndarray:
    weights = np.array(list(shares.values()), dtype=float)
    return rng.choice(np.array(list(shares), dtype=object), size=n, p=weights / weights.sum())


def _seal_by_harshness(seals: np.ndarray, place: np.ndarray, sites: tuple[Any, ...]) -> np.ndarray:
    """Hand the seals that were drawn to the units again: the best to the harshest sites."""
    levels = np.array(level_names()["lid_seal"], dtype=object)
    rank = np.array([list(levels).index(s) for s in seals])
    harshness = np.array([-sites[p].effect for p in place])
    by_site = np.lexsort((np.arange(len(place)), harshness))
    handed = np.empty(len(place), dtype=object)
    handed[by_site] = levels[np.sort(rank)]
    return handed
