"""Seasons that break one assumption of the ranking at a time, with the gain that is true in each."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from workbench.lives import Lives

CHOICES = {
    "lid_seal": {"flat_gasket": 0.4, "cord": 0.3, "o_ring": 0.3},
    "seal_bonded": {"no": 0.55, "yes": 0.45},
    "fasteners": {"zinc_plated": 0.3, "a2": 0.4, "a4": 0.3},
    "vent": {"none": 0.5, "membrane": 0.5},
    "board_protection": {"none": 0.35, "varnish": 0.4, "potting": 0.25},
    "cable_entry": {"side": 0.4, "bottom": 0.6},
}
"""Choices, their levels and the share of units with each; the first is the plainest."""
EFFECTS = {
    "lid_seal": {"cord": 0.25, "o_ring": 0.55},
    "vent": {"membrane": 0.2},
    "board_protection": {"varnish": 0.15, "potting": 0.4},
}
"""Effects on log life in seasons that have any."""
MISSION, SEASON = 180.0, 240.0
ENVIRONMENTS = {"marsh": -0.45, "bog": -0.1, "lane": 0.35}
SHAPE, MIDDLE = 1.6, 5.85
"""Weibull shape, and the log scale at which about a third fail within the season."""


@dataclass(frozen=True, kw_only=True)
class Attack:
    """What a season does otherwise than the ranking's model supposes; the defaults are a season that keeps to it.

    Attributes
    ----------
    effects : dict of choice to dict of level to float
        Effects on log life.
    lost_failing : dict of level of the vent to float
        Share of the units that fail in the season which are never seen again, by level.
    shapes : dict of level of the seal to float
        Power by which the life of each level is stretched around `crossing`: the curves cross there.
    crossing : float
        Day at which they do.
    immune : float
        Share of units that never fail.
    local : dict of environment to float
        Effect on log life of the vent's membrane in each environment.
    follows : float
        Share of units whose vent is a membrane in the marsh and none elsewhere.
    lognormal : bool
        Lives are lognormal.
    early : float
        Share of units that die young, after 15 days on average.
    visits : tuple of int
        Shortest and longest gap between two visits.
    refit : float
        Share of units that get another seal at a visit near day 90; a life in two rows.
    site_sd : float
        Of the site effects on log life.
    sites : int
        Number of sites.
    together : float
        Share of units whose cable entry follows the board's protection.
    misjudged : float
        Share of failures given to the wrong one of two mechanisms; 0 with `two` False is one mechanism for all.
    two : bool
        Half of the hazard is a mechanism that no choice acts on, and only the other counts.
    record_as_visit : bool
        The last day with a record is taken for the last visit at which the unit worked.
    """

    effects: dict
    lost_failing: dict | None = None
    shapes: dict | None = None
    crossing: float = MISSION
    immune: float = 0.0
    local: dict | None = None
    follows: float = 0.0
    lognormal: bool = False
    early: float = 0.0
    visits: tuple[int, int] = (21, 42)
    refit: float = 0.0
    site_sd: float = 0.25
    sites: int = 9
    together: float = 0.0
    misjudged: float = 0.0
    two: bool = False
    record_as_visit: bool = False


NONE = Attack(effects={})
SOME = Attack(effects=EFFECTS)
HELPS_AND_HARMS = {"marsh": 0.6, "bog": 0.0, "lane": -0.6}
ATTACKS = {
    "no effect": NONE,
    "effects": SOME,
    "failing units of one level missing, no effect": replace(NONE, lost_failing={"none": 0.08, "membrane": 0.45}),
    "failing units of one level missing, effects": replace(SOME, lost_failing={"none": 0.08, "membrane": 0.45}),
    "shapes differ, equal at the mission": replace(NONE, shapes={"cord": 0.6, "o_ring": 1.8}),
    "curves cross at day 90": replace(NONE, shapes={"cord": 0.8, "o_ring": 1.5}, crossing=90.0),
    "a part never fails, no effect": replace(NONE, immune=0.4),
    "a part never fails, effects": replace(SOME, immune=0.4),
    "helps here, harms there": replace(NONE, local=HELPS_AND_HARMS),
    "the same, sent where it helps": replace(NONE, local=HELPS_AND_HARMS, follows=0.6),
    "lognormal lives, effects": replace(SOME, lognormal=True),
    "early deaths, no effect": replace(NONE, early=0.15),
    "early deaths, effects": replace(SOME, early=0.15),
    "visits every 60 days, no effect": replace(NONE, visits=(55, 65)),
    "visits every 60 days, effects": replace(SOME, visits=(55, 65)),
    "refits, no effect": replace(NONE, refit=0.25),
    "site frailty 0.8, no effect": replace(NONE, site_sd=0.8),
    "site frailty 0.8, effects": replace(SOME, site_sd=0.8),
    "three sites, no effect": replace(NONE, sites=3),
    "a null choice follows a strong one": replace(
        NONE, effects={"board_protection": {"varnish": 0.4, "potting": 0.9}}, together=0.8
    ),
    "mechanisms misjudged, effects": replace(SOME, two=True, misjudged=0.2),
    "last record taken as visit, no effect": replace(NONE, record_as_visit=True),
    "last record taken as visit, effects": replace(SOME, record_as_visit=True),
}
"""The scenarios by name."""


@dataclass(frozen=True)
class Fleet:
    """Units as built: level numbers of each choice, and the place of each."""

    levels: dict[str, np.ndarray]
    site: np.ndarray
    environment: np.ndarray
    harsh: np.ndarray


def attacked_season(attack: Attack, seed: int, units: int = 168) -> tuple[Lives, dict[str, dict[str, float]]]:
    """Return the lives of a season and the share of its fleet that each level would bring to the mission."""
    rng = np.random.default_rng(seed)
    fleet = _fleet(attack, units, rng)
    luck = _luck(attack, units, rng)
    truth = {
        name: {level: float(np.mean(_life(attack, fleet, luck, put_in=(name, i)))) for i, level in enumerate(levels)}
        for name, levels in CHOICES.items()
    }
    return _seen(attack, fleet, _days(attack, fleet, luck, rng), rng=rng), truth


def _fleet(attack: Attack, units: int, rng: np.random.Generator) -> Fleet:
    names = list(ENVIRONMENTS)
    site = rng.integers(0, attack.sites, units)
    environment = site * 3 // max(attack.sites, 3)
    harsh = np.array(list(ENVIRONMENTS.values()))[environment] + rng.normal(0, attack.site_sd, attack.sites)[site]
    levels = {
        name: rng.choice(len(shares), units, p=np.array(list(shares.values()))) for name, shares in CHOICES.items()
    }
    follows = rng.random(units) < attack.follows
    levels["vent"] = np.where(follows, environment == names.index("marsh"), levels["vent"]).astype(int)
    together = rng.random(units) < attack.together
    levels["cable_entry"] = np.where(together, levels["board_protection"] > 0, levels["cable_entry"]).astype(int)
    return Fleet(levels, site, environment, harsh)


def _luck(attack: Attack, units: int, rng: np.random.Generator) -> np.ndarray:
    """Which units never fail and which die young, as shares of 1 that a level cannot change; shape (units, 2)."""
    return np.column_stack([rng.random(units) < attack.immune, rng.random(units) < attack.early])


def _location(attack: Attack, fleet: Fleet, put_in: tuple[str, int] | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Log scale of each unit's life and the power of its seal, with one level put into all."""
    codes = dict(fleet.levels)
    if put_in is not None:
        codes[put_in[0]] = np.full(len(fleet.site), put_in[1])
    location = MIDDLE + fleet.harsh
    for name, levels in CHOICES.items():
        effect = attack.effects.get(name, {})
        location = location + np.array([effect.get(level, 0.0) for level in levels])[codes[name]]
    if attack.local:
        location = location + codes["vent"] * np.array(list(attack.local.values()))[fleet.environment]
    power = np.array([(attack.shapes or {}).get(level, 1.0) for level in CHOICES["lid_seal"]])[codes["lid_seal"]]
    return location, power


