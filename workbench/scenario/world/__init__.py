"""What is true of an invented season: places, weather, choices, mechanisms, lives?"""

from workbench.scenario.world.built_units import draw_fleet
from workbench.scenario.world.choices import CHOICES, complete_effects, default_effects, level_names
from workbench.scenario.world.fieldwork import draw_trips
from workbench.scenario.world.mechanisms import MECHANISMS, known_mechanism
from workbench.scenario.world.places import PLACES, Place, places
from workbench.scenario.world.signs import BACKGROUND, NEEDS_DAMP, NEEDS_WATER, SIGNS
from workbench.scenario.world.simulated_season import Season, season_of
from workbench.scenario.world.spells import Spell, World, live_season, make_world
from workbench.scenario.world.truth import truth_of
from workbench.scenario.world.weather import air_temperature

__all__ = [
    "BACKGROUND",
    "CHOICES",
    "MECHANISMS",
    "NEEDS_DAMP",
    "NEEDS_WATER",
    "PLACES",
    "SIGNS",
    "Place",
    "Season",
    "Spell",
    "World",
    "air_temperature",
    "complete_effects",
    "default_effects",
    "draw_fleet",
    "draw_trips",
    "known_mechanism",
    "level_names",
    "live_season",
    "make_world",
    "places",
    "season_of",
    "truth_of",
]
