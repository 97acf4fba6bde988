"""Ageing: when would each mechanism end each unit, and what share of the fleet lasts to each age?"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.scenario.world.choices import CHOICES
from workbench.scenario.world.mechanisms import MECHANISMS
from workbench.scenario.world.places import Place
from workbench.scenario.world.simulated_season import Season
from workbench.scenario.world.weather import Weather

__all__ = ["Ageing", "Standing", "daily_stress", "linear_predictor"]

NEVER = 99_999.0
"""Age written for a mechanism that cannot act at a place."""


@dataclass(frozen=True, kw_only=True)
class Standing:
    """Where and since when n units stand, and what acts on them.

    Shapes: place (n,), start (n,), eta (n, m).
    """

    place: np.ndarray
    start: np.ndarray
    eta: np.ndarray

    def groups(self) -> Iterator[tuple[int, int, np.ndarray]]:
        """Yield place, first day and rows of the units that stand in one place since one day."""
        pairs, at = np.unique(np.column_stack([self.place, self.start]), axis=0, return_inverse=True)
        for i, (place, start) in enumerate(pairs):
            yield int(place), int(start), np.flatnonzero(at.ravel() == i)


@dataclass(frozen=True, kw_only=True)
class Ageing:
    """Cumulative hazards of m mechanisms, each day of the Weibull hazard weighted with the stress of that day.

    Attributes
    ----------
    days : float
        Length of the season.
    base : np.ndarray, shape (m,)
        Cumulative hazard of each mechanism over `days` where eta is 0 and every day's stress 1.
    shape : np.ndarray, shape (m,)
        Weibull shapes.
    stress : np.ndarray, shape (m, sites, calendar days)
        What multiplies the hazard on each day of the season.
    """

    days: float
    base: np.ndarray
    shape: np.ndarray
    stress: np.ndarray

    @property
    def scale(self) -> np.ndarray:
        """Weibull scale of each mechanism in days where eta is 0 and every day's stress 1."""
        return self.days / self.base ** (1 / self.shape)

    def growth(self, place: int, start: int) -> np.ndarray:
        """Return the cumulative hazards over base by whole age, shape (m, ages)."""
        stress = self.stress[:, place, start:]
        ages = np.arange(stress.shape[1] + 1) / self.days
        steps = np.diff(ages ** self.shape[:, None], axis=1) * stress
        return np.concatenate([np.zeros((len(self.base), 1)), np.cumsum(steps, axis=1)], axis=1)

    def rate(self, eta: np.ndarray) -> np.ndarray:
        """Return what multiplies the growth for each unit and mechanism."""
        return np.asarray(self.base * np.exp(-self.shape * eta))

    def hazard(self, units: Standing, ages: np.ndarray) -> np.ndarray:
        """Return the cumulative hazard of each unit and mechanism at an age of each unit."""
        result = np.zeros(units.eta.shape)
        for place, start, rows in units.groups():
            growth = self.growth(place, start)
            at = np.column_stack([np.interp(ages[rows], np.arange(g.size), g) for g in growth])
            result[rows] = at * self.rate(units.eta[rows])
        return result

    def draw(self, units: Standing, rng: np.random.Generator, survived: float = 0.0) -> np.ndarray:
        """Draw the age at which each mechanism ends each unit that survived to an age, not rounded."""
        chance = rng.exponential(size=units.eta.shape)
        ages = np.full(units.eta.shape, NEVER)
        for place, start, rows in units.groups():
            rates = self.rate(units.eta[rows])
            for j, growth in enumerate(self.growth(place, start)):
                able = rates[:, j] > 0
                reached = np.interp(survived, np.arange(growth.size), growth)
                needed = reached + chance[rows[able], j] / rates[able, j]
                ages[rows[able], j] = self._age_at(needed, growth, self.shape[j])
        return np.asarray(np.minimum(ages, NEVER))

    def _age_at(self, needed: np.ndarray, growth: np.ndarray, shape: float) -> np.ndarray:
        """Invert the growth; beyond the last day of weather the plain Weibull goes on."""
        last = growth.size - 1
        beyond = np.maximum(needed - growth[-1], 0.0) + (last / self.days) ** shape
        return np.asarray(
            np.where(
                needed <= growth[-1],
                np.interp(needed, growth, np.arange(growth.size)),
                self.days * beyond ** (1 / shape),
            )
        )

    def mean_survival(self, last: int, units: Standing) -> np.ndarray:
        """Return the survival at ages 0 to `last` averaged over the units."""
        total = np.zeros(last + 1)
        for place, start, rows in units.groups():
            total += np.exp(self.rate(units.eta[rows]) @ -self.growth(place, start)[:, : last + 1]).sum(axis=0)
        return total / len(units.place)

    @classmethod
    def calibrated(cls, season: Season, stress: np.ndarray, units: Standing, *, followed: np.ndarray) -> "Ageing":
        """Return the law under which `failed_share` of the units fail within their time out, mechanisms by share."""
        from scipy.optimize import brentq

        share = np.array([season.share_of(name) for name in MECHANISMS])
        shape = np.array([m.shape if season.competing else season.shape for m in MECHANISMS.values()])
        law = cls(days=float(season.days), base=np.ones(len(share)), shape=shape, stress=stress)
        by_mechanism = law.hazard(units, followed)
        mean = by_mechanism.mean(axis=0)
        base = np.where(mean > 0, share / np.where(mean > 0, mean, 1.0), 0.0) if season.competing else share
        unit = by_mechanism @ base
        level = brentq(lambda x: -np.expm1(-np.exp(x) * unit).mean() - season.failed_share, -30, 30)
        return cls(days=law.days, base=np.exp(level) * base, shape=shape, stress=stress)


