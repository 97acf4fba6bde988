"""Ageing: the true law of every unit's life, the failure times drawn from it, and the true survival it implies."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.scenario.choices import CHOICES
from workbench.scenario.mechanisms import MECHANISMS
from workbench.scenario.places import Place
from workbench.scenario.simulated_season import Season

__all__ = ["Ageing", "calibrated", "linear_predictor"]

_PRESSURE_EFFECTS = {"low": 0.3, "medium": 0.0, "high": -0.4}
"""True effect of a pressure (animals, people) on the log time of the mechanism that it feeds."""


@dataclass(frozen=True, kw_only=True)
class Ageing:
    """Cumulative hazards of m mechanisms: H_m(t) = base_m (t / days)^shape_m exp(-shape_m eta_m).

    Attributes
    ----------
    days : float
        Length of the season.
    base : np.ndarray, shape (m,)
        Cumulative hazard of each mechanism over `days` where eta is 0.
    shape : np.ndarray, shape (m,)
        Weibull shapes.
    """

    days: float
    base: np.ndarray
    shape: np.ndarray

    @property
    def scale(self) -> np.ndarray:
        """Weibull scale of each mechanism in days where eta is 0, shape (m,)."""
        return self.days / self.base ** (1 / self.shape)

    def hazard(self, time: np.ndarray | float, eta: np.ndarray) -> np.ndarray:
        """Return the cumulative hazard of each mechanism.

        Shapes: eta (n, m), returns (n, m).
        """
        ages = np.broadcast_to(np.asarray(time, dtype=float), eta.shape[:1])[:, None]
        return self.base * (ages / self.days) ** self.shape * np.exp(-self.shape * eta)

    def draw(self, eta: np.ndarray, rng: np.random.Generator, survived: np.ndarray | float = 0.0) -> np.ndarray:
        """Draw failure ages of each mechanism for units that survived to an age.

        Shapes: eta (n, m), returns (n, m).
        """
        reached = self.hazard(survived, eta) + rng.exponential(size=eta.shape)
        return self.days * (reached / (self.base * np.exp(-self.shape * eta))) ** (1 / self.shape)

    def mean_survival(self, times: np.ndarray, eta: np.ndarray) -> np.ndarray:
        """Return the survival at some ages, averaged over the units.

        Shapes: times (k,), eta (n, m), returns (k,).
        """
        powers = (np.asarray(times, dtype=float) / self.days) ** self.shape[:, None]
        return np.exp(-(self.base * np.exp(-self.shape * eta)) @ powers).mean(axis=0)


def calibrated(season: Season, eta: np.ndarray, followed: np.ndarray) -> Ageing:
    """Return the law under which `failed_share` of the units fail within their time out.

    Shapes: eta (n, m), followed (n,).
    """
    from scipy.optimize import brentq

    share = np.array([m.share for m in MECHANISMS.values()])
    shape = np.array([m.shape if season.competing else season.shape for m in MECHANISMS.values()])
    by_mechanism = Ageing(days=float(season.days), base=np.ones(len(share)), shape=shape).hazard(followed, eta)
    base = share / by_mechanism.mean(axis=0) if season.competing else share
    unit = by_mechanism @ base
    level = brentq(lambda x: -np.expm1(-np.exp(x) * unit).mean() - season.failed_share, -30, 30)
    return Ageing(days=float(season.days), base=np.exp(level) * base, shape=shape)


def linear_predictor(
    fleet: pd.DataFrame,
    season: Season,
    sites: tuple[Place, ...],
    *,
    site_effects: np.ndarray,
    effects: Mapping[str, Mapping[str, float]],
) -> np.ndarray:
    """Return the effects on log time of every unit and mechanism.

    Shapes: site_effects (number of sites,), returns (n, m).
    """
    place = fleet["place"].to_numpy()
    outside = season.exposure_strength * np.array([s.effect for s in sites])[place] + site_effects[place]
    stretch = np.column_stack([fleet[c].map(levels).to_numpy(dtype=float) for c, levels in effects.items()])
    eta = np.empty((len(fleet), len(MECHANISMS)))
    for j, (name, mechanism) in enumerate(MECHANISMS.items()):
        acts = np.array([name in CHOICES[c].prevents or not season.competing for c in effects])
        eta[:, j] = stretch @ acts
        if mechanism.exposed or not season.competing:
            eta[:, j] += outside
        if mechanism.pressure and season.competing:
            pressure = np.array([_PRESSURE_EFFECTS[getattr(s, mechanism.pressure)] for s in sites])
            eta[:, j] += season.exposure_strength * pressure[place]
    return eta
