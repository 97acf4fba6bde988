"""Bench: which units were opened, the signs found, the condition, and the verdict that a person came to."""

import numpy as np

from workbench.scenario.mechanisms import ALIVE, BUILD_ERROR, MECHANISMS, Mechanism
from workbench.scenario.signs import BACKGROUND, SIGNS, WET_SIGNS
from workbench.scenario.simulated_season import Season

__all__ = ["open_unit", "verdict_on"]

ANALYSTS = ("bench_technician", "field_lead", "volunteer")


def _known(mechanism: str) -> Mechanism:
    return {**MECHANISMS, "build_error": BUILD_ERROR, "": ALIVE}[mechanism]


def open_unit(mechanism: str, dampness: float, season: Season, *, rng: np.random.Generator) -> dict[str, str]:
    """Return what was seen inside one unit."""
    known = _known(mechanism)
    chance = known.wet if mechanism else min(1.0, known.wet * dampness)
    condition = "dry" if rng.random() >= chance else ("wet" if rng.random() < 0.6 else "damp")
    present = {s: bool(rng.random() < known.signs.get(s, BACKGROUND)) for s in SIGNS}
    if condition != "dry" or any(present[s] for s in WET_SIGNS):
        present["dry_and_clean_inside"] = False
    looked = rng.random(len(SIGNS)) >= season.not_checked_share
    seen = {
        s: ("yes" if present[s] else "no") if looks else "not_checked" for s, looks in zip(SIGNS, looked, strict=True)
    }
    wet = {"days_wet_before_opening": str(int(rng.integers(1, 15)))} if condition == "wet" else {}
    return {"condition_found": condition, **wet, **seen}


def verdict_on(mechanism: str, season: Season, rng: np.random.Generator) -> dict[str, str]:
    """Return the verdict on an opened failed unit."""
    analyst = str(rng.choice(ANALYSTS))
    if rng.random() < season.undetermined_share:
        return {"analyst": analyst}
    named, confidence = mechanism, str(rng.choice(["sure", "likely", "unsure"], p=[0.55, 0.35, 0.10]))
    if rng.random() < season.wrong_verdict_share:
        named = str(rng.choice([m for m in MECHANISMS if m != mechanism]))
        confidence = "unsure" if rng.random() < 0.5 else "likely"
    return {"mechanism": named, "cause": _known(named).cause, "confidence": confidence, "analyst": analyst}
