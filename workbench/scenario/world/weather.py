"""Weather: what was the air like on each day, and on which days did storm and high water strike?"""

import datetime
import math
from dataclasses import dataclass

import numpy as np

from workbench.scenario.world.places import Place
from workbench.scenario.world.simulated_season import Season

__all__ = ["Weather", "air_temperature", "draw_weather"]

_LAPSE = 0.0065
"""Fall of temperature with height, K/m (ISO 2533 standard atmosphere)."""

_MEAN, _SWING, _WARMEST = 10.5, 7.5, 203
"""Yearly mean and half range at sea level in degrees C, and warmest day of the year in the north; invented."""


@dataclass(frozen=True, kw_only=True)
class Weather:
    """Days are counted from the first deployment trip.

    Attributes
    ----------
    temperature : np.ndarray, shape (sites, days)
        Daily mean of the air in degrees C.
    storms : np.ndarray of int
        Days on which a storm crossed the whole network.
    floods : tuple of np.ndarray of int
        Days of high water, one array per site.
    """

    temperature: np.ndarray
    storms: np.ndarray
    floods: tuple[np.ndarray, ...]


def _winter(season: Season, latitude: float, days: int) -> np.ndarray:
    """Nearness to midwinter, from -1 (warmest day) to 1, for each day of the season."""
    first = (season.first_day - datetime.date(season.first_day.year, 1, 1)).days + 1
    turn = 0.0 if latitude >= 0 else 182.5
    return np.asarray(-np.cos(2 * math.pi * (first + np.arange(days) - _WARMEST - turn) / 365.25))


def air_temperature(season: Season, place: Place, days: int) -> np.ndarray:
    """Return the usual daily mean at a place: warm in its own summer, colder with height."""
    return _MEAN - _SWING * _winter(season, place.latitude, days) - _LAPSE * place.elevation_m


def draw_weather(season: Season, sites: tuple[Place, ...], days: int, *, rng: np.random.Generator) -> Weather:
    """Draw storms (more towards winter), the high water that follows at some sites, and the temperature."""
    winter = _winter(season, sites[0].latitude, season.days)
    likely = 1 + 0.7 * winter
    count = min(season.storms, season.days - 1)
    storms = np.sort(rng.choice(np.arange(1, season.days), size=count, replace=False, p=likely[1:] / likely[1:].sum()))
    spells = np.zeros(days)
    for day, push in enumerate(rng.normal(0, 1.2, size=days)):  # warm and cold spells last some days
        spells[day] = push + (0.8 * spells[day - 1] if day else 0.0)
    temperature = np.array([air_temperature(season, p, days) for p in sites]) + spells
    floods = tuple(storms[rng.random(count) < p.floods] + 1 for p in sites)
    return Weather(temperature=temperature, storms=storms, floods=floods)
