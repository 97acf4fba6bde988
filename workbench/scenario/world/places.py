"""Places: the nine invented sites of the Lantern Moor Observatory, what each does to a unit, and further ones."""

import math
from dataclasses import dataclass, replace

__all__ = ["COAST_LONGITUDE", "CORROSIVITY_EFFECTS", "ENVIRONMENT_EFFECTS", "PLACES", "Place", "places"]

ENVIRONMENT_EFFECTS = {
    "tidal_marsh": -0.30,
    "sea_cliff": -0.25,
    "bog": -0.20,
    "forest": -0.05,
    "lake_shore": 0.0,
    "mountain": 0.20,
    "river": -0.10,
    "dunes": -0.10,
    "farmland": 0.15,
}
"""True effect of the environment on log time, invented."""

CORROSIVITY_EFFECTS = {"C1": 0.1, "C2": 0.1, "C3": 0.0, "C4": -0.1, "C5": -0.2, "CX": -0.3}
"""True effect of the corrosivity category (ISO 9223) on log time, invented."""

_CORROSION = {"C1": 0.01, "C2": 0.03, "C3": 0.10, "C4": 0.8, "C5": 1.2, "CX": 1.6}
"""How strongly contacts corrode; ordered as the zinc loss of ISO 9223, the figures are invented."""

_FLOODS = {"tidal_marsh": 1.0, "river": 1.0, "lake_shore": 0.3, "bog": 0.15}
"""Chance that a storm is followed by high water; no other environment is flooded. Invented."""

_DAMP = {"bog": 1.5, "forest": 1.3, "tidal_marsh": 1.3, "river": 1.2, "lake_shore": 1.1, "mountain": 0.6}
"""How strongly the air feeds condensation, invented; 1 elsewhere."""

_WIND = {"sea_cliff": 1.6, "mountain": 1.5, "dunes": 1.4, "tidal_marsh": 1.2, "forest": 0.4, "farmland": 0.8}
"""How hard a storm hits, invented; 1 elsewhere."""

_PRESSURES = {"none": 0.3, "low": 0.6, "medium": 1.0, "high": 1.5}
"""How often animals or people get at a unit, invented."""

COAST_LONGITUDE = -33.0
"""The invented coast runs north to south along this meridian; the land lies east of it."""

_METRES_PER_DEGREE = 111_195 * math.cos(math.radians(47.1))
"""Length of a degree of longitude at the latitude of the network, on a sphere of radius 6,371 km."""


@dataclass(frozen=True, kw_only=True)
class Place:
    """One invented site; the position lies in open sea, so that it is nobody's."""

    name: str
    environment: str
    corrosivity: str
    elevation_m: int
    distance_to_salt_water_m: int
    sun: str
    animal_pressure: str
    foot_traffic: str
    latitude: float
    longitude: float

    @property
    def effect(self) -> float:
        """True effect of environment and corrosivity together on log time."""
        return ENVIRONMENT_EFFECTS[self.environment] + CORROSIVITY_EFFECTS[self.corrosivity]

    @property
    def salty(self) -> bool:
        """Whether spray or tide brings salt: within a kilometre of salt water."""
        return self.distance_to_salt_water_m <= 1000

    @property
    def muddy(self) -> bool:
        """Whether water that gets in brings silt or peat."""
        return self.environment in ("tidal_marsh", "bog", "river", "lake_shore")

    @property
    def floods(self) -> float:
        """Chance that a storm is followed by high water."""
        return _FLOODS.get(self.environment, 0.0)

    @property
    def wind(self) -> float:
        """How hard a storm hits."""
        return _WIND.get(self.environment, 1.0)

    def drive(self, driver: str) -> float:
        """How strongly the place drives mechanisms fed by corrosion, flood, damp, wind, animals or people; "": 1."""
        return {
            "": 1.0,
            "corrosion": _CORROSION[self.corrosivity],
            "flood": float(self.floods > 0),
            "damp": _DAMP.get(self.environment, 1.0),
            "wind": self.wind,
            "animals": _PRESSURES[self.animal_pressure],
            "people": _PRESSURES[self.foot_traffic],
        }[driver]


def _place(name: str, surroundings: str, heights: tuple[int, int], *, pressures: str, latitude: float) -> Place:
    environment, corrosivity = surroundings.split()
    sun, animals, people = pressures.split()
    return Place(
        name=name,
        environment=environment,
        corrosivity=corrosivity,
        elevation_m=heights[0],
        distance_to_salt_water_m=heights[1],
        sun=sun,
        animal_pressure=animals,
        foot_traffic=people,
        latitude=latitude,
        longitude=round(COAST_LONGITUDE + heights[1] / _METRES_PER_DEGREE, 4),
    )


PLACES: tuple[Place, ...] = (
    _place("Gannet Flats", "tidal_marsh C5", (2, 5), pressures="full medium low", latitude=47.102),
    _place("Saltpan Point", "sea_cliff CX", (34, 20), pressures="full low medium", latitude=47.187),
    _place("Mirefold Bog", "bog C3", (212, 14800), pressures="partial low low", latitude=47.164),
    _place("Hollow Wood", "forest C2", (165, 11300), pressures="shaded high medium", latitude=47.098),
    _place("Upper Tarn", "lake_shore C2", (742, 27600), pressures="full low low", latitude=47.141),
    _place("Cinder Ridge", "mountain C2", (1184, 31900), pressures="full low low", latitude=47.127),
    _place("Weir Lock", "river C3", (41, 6200), pressures="partial medium high", latitude=47.053),
    _place("Sandgate Dunes", "dunes C4", (8, 180), pressures="full medium high", latitude=47.024),
    _place("Orchard Lane", "farmland C2", (88, 9100), pressures="partial high medium", latitude=47.076),
)
"""The sites of the invented network, in the order in which they are reached."""


def places(count: int) -> tuple[Place, ...]:
    """Return the nine places, then made-up ones with the surroundings of the nine in turn.

    Examples
    --------
    >>> [p.name for p in places(11)][-2:]
    ['Station 10', 'Station 11']
    """
    further = (
        replace(PLACES[i % 9], name=f"Station {i + 1}", latitude=round(47.2 + 0.013 * (i - 8), 3))
        for i in range(9, count)
    )
    return (*PLACES[:count], *further)
