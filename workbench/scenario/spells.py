"""Spells: the rows of the season to be, one a spell of one unit at one site, with the true fate of each."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from workbench.scenario.ageing import Ageing, calibrated, linear_predictor
from workbench.scenario.choices import level_names
from workbench.scenario.fieldwork import Ending, Fate, Trips, observe
from workbench.scenario.mechanisms import MECHANISMS
from workbench.scenario.places import Place
from workbench.scenario.simulated_season import Season

__all__ = ["Spell", "World", "live_season", "make_world"]


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
    law : Ageing
        The law of the lives.
    """

    season: Season
    sites: tuple[Place, ...]
    site_effects: np.ndarray
    effects: Mapping[str, Mapping[str, float]]
    trips: list[Trips]
    law: Ageing

    def eta(self, fleet: pd.DataFrame) -> np.ndarray:
        """Effects on log time of every unit and mechanism.

        Shapes: returns (n, m).
        """
        return linear_predictor(fleet, self.season, self.sites, site_effects=self.site_effects, effects=self.effects)


@dataclass(frozen=True, kw_only=True)
class Spell:
    """One row of the log to be.

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
    fate : Fate
        What happens.
    ending : Ending
        What was written down.
    note : str
        Remark of the people in the field.
    """

    unit: Mapping
    deployment: int
    deployed: int
    ages: np.ndarray
    fate: Fate
    ending: Ending
    entered: int = 0
    note: str = ""
    visits: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    @property
    def mechanism(self) -> str:
        """The true mechanism of the first failure."""
        return "build_error" if self.fate.dies == 0 else list(MECHANISMS)[int(np.argmin(self.ages))]


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
    eta = linear_predictor(fleet, season, sites, site_effects=site_effects, effects=effects)
    out = np.array([t.visits[-1] - t.deploy for t in trips], dtype=float)[fleet["place"].to_numpy()]
    law = calibrated(season, eta, out)
    return World(season=season, sites=sites, site_effects=site_effects, effects=effects, trips=trips, law=law)


def live_season(world: World, fleet: pd.DataFrame, rng: np.random.Generator) -> list[Spell]:
    """Let every unit live, be visited, refitted and put out again."""
    ages = world.law.draw(world.eta(fleet), rng)
    units = fleet.to_dict("records")
    spells = []
    for unit, row in zip(units, ages, strict=True):
        trips = world.trips[unit["place"]]
        visits = _looked_for(trips.visits - trips.deploy, world.season, rng)
        fate = _fate(row, visits, world.season, rng=rng)
        ending = observe(fate, visits, rng)
        first = {"unit": unit, "deployment": 1, "deployed": trips.deploy}
        spells.append(Spell(**first, ages=row, fate=fate, ending=ending, visits=visits))
    count = len(units)
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


def _fate(ages: np.ndarray, visits: np.ndarray, season: Season, *, rng: np.random.Generator, start: int = 0) -> Fate:
    """Draw losses, withdrawals and the witness; units that fail are not lost or taken out after they are found."""
    chance = rng.random(6)
    end = int(visits[-1])
    dies = 0 if start == 0 and chance[0] < season.dead_on_arrival_share else max(start + 1, int(np.ceil(ages.min())))
    alive = 1 - 0.5 * season.failed_share
    lost = withdrawn = np.inf
    if chance[1] < (1 - season.informative_share) * season.missing_share / alive:
        lost = float(rng.integers(start + 1, end + 1))
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


def _chosen(spells: list[Spell], fits, count: int, *, rng: np.random.Generator) -> set[int]:
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
    ages = world.law.draw(world.eta(pd.DataFrame([unit])), rng, survived=day)[0]
    visits = spell.visits[spell.visits > day]
    fate = _fate(ages, visits, world.season, rng=rng, start=day)
    before = replace(spell, ending=closed, note=f"refit: {best} fitted, row closed")
    after = replace(
        spell,
        unit=unit,
        deployment=2,
        entered=day,
        ages=ages,
        fate=fate,
        ending=observe(fate, visits, rng),
        visits=visits,
    )
    return before, replace(after, note="goes on after the refit")


def _may_go_out_again(spell: Spell) -> bool:
    ending = spell.ending
    if ending.outcome not in ("failed", "withdrawn") or ending.found is None:
        return False
    return int((spell.visits > ending.found).sum()) >= 3


def _put_out_again(spell: Spell, world: World, rng: np.random.Generator) -> Spell:
    later = spell.visits[spell.visits > spell.ending.found]
    start, visits = int(later[0]), later[1:] - int(later[0])
    ages = world.law.draw(world.eta(pd.DataFrame([spell.unit])), rng)[0]
    fate = _fate(ages, visits, world.season, rng=rng)
    return replace(
        spell,
        deployment=2,
        deployed=spell.deployed + start,
        ages=ages,
        fate=fate,
        ending=observe(fate, visits, rng),
        visits=visits,
        note="repaired on the bench and put out again",
    )
