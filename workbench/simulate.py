"""Simulation: a season of field units with a known truth, written down as people would, and the dirt that they add."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_whole

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["simulate_season"]


def simulate_season(
    n: int, *, seed: int, effects: Mapping[str, Mapping[str, float]] | None = None, **options: Any
) -> "tuple[pd.DataFrame, dict[str, Any]]":
    """Make the log of a season whose truth is known.

    Each mechanism ends a unit at a Weibull time; environment, corrosivity, site and choices stretch or shorten that
    time (they add to log time). The first mechanism to act ends the unit. People then visit every few weeks, so most
    failures are known only to lie between two visits; some units are lost, taken out or left out.

    Parameters
    ----------
    n : int
        Number of units; one row each unless `redeployed_share` or `refit_share` add second rows.
    seed : int
        Of numpy.random.default_rng; the same seed and options give the same log.
    effects : mapping of str to mapping of str to float, optional
        True effects on log time, such as {"lid_seal": {"o_ring": 0.5}}; choices and levels not named have none, {} is a
        season in which no choice matters. None stands for the defaults of `workbench.scenario.choices.CHOICES`:
        lid_seal cord 0.25 and o_ring 0.55 over flat_gasket, seal_bonded 0.20, vent membrane 0.20, board_protection
        varnish 0.15 and potting 0.40, cable_entry bottom 0.20, fasteners a2 0.10 and a4 0.15, enclosure_rating IP67
        0.05, desiccant 0.05; seal_material, closure and shade none.
    **options
        Any attribute of `workbench.scenario.simulated_season.Season`, with the same meaning and
        default: season, start, days,
        deploy_days, mission, sites, visit_gap, visit_skipped, failed_share, shape, competing, exposure_strength,
        site_sd, confounding, shares, batches, alias, unit_prefix, first_number, site_effects, missing_share,
        informative_share, withdrawn_share, dead_on_arrival_share, telemetry_share, memory_share, guess_share,
        still_out_share, redeployed_share, refit_share, opened_failed_share, opened_alive_share, undetermined_share,
        wrong_verdict_share and not_checked_share.

    Returns
    -------
    log : pandas.DataFrame
        Headings of the data dictionary; every cell is text as typed, NaN where empty.
    truth : dict
        Plain values (JSON can hold them); lists have one value a row of the log:

        - seed, units; mission_days, season_days
        - effects: choice -> level -> effect on log time; prevents: choice -> mechanisms on which it acts
        - environment_effects, corrosivity_effects, site_effects: effects on log time of what the place does
        - shape, scale: mechanism -> Weibull shape, and scale in days where all effects are 0
        - alias: choice -> the column that it follows exactly
        - failure_day: first day without usable data had the unit stayed out (age in whole days, 0 = dead on arrival);
          mechanism: what ended or would have ended it; mechanism_days: mechanism -> its own failure age in days
        - lost_day: age at which it was lost, None if never; visit_days: ages at which it was looked for, the last
          being the retrieval
        - mission_survival, restricted_mean: choice -> level -> share of all rows that last the mission, and mean days
          up to it, if every one carried the level; fleet_mission_survival, fleet_restricted_mean: as they were

    Raises
    ------
    UsageError
        An unknown option, choice or level, or a value out of range.

    Examples
    --------
    >>> log, truth = simulate_season(60, seed=1, effects={"lid_seal": {"o_ring": 0.5}})
    >>> len(log), truth["effects"]["lid_seal"]
    (60, {'flat_gasket': 0.0, 'cord': 0.0, 'o_ring': 0.5})
    """
    from workbench.scenario import (
        complete_effects,
        draw_fleet,
        draw_trips,
        level_names,
        live_season,
        make_world,
        places,
        season_of,
        truth_of,
        write_log,
    )

    count = check_whole("n", n, least=1)
    season = season_of(options, level_names())
    complete = complete_effects(effects)
    rng = np.random.default_rng(check_whole("seed", seed))
    fleet = draw_fleet(count, season, rng)
    trips = draw_trips(season, rng)
    world = make_world(fleet, season, places(season.sites), effects=complete, trips=trips, rng=rng)
    spells = live_season(world, fleet, rng)
    truth = {"seed": int(seed), "units": count, **truth_of(world, spells)}
    return write_log(world, spells, rng), truth
