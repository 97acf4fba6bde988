"""Mechanisms: what ends the invented units, what drives it, which causes let it, and which signs does it leave?"""

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["ALIVE", "EARLY_CAUSES", "JOINT_DEFECT", "MECHANISMS", "Mechanism", "known_mechanism"]


@dataclass(frozen=True, kw_only=True)
class Mechanism:
    """One mechanism.

    Attributes
    ----------
    share : float
        Share of the fleet's cumulative hazard over the season; the shares sum to 1.
    shape : float
        Weibull shape: below 1 early-life, 1 steady, above 1 wear-out.
    exposed : bool
        Whether environment and site act on its time.
    driver : str
        What of the place multiplies its hazard, a word of `Place.drive`; "" is nothing.
    storm : float
        Hazard of a storm day in days of ordinary hazard.
    floods_only : bool
        Whether it acts on days of high water alone.
    cold : float
        Growth of the log hazard per kelvin below 10 degrees C.
    wet : float
        Chance that the inside is wet or damp when such a unit is opened.
    causes : mapping of str to float
        Weight of each circumstance that lets it act.
    signs : mapping of str to float
        Chance of a sign where it was looked for; signs not named appear by `BACKGROUND`.
    """

    share: float = 0.0
    shape: float = 1.0
    exposed: bool = False
    driver: str = ""
    storm: float = 1.0
    floods_only: bool = False
    cold: float = 0.0
    wet: float = 0.04
    causes: Mapping[str, float] = field(default_factory=dict)
    signs: Mapping[str, float] = field(default_factory=dict)


_LEAK = {"tide_line": 0.55, "blue_green_crust": 0.40, "data_fade_before_end": 0.45, "works_after_drying": 0.25}
_SOUND = {"dry_and_clean_inside": 0.85, "gasket_intact_even_mark": 0.80}

MECHANISMS: dict[str, Mechanism] = {
    "lid_seal_leak": Mechanism(
        share=0.30,
        shape=1.7,
        exposed=True,
        storm=25.0,
        wet=0.97,
        causes={"installation": 3, "maintenance": 2, "design": 2, "build": 2, "wear": 2, "flood_or_storm": 2},
        signs={
            **_LEAK,
            "standing_muddy_water": 0.40,
            "standing_clear_water": 0.25,
            "run_down_below_lid_edge": 0.65,
            "salt_crystals_inside": 0.65,
            "gasket_pinched_or_dirty": 0.55,
            "gasket_flat_and_shiny": 0.40,
            "gasket_intact_even_mark": 0.05,
        },
    ),
    "gland_or_connector_leak": Mechanism(
        share=0.10,
        shape=1.5,
        exposed=True,
        storm=20.0,
        wet=0.97,
        causes={"installation": 3, "build": 2, "design": 2, "flood_or_storm": 1},
        signs={
            **_LEAK,
            "standing_muddy_water": 0.30,
            "standing_clear_water": 0.30,
            "run_down_below_gland": 0.80,
            "salt_crystals_inside": 0.60,
            "gasket_intact_even_mark": 0.75,
        },
    ),
    "immersion": Mechanism(
        share=0.05,
        driver="flood",
        floods_only=True,
        wet=1.0,
        causes={"flood_or_storm": 4, "rating_exceeded": 4, "installation": 2},
        signs={
            "tide_line": 0.80,
            "standing_muddy_water": 0.75,
            "salt_crystals_inside": 0.70,
            "gasket_intact_even_mark": 0.45,
            "blue_green_crust": 0.30,
        },
    ),
    "breathing_past_seal": Mechanism(
        share=0.08,
        shape=1.8,
        exposed=True,
        driver="damp",
        wet=0.92,
        causes={"design": 4, "wear": 2, "environment": 2},
        signs={
            "humidity_steps_up_by_day": 0.60,
            "fog_or_dried_spots": 0.45,
            "standing_clear_water": 0.60,
            "data_fade_before_end": 0.60,
            "gasket_intact_even_mark": 0.55,
            "gasket_flat_and_shiny": 0.35,
            "works_after_drying": 0.35,
        },
    ),
    "vapour_condensation": Mechanism(
        share=0.08,
        shape=2.0,
        exposed=True,
        driver="damp",
        wet=0.90,
        causes={"design": 3, "maintenance": 2, "environment": 2, "build": 1},
        signs={
            "fog_or_dried_spots": 0.85,
            "standing_clear_water": 0.30,
            "data_fade_before_end": 0.70,
            "gasket_intact_even_mark": 0.80,
            "blue_green_crust": 0.25,
            "works_after_drying": 0.45,
        },
    ),
    "corrosion_contacts": Mechanism(
        share=0.09,
        shape=2.2,
        driver="corrosion",
        wet=0.50,
        causes={"salt": 5, "design": 3, "material": 1},
        signs={
            "blue_green_crust": 0.90,
            "white_powder_on_metal": 0.60,
            "rust_on_screws": 0.60,
            "data_fade_before_end": 0.40,
            "gasket_intact_even_mark": 0.60,
            "salt_crystals_inside": 0.35,
        },
    ),
    "battery_exhausted": Mechanism(
        share=0.12,
        shape=4.0,
        cold=0.05,
        causes={"wear": 3, "design": 3, "cold_or_ice": 2, "management": 1},
        signs={**_SOUND, "cell_voltage_low": 0.95, "data_fade_before_end": 0.30},
    ),
    "component_failure": Mechanism(
        share=0.04,
        causes={"material": 3, "design": 2, "build": 1},
        signs={**_SOUND, "part_dead_on_bench": 0.75, "cell_full_unit_dead": 0.60},
    ),
    "firmware_fault": Mechanism(
        share=0.04,
        shape=0.8,
        causes={"design": 6, "build": 1, "maintenance": 1},
        signs={
            **_SOUND,
            "repeated_restarts": 0.55,
            "data_end_at_round_size": 0.60,
            "cell_full_unit_dead": 0.55,
            "sister_units_same_fault": 0.45,
        },
    ),
    "animal_bite": Mechanism(
        share=0.06,
        driver="animals",
        wet=0.25,
        causes={"animals": 6, "installation": 2, "design": 1},
        signs={"tooth_marks": 0.90, "connector_pulled_or_bent": 0.55, "droppings_or_hair": 0.50},
    ),
    "impact_or_crush": Mechanism(
        share=0.04,
        driver="people",
        storm=12.0,
        wet=0.25,
        causes={"people": 4, "animals": 1, "flood_or_storm": 2, "installation": 2},
        signs={"housing_crushed": 0.85, "connector_pulled_or_bent": 0.40, "fresh_bright_fracture": 0.50},
    ),
}
"""The mechanisms that race; shares, shapes and chances are invented, the names are the trade's."""

EARLY_CAUSES = {"build": 3.0, "installation": 3.0, "material": 2.0, "wear": 0.0, "maintenance": 0.0}
"""What multiplies the weight of a cause when the unit fails in its first 30 days; invented."""

JOINT_DEFECT = Mechanism(
    causes={"build": 6, "material": 1},
    signs={**_SOUND, "poor_joint_or_pinched_wire": 0.80, "cell_full_unit_dead": 0.60},
)
"""What ended a unit that never recorded ("wiring_or_joint_defect")."""

ALIVE = Mechanism(wet=0.10, signs={**_SOUND, "gasket_flat_and_shiny": 0.12})
"""What a survivor looks like when it is opened."""


def known_mechanism(name: str) -> Mechanism:
    """Return the mechanism of a name; "" is a survivor."""
    return {**MECHANISMS, "wiring_or_joint_defect": JOINT_DEFECT, "": ALIVE}[name]