def _left(attack: Attack, location: np.ndarray, time: np.ndarray | float) -> np.ndarray:
    """Share alive at a time of units that are neither immune nor die young."""
    z = SHAPE * (np.log(time) - location)
    if attack.lognormal:
        from scipy.special import ndtr

        return np.asarray(ndtr(-z))
    return np.exp(-np.exp(z) * (0.5 if attack.two else 1.0))


def _life(attack: Attack, fleet: Fleet, luck: np.ndarray, put_in: tuple[str, int]) -> np.ndarray:
    """Chance of each unit to outlast the mission with a level put in."""
    location, power = _location(attack, fleet, put_in)
    immune, early = luck.T
    time = attack.crossing * (MISSION / attack.crossing) ** (1.0 / power)
    left = np.where(immune, 1.0, _left(attack, location, time))
    return np.where(early & ~immune, np.exp(-MISSION / 15.0), left)


def _days(attack: Attack, fleet: Fleet, luck: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Day on which each unit fails (inf: never), and whether by the mechanism that choices act on."""
    location, power = _location(attack, fleet)
    n = len(location)
    noise = rng.standard_normal(n) if attack.lognormal else np.log(rng.exponential(size=n) * (2 if attack.two else 1))
    life = attack.crossing * (np.exp(location + noise / SHAPE) / attack.crossing) ** power
    immune, early = luck.T
    life = np.where(early, rng.exponential(15.0, n), life)
    life = np.where(immune, np.inf, life)
    ours = np.ones(n, dtype=bool)
    if attack.two:
        other = np.exp(MIDDLE + fleet.harsh + np.log(2 * rng.exponential(size=n)) / SHAPE)
        life, ours = np.minimum(life, other), life <= other
    return np.maximum(life, 0.5), ours


def _seen(attack: Attack, fleet: Fleet, days: tuple[np.ndarray, np.ndarray], *, rng: np.random.Generator) -> Lives:
    """The lives as visits and losses leave them known."""
    life, ours = days
    n = len(life)
    visits = [_visits(attack, rng) for _ in range(attack.sites)]
    after = np.array(
        [
            np.append(v, np.inf)[np.searchsorted(v, t)]
            for v, t in zip((visits[s] for s in fleet.site), life, strict=True)
        ]
    )
    before = np.array(
        [np.append(0.0, v)[np.searchsorted(v, t)] for v, t in zip((visits[s] for s in fleet.site), life, strict=True)]
    )
    failed = np.isfinite(after)
    lower, upper = before, after
    if attack.record_as_visit:
        lower = np.where(failed, np.floor(life), before)
        lower = np.where(lower >= after, after - 1, lower)
    exact = failed & (rng.random(n) < 0.15)
    lower = np.where(exact, np.minimum(np.floor(life), after - 1), lower)
    upper = np.where(exact, lower + 1, upper)
    outcome = np.where(failed, "failed", "working")
    left = np.where(rng.random(n) < 0.15, rng.uniform(10, SEASON, n), np.inf)
    gone = left < np.where(failed, life, SEASON)
    outcome = np.where(gone, np.where(rng.random(n) < 0.6, "missing", "withdrawn"), outcome)
    lower = np.where(gone, np.minimum(np.floor(left), before), lower)
    if attack.lost_failing:
        share = np.array([attack.lost_failing[level] for level in CHOICES["vent"]])[fleet.levels["vent"]]
        swept = failed & ~gone & (rng.random(n) < share)
        outcome, lower, gone = np.where(swept, "missing", outcome), np.where(swept, before, lower), gone | swept
    upper = np.where(gone, np.inf, upper)
    frame = pd.DataFrame({name: np.array(list(CHOICES[name]), dtype=object)[c] for name, c in fleet.levels.items()})
    frame["site"] = [f"site {s}" for s in fleet.site]
    frame["environment"] = np.array(list(ENVIRONMENTS), dtype=object)[fleet.environment]
    frame["outcome"], frame["followed_to"] = outcome, np.maximum(SEASON, lower)
    cause = None
    if attack.two:
        judged = np.where(rng.random(n) < attack.misjudged, ~ours, ours)
        cause = np.where(np.isfinite(upper), np.where(judged, "water", "other"), "")
    lives = Lives.from_arrays(lower=lower, upper=upper, covariates=frame, cause=cause)
    return _refitted(lives, attack, rng) if attack.refit else lives


def _visits(attack: Attack, rng: np.random.Generator) -> np.ndarray:
    shortest, longest = attack.visits
    days = np.cumsum(rng.integers(shortest, longest + 1, 20)).astype(float)
    return np.append(days[days < SEASON - shortest / 2], SEASON)


def _refitted(lives: Lives, attack: Attack, rng: np.random.Generator) -> Lives:
    """Some units known to work at day 90 get an o-ring then: the life goes on in a second row of the same cluster."""
    rows = np.flatnonzero((lives.lower > 90) & (rng.random(len(lives)) < attack.refit))
    frame = pd.concat([lives.covariates, lives.covariates.iloc[rows].assign(lid_seal="o_ring")], ignore_index=True)
    first = frame.index.isin(rows)
    frame.loc[first, "outcome"] = "withdrawn"
    lower, upper = (np.concatenate([x, x[rows]]) for x in (lives.lower, lives.upper))
    entry = np.concatenate([np.zeros(len(lives)), np.full(len(rows), 90.0)])
    lower, upper = np.where(first, 90.0, lower), np.where(first, np.inf, upper)
    names = np.array([f"unit {i}" for i in range(len(lives))], dtype=object)
    cluster = np.concatenate([names, names[rows]])
    return Lives.from_arrays(lower=lower, upper=upper, entry=entry, covariates=frame, cluster=cluster)
