"""What would a whole season look like whose truth is known?"""

from workbench.scenario.built_units import draw_fleet
from workbench.scenario.choices import complete_effects, level_names
from workbench.scenario.fieldwork import draw_trips
from workbench.scenario.logbook import write_log
from workbench.scenario.places import places
from workbench.scenario.simulated_season import season_of
from workbench.scenario.spells import live_season, make_world
from workbench.scenario.truth import truth_of

__all__ = [
    "complete_effects",
    "draw_fleet",
    "draw_trips",
    "level_names",
    "live_season",
    "make_world",
    "places",
    "season_of",
    "truth_of",
    "write_log",
]
