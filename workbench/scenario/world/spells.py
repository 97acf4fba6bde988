"""Spells: the rows of the season to be, one a spell of one unit at one site, with the true fate of each."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from workbench.scenario.world.ageing import Ageing, Standing, daily_stress, linear_predictor
from workbench.scenario.world.choices import level_names
from workbench.scenario.world.fieldwork import Ending, Fate, Trips, observe
from workbench.scenario.world.mechanisms import EARLY_CAUSES, MECHANISMS, known_mechanism
from workbench.scenario.world.places import Place
from workbench.scenario.world.simulated_season import Season
from workbench.scenario.world.weather import Weather, draw_weather

__all__ = ["Outing", "Spell", "World", "live_season", "make_world"]


@dataclass(frozen=True, kw_only=True)
class World:
    """What is true of a season before anything happens.

    Attributes
    ----------
    season : Season
        Its options.
    sites : tuple of Place
        The sites.
    site_effects : np.ndarray, shape (number of sites,)
        Effects of the sites on log time beyond their environment.
    effects : mapping of str to mapping of str to float
        Complete effects of the choices on log time.
    trips : list of Trips
        One a site.
    weather : Weather
        Of the season.
    law : Ageing
        The law of the lives.
    """

    season: Season
    sites: tuple[Place, ...]
    site_effects: np.ndarray
    effects: Mapping[str, Mapping[str, float]]
    trips: list[Trips]
    weather: Weather
    law: Ageing

    def standing(self, fleet: pd.DataFrame, start: np.ndarray) -> Standing:
        """Return where units stand since which day of the season, and what acts on them."""
        eta = linear_predictor(fleet, self.season, self.sites, site_effects=self.site_effects, effects=self.effects)
        return Standing(place=fleet["place"].to_numpy(), start=start, eta=eta)


@dataclass(frozen=True, kw_only=True)
class Outing:
    """One unit put out at one site, before anything happens.

    Attributes
    ----------
    unit : mapping
        Row of the fleet.
    deployment : int
        Number of the spell of this unit.
    deployed, entered : int
        Day of deployment in the season, and age at which observation began.
    ages : np.ndarray, shape (m,)
        True failure age of each mechanism.
    visits : np.ndarray of int
        Ages at which it is looked for.
    doing : str
        What else was done to the unit: "", refitted (the row is closed), after_refit or again (put out again).
    """

    unit: Mapping[str, Any]
    deployment: int
    deployed: int
    ages: np.ndarray
    visits: np.ndarray
    entered: int = 0
    doing: str = ""


@dataclass(frozen=True, kw_only=True)
class Spell(Outing):
    """One row of the log to be: an outing with what happened, what was written down and the true cause."""

    fate: Fate
    ending: Ending
    cause: str = ""

    @property
    def mechanism(self) -> str:
        """The true mechanism of the first failure."""
        return "wiring_or_joint_defect" if self.fate.dies == 0 else list(MECHANISMS)[int(np.argmin(self.ages))]


def make_world(
    fleet: pd.DataFrame,
    season: Season,
    sites: tuple[Place, ...],
    *,
    effects: Mapping[str, Mapping[str, float]],
    trips: list[Trips],
    rng: np.random.Generator,
) -> World:
    """Draw the site effects and set the baseline life."""
    drawn = season.site_sd * rng.standard_normal(len(sites))
    given = season.site_effects or {}
    site_effects = np.array([given.get(p.name, e) for p, e in zip(sites, drawn, strict=True)])
    reach = 2 * max(season.days + 7, season.mission) + season.deploy_days
    weather = draw_weather(season, sites, reach, rng=rng)
    eta = linear_predictor(fleet, season, sites, site_effects=site_effects, effects=effects)
    place = fleet["place"].to_numpy()
    units = Standing(place=place, start=np.array([t.deploy for t in trips])[place], eta=eta)
    out = np.array([t.visits[-1] - t.deploy for t in trips])[place]
    return World(
        season=season,
        sites=sites,
        site_effects=site_effects,
        effects=effects,
        trips=trips,
        weather=weather,
        law=Ageing.calibrated(season, daily_stress(season, sites, weather), units, followed=out),
    )


def live_season(world: World, fleet: pd.DataFrame, rng: np.random.Generator) -> list[Spell]:
    """Let every unit live, be visited, refitted and put out again."""
    start = np.array([t.deploy for t in world.trips])[fleet["place"].to_numpy()]
    ages = world.law.draw(world.standing(fleet, start), rng)
    spells = []
    for unit, row in zip(fleet.to_dict("records"), ages, strict=True):
        trips = world.trips[unit["place"]]
        visits = _looked_for(trips.visits - trips.deploy, world.season, rng)
        outing = Outing(unit=unit, deployment=1, deployed=trips.deploy, ages=row, visits=visits)
        spells.append(_spell(world, outing, rng))
    count = len(spells)
    refit = _chosen(spells, _may_be_refitted, round(world.season.refit_share * count), rng=rng)
    rest = [s for i, s in enumerate(spells) if i not in refit]
    pairs = [part for i in sorted(refit) for part in _refit(spells[i], world, rng)]
    again = _chosen(rest, _may_go_out_again, round(world.season.redeployed_share * count), rng=rng)
    more = [_put_out_again(rest[i], world, rng) for i in sorted(again)]
    return sorted([*rest, *pairs, *more], key=lambda s: (s.unit["unit_id"], s.deployment))


def _looked_for(visits: np.ndarray, season: Season, rng: np.random.Generator) -> np.ndarray:
    keep = rng.random(visits.size) >= season.visit_skipped
    keep[-1] = True
    return visits[keep]


def _spell(world: World, outing: Outing, rng: np.random.Generator) -> Spell:
    """Draw what happens in one spell and what people see of it."""
    fate = _fate(world, outing, rng)
    spell = Spell(**vars(outing), fate=fate, ending=observe(fate, outing.visits, rng))
    return replace(spell, cause=_cause(world, spell, rng))


def _fate(world: World, outing: Outing, rng: np.random.Generator) -> Fate:
    """Draw losses, withdrawals and the witness; units that fail are not lost or taken out after they are found."""
    visits, start, place = outing.visits, outing.entered, outing.unit["place"]
    season, chance = world.season, rng.random(6)
    dies = (
        0
        if start == 0 and chance[0] < season.dead_on_arrival_share
        else max(start + 1, int(np.ceil(outing.ages.min())))
    )
    alive = 1 - 0.5 * season.failed_share
    lost = withdrawn = np.inf
    risks = np.array([p.floods + 0.5 * p.drive("people") for p in world.sites])
    if chance[1] < (1 - season.informative_share) * season.missing_share / alive * risks[place] / risks.mean():
        lost = float(_day_of_loss(world, outing, rng))
    if dies and chance[2] < season.informative_share * season.missing_share / season.failed_share:
        lost = min(lost, float(dies))
    if chance[3] < season.withdrawn_share / alive and visits.size > 1:
        withdrawn = float(rng.choice(visits[:-1]))
    witness = "visit"
    if chance[4] < season.telemetry_share:
        witness = "telemetry"
    elif rng.random() < season.memory_share:
        witness = "last_record"
    elif rng.random() < season.guess_share:
        witness = "guess"
    return Fate(
        dies=dies, lost=lost, withdrawn=withdrawn, witness=witness, left_out=bool(chance[5] < season.still_out_share)
    )


def _day_of_loss(world: World, outing: Outing, rng: np.random.Generator) -> int:
    """Draw the age of a loss: with the high water where there is any, else on any day."""
    start, end, place = outing.entered, int(outing.visits[-1]), outing.unit["place"]
    high = world.weather.floods[place] - outing.deployed
    high = high[(high > start) & (high <= end)]
    site = world.sites[place]
    swept = site.floods / (site.floods + 0.5 * site.drive("people"))
    return int(rng.choice(high)) if high.size and rng.random() < swept else int(rng.integers(start + 1, end + 1))


def _cause(world: World, spell: Spell, rng: np.random.Generator) -> str:
    """Draw the circumstance that let the first mechanism act, where and when it did."""
    weights = dict((world.season.causes or {}).get(spell.mechanism, known_mechanism(spell.mechanism).causes))
    site, day = world.sites[spell.unit["place"]], spell.deployed + spell.fate.dies
    near_storm = np.isin(day - np.array([0, 1]), world.weather.storms).any()
    frost = day < world.weather.temperature.shape[1] and world.weather.temperature[spell.unit["place"], day] < 4.0
    for cause, fits in (("flood_or_storm", near_storm), ("salt", site.salty), ("cold_or_ice", frost)):
        if cause in weights:
            weights[cause] *= 3.0 if fits else 0.0
    if spell.fate.dies <= 30:
        weights = {cause: weight * EARLY_CAUSES.get(cause, 1.0) for cause, weight in weights.items()}
    total = sum(weights.values())
    names = list(weights)
    return str(rng.choice(names, p=np.array([weights[c] for c in names]) / total)) if total else "environment"


def _chosen(spells: list[Spell], fits: Callable[[Spell], bool], count: int, *, rng: np.random.Generator) -> set[int]:
    able = [i for i, s in enumerate(spells) if fits(s)]
    return {int(i) for i in rng.choice(able, size=min(count, len(able)), replace=False)} if able and count else set()


def _middle(spell: Spell) -> int:
    return int(spell.visits[spell.visits.size // 2 - 1])


def _may_be_refitted(spell: Spell) -> bool:
    fate = spell.fate
    best = level_names()["lid_seal"][-1]
    if spell.visits.size < 4 or spell.unit["lid_seal"] == best:
        return False
    return min(fate.dies, fate.lost, fate.withdrawn) > _middle(spell)


def _refit(spell: Spell, world: World, rng: np.random.Generator) -> tuple[Spell, Spell]:
    """The row closed on the day of the refit, and the row that goes on with the same clock and the best seal."""
    day, best = _middle(spell), level_names()["lid_seal"][-1]
    closed = Ending(outcome="withdrawn", last_good=day, found=day, basis="visit")
    unit = {**spell.unit, "lid_seal": best}
    units = world.standing(pd.DataFrame([unit]), np.array([spell.deployed]))
    ages = world.law.draw(units, rng, survived=day)[0]
    visits = spell.visits[spell.visits > day]
    outing = Outing(
        unit=unit, deployment=2, deployed=spell.deployed, ages=ages, visits=visits, entered=day, doing="after_refit"
    )
    return replace(spell, ending=closed, doing="refitted"), _spell(world, outing, rng)


def _may_go_out_again(spell: Spell) -> bool:
    ending = spell.ending
    if ending.outcome not in ("failed", "withdrawn") or ending.found is None:
        return False
    return int((spell.visits > ending.found).sum()) >= 3


def _put_out_again(spell: Spell, world: World, rng: np.random.Generator) -> Spell:
    later = spell.visits[spell.visits > spell.ending.found]
    start = spell.deployed + int(later[0])
    ages = world.law.draw(world.standing(pd.DataFrame([spell.unit]), np.array([start])), rng)[0]
    visits = later[1:] - int(later[0])
    outing = Outing(unit=spell.unit, deployment=2, deployed=start, ages=ages, visits=visits, doing="again")
    return _spell(world, outing, rng)
