"""Signs: what the network's teardown sheet asks for, and how often a sign shows without a reason."""

__all__ = ["BACKGROUND", "NEEDS_DAMP", "NEEDS_WATER", "SIGNS"]

SIGNS: tuple[str, ...] = (
    "tide_line",
    "standing_clear_water",
    "standing_muddy_water",
    "fog_or_dried_spots",
    "run_down_below_gland",
    "run_down_below_lid_edge",
    "blue_green_crust",
    "white_powder_on_metal",
    "rust_on_screws",
    "salt_crystals_inside",
    "gasket_pinched_or_dirty",
    "gasket_flat_and_shiny",
    "gasket_intact_even_mark",
    "connector_pulled_or_bent",
    "housing_crushed",
    "tooth_marks",
    "droppings_or_hair",
    "cell_voltage_low",
    "cell_full_unit_dead",
    "dry_and_clean_inside",
    "data_end_at_round_size",
    "data_fade_before_end",
    "clock_at_factory_date",
    "poor_joint_or_pinched_wire",
    "works_after_drying",
    "part_dead_on_bench",
    "repeated_restarts",
    "sister_units_same_fault",
    "fresh_bright_fracture",
    "humidity_steps_up_by_day",
)
"""The signs on the network's teardown sheet, in column order."""

NEEDS_WATER = ("standing_clear_water", "standing_muddy_water")
"""Signs that only a wet unit can show."""

NEEDS_DAMP = (
    "tide_line",
    "fog_or_dried_spots",
    "run_down_below_gland",
    "run_down_below_lid_edge",
    "salt_crystals_inside",
    "works_after_drying",
)
"""Signs that only a wet or damp unit can show."""

BACKGROUND = 0.04
"""Chance that a sign shows that the mechanism does not leave, where it was looked for."""
