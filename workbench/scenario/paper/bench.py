"""Bench: what was seen and measured inside an opened unit, and to which verdict did a person come?"""

import numpy as np

from workbench.scenario.world import (
    BACKGROUND,
    MECHANISMS,
    NEEDS_DAMP,
    NEEDS_WATER,
    SIGNS,
    Place,
    Season,
    Spell,
    known_mechanism,
)

__all__ = ["MEASURED", "open_unit", "verdict_on"]

ANALYSTS = ("bench_technician", "field_lead", "volunteer")

MEASURED = (
    "weight_as_built_g",
    "weight_found_g",
    "humidity_card_percent",
    "cell_voltage_open_v",
    "cell_voltage_loaded_v",
    "water_volume_ml",
    "water_conductivity_us_cm",
)
"""What the network's bench measures, in column order."""

_FRESH, _SEA = 25.0, 48_000.0
"""Conductivity of rain and of sea water in uS/cm; common practice, no source."""

_FULL_CELL, _EMPTY_CELL = 1.50, 1.02
"""Voltage at rest of the two kinds of 1.5 V cells the network carries, used a little and used up; common practice."""


def open_unit(
    spell: Spell, site: Place, dampness: float, *, season: Season, rng: np.random.Generator
) -> dict[str, str]:
    """Return condition, signs and measurements of one unit; `dampness` multiplies a survivor's chance of being damp."""
    mechanism = spell.mechanism if spell.ending.outcome == "failed" else ""
    known = known_mechanism(mechanism)
    chance = known.wet if mechanism else min(1.0, known.wet * dampness)
    condition = "dry" if rng.random() >= chance else ("wet" if rng.random() < 0.6 else "damp")
    present = _signs(mechanism, condition, spell, site=site, rng=rng)
    looked = rng.random(len(SIGNS)) >= season.not_checked_share
    seen = {
        s: ("yes" if present[s] else "no") if looks else "not_checked" for s, looks in zip(SIGNS, looked, strict=True)
    }
    wet = {"days_wet_before_opening": str(int(rng.integers(1, 15)))} if condition == "wet" else {}
    return {"condition_found": condition, **wet, **_measured(condition, present, site, rng=rng), **seen}


def _signs(mechanism: str, condition: str, spell: Spell, *, site: Place, rng: np.random.Generator) -> dict[str, bool]:
    """Draw the signs that mechanism, place and build can leave, none against another."""
    known = known_mechanism(mechanism)
    chances = {s: known.signs.get(s, BACKGROUND) for s in SIGNS}
    for sign in ("tooth_marks", "droppings_or_hair"):
        chances[sign] *= 1.0 if sign in known.signs else site.drive("animals")
    stainless = spell.unit["fasteners"] != "zinc_plated"
    rusts = min(1.0, 0.1 + site.drive("corrosion"))
    chances["rust_on_screws"] = (0.05 if stainless else 0.8) * rusts
    present = {s: bool(rng.random() < chances[s]) for s in SIGNS}
    barred = {
        *(NEEDS_DAMP if condition == "dry" else ()),
        *(NEEDS_WATER if condition != "wet" else ()),
        *(() if site.salty else ("salt_crystals_inside",)),
        *(() if site.muddy else ("standing_muddy_water",)),
    }
    present |= dict.fromkeys(barred, False)
    for stronger, weaker in _EXCLUDES:
        if present[stronger]:
            present[weaker] = False
    if condition != "dry" or any(present[s] for s in ("blue_green_crust", "white_powder_on_metal")):
        present["dry_and_clean_inside"] = False
    return present


_EXCLUDES = (
    ("standing_muddy_water", "standing_clear_water"),
    ("gasket_pinched_or_dirty", "gasket_intact_even_mark"),
    ("run_down_below_lid_edge", "gasket_intact_even_mark"),
    ("cell_voltage_low", "cell_full_unit_dead"),
)
"""Pairs of signs of which one unit shows only one."""


def _measured(condition: str, present: dict[str, bool], site: Place, *, rng: np.random.Generator) -> dict[str, str]:
    """Measure weight, humidity, cells and water as the signs say."""
    water = {"dry": 0.0, "damp": 0.5, "wet": float(np.exp(rng.normal(3.0, 0.8)))}[condition]
    built = rng.normal(612, 9)
    humidity = {"dry": rng.normal(42, 9), "damp": rng.normal(82, 6), "wet": 97.0}[condition]
    rest = (_EMPTY_CELL if present["cell_voltage_low"] else _FULL_CELL) + float(
        np.clip(rng.normal(0, 0.03), -0.06, 0.06)
    )
    values = {
        "weight_as_built_g": f"{built:.0f}",
        "weight_found_g": f"{built + water + rng.normal(0, 1.2):.0f}",
        "humidity_card_percent": str(int(10 * round(float(np.clip(humidity, 10, 95)) / 10))),
        "cell_voltage_open_v": f"{rest:.2f}",
        "cell_voltage_loaded_v": f"{rest - rng.uniform(0.25, 0.4):.2f}"
        if present["cell_voltage_low"]
        else f"{rest - rng.uniform(0.05, 0.12):.2f}",
    }
    if condition == "wet":
        salty = site.salty and present["salt_crystals_inside"]
        conducts = (_SEA * rng.uniform(0.3, 0.9)) if salty else _FRESH * float(np.exp(rng.normal(1.2, 0.5)))
        values["water_volume_ml"] = f"{water:.0f}"
        values["water_conductivity_us_cm"] = str(int(float(f"{conducts:.2g}")))
    return {name: value for name, value in values.items() if rng.random() < 0.8}


def verdict_on(spell: Spell, season: Season, rng: np.random.Generator) -> dict[str, str]:
    """Return mechanism, cause, confidence and analyst; only the analyst where nobody could tell."""
    analyst = str(rng.choice(ANALYSTS))
    if rng.random() < season.undetermined_share:
        return {"analyst": analyst}
    named, confidence = spell.mechanism, str(rng.choice(["sure", "likely", "unsure"], p=[0.55, 0.35, 0.10]))
    cause = spell.cause
    if rng.random() < season.wrong_verdict_share:
        named = str(rng.choice([m for m in MECHANISMS if m != spell.mechanism]))
        confidence = "unsure" if rng.random() < 0.5 else "likely"
    if named != spell.mechanism or rng.random() < season.wrong_cause_share:
        causes = known_mechanism(named).causes
        cause = str(rng.choice([*causes, "undetermined"]))
    return {"mechanism": named, "cause": cause, "confidence": confidence, "analyst": analyst}
