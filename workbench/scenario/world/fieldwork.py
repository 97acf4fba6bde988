"""Fieldwork: trips to the sites, and what people saw and wrote down of each unit's life."""

from dataclasses import dataclass

import numpy as np

from workbench.scenario.world.simulated_season import Season

__all__ = ["Ending", "Fate", "Trips", "draw_trips", "observe"]


@dataclass(frozen=True, kw_only=True)
class Trips:
    """Days of the trips to one site, counted from the first deployment trip of the season.

    Attributes
    ----------
    deploy : int
        Day of deployment.
    visits : np.ndarray of int
        Days of the visits, the last being the retrieval.
    """

    deploy: int
    visits: np.ndarray


@dataclass(frozen=True, kw_only=True)
class Ending:
    """What is known of how one spell ended; days are ages since deployment, None where nothing was written.

    Attributes
    ----------
    outcome : str
        failed, working, missing or withdrawn.
    last_good, failed, found : int or None
        The three dates of the log.
    basis : str
        time_basis of the log, "" where empty.
    """

    outcome: str
    last_good: int | None = None
    failed: int | None = None
    found: int | None = None
    basis: str = ""


@dataclass(frozen=True, kw_only=True)
class Fate:
    """What happens to a unit and what can be known of it: ages in days, `never` where it does not happen.

    Attributes
    ----------
    dies : int
        First day without usable data; 0 for a unit that never recorded.
    lost : float
        Age of loss, inf if never.
    withdrawn : float
        Age of the visit at which it is taken out, inf if never.
    witness : str
        telemetry, last_record, guess or visit: how a failure becomes known.
    left_out : bool
        Whether it stays out after the last visit when it works.
    """

    dies: int
    lost: float = np.inf
    withdrawn: float = np.inf
    witness: str = "visit"
    left_out: bool = False


def draw_trips(season: Season, rng: np.random.Generator) -> list[Trips]:
    """Draw the trips to every site."""
    shortest, longest = season.visit_gap
    trips = []
    for site in range(season.sites):
        deploy = season.deploy_days * site // max(season.sites - 1, 1)
        last = season.days + site % 7
        visits, day = [], deploy + int(rng.integers(shortest, longest + 1))
        while day < last - shortest // 2:
            visits.append(day)
            day += int(rng.integers(shortest, longest + 1))
        trips.append(Trips(deploy=deploy, visits=np.array([*visits, last])))
    return trips


def observe(fate: Fate, visits: np.ndarray, rng: np.random.Generator) -> Ending:
    """Return what the visits show of a fate."""
    end = int(visits[-1])
    if fate.withdrawn < min(fate.dies, fate.lost):
        return Ending(outcome="withdrawn", last_good=int(fate.withdrawn), found=int(fate.withdrawn), basis="visit")
    if fate.lost <= end and not visits[(visits >= fate.dies) & (visits < fate.lost)].size:
        return _gone(fate, visits, rng)
    if fate.dies <= end:
        return _dead(fate, visits, int(visits[visits >= fate.dies][0]), rng=rng)
    found = None if fate.left_out else end
    return Ending(outcome="working", last_good=end, found=found, basis="visit")


def _last_seen_working(fate: Fate, visits: np.ndarray) -> int | None:
    before = visits[visits < min(fate.dies, fate.lost)]
    return int(before[-1]) if before.size else None


def _gone(fate: Fate, visits: np.ndarray, rng: np.random.Generator) -> Ending:
    if fate.witness == "telemetry" and 0 < fate.dies < fate.lost:
        return Ending(outcome="failed", last_good=fate.dies - 1, failed=fate.dies, basis="telemetry")
    absent = int(visits[visits >= fate.lost][0])
    if fate.witness == "telemetry" and fate.dies > 0:
        silent = int(min(fate.dies, fate.lost)) - 1
        if silent > 0:
            return Ending(outcome="missing", last_good=silent, found=absent, basis="telemetry")
    return Ending(outcome="missing", last_good=_last_seen_working(fate, visits), found=absent, basis="visit")


def _dead(fate: Fate, visits: np.ndarray, found: int, *, rng: np.random.Generator) -> Ending:
    if fate.dies == 0:
        return Ending(outcome="failed", failed=0, found=found, basis="last_record")
    if fate.witness == "telemetry":
        return Ending(outcome="failed", last_good=fate.dies - 1, failed=fate.dies, found=found, basis="telemetry")
    if fate.witness == "last_record":
        return Ending(outcome="failed", last_good=fate.dies - 1, found=found, basis="last_record")
    seen = _last_seen_working(fate, visits)
    if fate.witness == "guess":
        guess = int(rng.integers((seen or 0) + 1, found + 1))
        return Ending(outcome="failed", last_good=seen, failed=guess, found=found, basis="guess")
    return Ending(outcome="failed", last_good=seen, found=found, basis="visit")
