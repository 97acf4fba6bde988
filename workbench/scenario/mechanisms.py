"""Mechanisms: what ends the invented units, how often and in what manner, and the signs that each leaves behind."""

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["ALIVE", "BUILD_ERROR", "MECHANISMS", "Mechanism"]


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
        Whether environment, corrosivity and site act on its time.
    pressure : str
        The column (animal_pressure or foot_traffic) that shortens its time, or "".
    wet : float
        Chance that the inside is wet or damp when such a unit is opened.
    cause : str
        The circumstance written down beside it.
    signs : mapping of str to float
        Chance of a sign where it was looked for; signs not named appear by `BACKGROUND`.
    """

    share: float = 0.0
    shape: float = 1.0
    exposed: bool = True
    pressure: str = ""
    wet: float = 0.05
    cause: str = ""
    signs: Mapping[str, float] = field(default_factory=dict)


MECHANISMS: dict[str, Mechanism] = {
    "lid_seal_leak": Mechanism(
        share=0.30,
        shape=1.7,
        wet=0.95,
        cause="installation",
        signs={
            "tide_line": 0.60,
            "standing_muddy_water": 0.45,
            "run_down_below_lid_edge": 0.65,
            "salt_crystals_inside": 0.35,
            "gasket_pinched_or_dirty": 0.55,
            "gasket_flat_and_shiny": 0.40,
            "blue_green_crust": 0.40,
            "data_fade_before_end": 0.50,
            "gasket_intact_even_mark": 0.05,
            "dry_and_clean_inside": 0.02,
        },
    ),
    "gland_or_connector_leak": Mechanism(
        share=0.11,
        shape=1.5,
        wet=0.95,
        cause="installation",
        signs={
            "tide_line": 0.45,
            "standing_muddy_water": 0.35,
            "run_down_below_gland": 0.80,
            "salt_crystals_inside": 0.35,
            "gasket_intact_even_mark": 0.75,
            "blue_green_crust": 0.40,
            "data_fade_before_end": 0.45,
            "dry_and_clean_inside": 0.02,
        },
    ),
    "vapour_condensation": Mechanism(
        share=0.15,
        shape=2.0,
        wet=0.85,
        cause="service",
        signs={
            "fog_or_dried_spots": 0.85,
            "standing_clear_water": 0.35,
            "data_fade_before_end": 0.70,
            "gasket_intact_even_mark": 0.75,
            "blue_green_crust": 0.25,
            "works_after_drying": 0.45,
            "dry_and_clean_inside": 0.05,
        },
    ),
    "corrosion_contacts": Mechanism(
        share=0.12,
        shape=2.2,
        wet=0.45,
        cause="environment",
        signs={
            "blue_green_crust": 0.90,
            "white_powder_on_metal": 0.60,
            "rust_on_screws": 0.60,
            "data_fade_before_end": 0.40,
            "gasket_intact_even_mark": 0.60,
            "dry_and_clean_inside": 0.02,
        },
    ),
    "battery_exhausted": Mechanism(
        share=0.13,
        shape=4.0,
        exposed=False,
        cause="design",
        signs={"cell_voltage_low": 0.95, "dry_and_clean_inside": 0.80, "gasket_intact_even_mark": 0.80},
    ),
    "animal_bite": Mechanism(
        share=0.08,
        exposed=False,
        pressure="animal_pressure",
        wet=0.3,
        cause="environment",
        signs={"tooth_marks": 0.90, "connector_pulled_or_bent": 0.65, "droppings_or_hair": 0.50},
    ),
    "firmware_or_clock": Mechanism(
        share=0.06,
        shape=0.8,
        exposed=False,
        cause="design",
        signs={
            "data_end_at_round_size": 0.60,
            "clock_at_factory_date": 0.65,
            "cell_full_unit_dead": 0.55,
            "dry_and_clean_inside": 0.80,
            "gasket_intact_even_mark": 0.80,
        },
    ),
    "impact_or_crush": Mechanism(
        share=0.05,
        exposed=False,
        pressure="foot_traffic",
        wet=0.3,
        cause="environment",
        signs={"housing_crushed": 0.85, "connector_pulled_or_bent": 0.50, "gasket_intact_even_mark": 0.40},
    ),
}
"""The mechanisms that race; shares, shapes and chances are invented, the names are the trade's."""

BUILD_ERROR = Mechanism(
    cause="build",
    signs={"poor_joint_or_pinched_wire": 0.80, "cell_full_unit_dead": 0.60, "dry_and_clean_inside": 0.85},
)
"""What ended a unit that never recorded ("build_error")."""

ALIVE = Mechanism(
    wet=0.10, signs={"dry_and_clean_inside": 0.85, "gasket_intact_even_mark": 0.80, "gasket_flat_and_shiny": 0.12}
)
"""What a survivor looks like when it is opened."""
