"""Places: the nine invented sites of the Lantern Moor Observatory, what each does to a unit, and further ones."""

from dataclasses import dataclass, replace

__all__ = ["CORROSIVITY_EFFECTS", "ENVIRONMENT_EFFECTS", "PLACES", "Place", "places"]

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


def _place(
    name: str, surroundings: str, heights: tuple[int, int], *, pressures: str, position: tuple[float, float]
) -> Place:
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
        latitude=position[0],
        longitude=position[1],
    )


PLACES: tuple[Place, ...] = (
    _place("Gannet Flats", "tidal_marsh C5", (2, 5), pressures="full medium low", position=(-31.102, -18.411)),
    _place("Saltpan Point", "sea_cliff CX", (34, 20), pressures="full low medium", position=(-31.087, -18.437)),
    _place("Mirefold Bog", "bog C3", (212, 14800), pressures="partial low low", position=(-31.214, -18.209)),
    _place("Hollow Wood", "forest C2", (165, 11300), pressures="shaded high medium", position=(-31.198, -18.256)),
    _place("Upper Tarn", "lake_shore C2", (742, 27600), pressures="full low low", position=(-31.341, -18.064)),
    _place("Cinder Ridge", "mountain C2", (1184, 31900), pressures="full low low", position=(-31.377, -18.021)),
    _place("Weir Lock", "river C3", (41, 6200), pressures="partial medium high", position=(-31.153, -18.322)),
    _place("Sandgate Dunes", "dunes C4", (8, 180), pressures="full medium high", position=(-31.094, -18.402)),
    _place("Orchard Lane", "farmland C2", (88, 9100), pressures="partial high medium", position=(-31.176, -18.291)),
)
"""The sites of the invented network, in the order in which they are reached."""


def places(count: int) -> tuple[Place, ...]:
    """Return so many sites: the nine, then made-up ones with the surroundings of the nine in turn.

    Examples
    --------
    >>> [p.name for p in places(11)][-2:]
    ['Station 10', 'Station 11']
    """
    further = (
        replace(PLACES[i % 9], name=f"Station {i + 1}", latitude=round(-31.4 - 0.013 * i, 3)) for i in range(9, count)
    )
    return (*PLACES[:count], *further)