def daily_stress(season: Season, sites: tuple[Place, ...], weather: Weather) -> np.ndarray:
    """Return what multiplies each mechanism's hazard at each site on each day: storm, high water, cold."""
    days = weather.temperature.shape[1]
    stress = np.ones((len(MECHANISMS), len(sites), days))
    strength = season.weather_strength
    if not (season.competing and strength):
        return stress
    for j, mechanism in enumerate(MECHANISMS.values()):
        for i, place in enumerate(sites):
            stress[j, i] = np.exp(strength * mechanism.cold * (10.0 - weather.temperature[i]))
            stress[j, i, weather.storms] += strength * (mechanism.storm - 1.0) * place.wind
            if mechanism.floods_only:
                stress[j, i] = 0.0
                stress[j, i, weather.floods[i]] = 1.0
    return stress


def linear_predictor(
    fleet: pd.DataFrame,
    season: Season,
    sites: tuple[Place, ...],
    *,
    site_effects: np.ndarray,
    effects: Mapping[str, Mapping[str, float]],
) -> np.ndarray:
    """Return the sum of what acts on the log time of every unit and mechanism, shape (n, m); inf: cannot act there."""
    place = fleet["place"].to_numpy()
    outside = season.exposure_strength * np.array([s.effect for s in sites])[place] + site_effects[place]
    stretch = np.array([[levels[v] for v in fleet[c].tolist()] for c, levels in effects.items()], dtype=float).T
    eta = np.empty((len(fleet), len(MECHANISMS)))
    for j, (name, mechanism) in enumerate(MECHANISMS.items()):
        acts = np.array([name in CHOICES[c].prevents or not season.competing for c in effects])
        eta[:, j] = stretch @ acts
        if mechanism.exposed or not season.competing:
            eta[:, j] += outside
        if mechanism.driver and season.competing and season.exposure_strength:
            drive = np.array([s.drive(mechanism.driver) for s in sites]) ** season.exposure_strength
            with np.errstate(divide="ignore"):
                eta[:, j] -= np.log(drive)[place] / mechanism.shape
    return eta
