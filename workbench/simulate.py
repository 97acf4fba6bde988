"""Simulation: what would a season of field units of known truth leave behind, on paper and in the units' memories?"""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_whole

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["simulate_records", "simulate_season"]


def simulate_season(
    n: int, *, seed: int, effects: Mapping[str, Mapping[str, float]] | None = None, **options: Any
) -> "tuple[pd.DataFrame, dict[str, Any]]":
    """Make the log of a season whose truth is known.

    Each mechanism ends a unit at a Weibull time; the choices that can act on it, the place and the site stretch or
    shorten that time (they add to log time). Storm days, days of high water and cold, shared by the units of a site,
    raise the hazard of some mechanisms on that day. The first mechanism to act ends the unit; its cause is drawn by
    where and when it did. People visit every few weeks, so most failures are known only to lie between two visits; some
    units are lost, taken out or left out.

    Parameters
    ----------
    n : int
        Number of units; one row each unless `redeployed_share` or `refit_share` add second rows.
    seed : int
        Of numpy.random.default_rng; the same seed and options give the same log.
    effects : mapping of str to mapping of str to float, optional
        True effects on log time, such as {"lid_seal": {"o_ring": 0.5}}; choices and levels not named have none, {} is a
        season in which no choice matters. None stands for the defaults that `scenario.world.choices.CHOICES` lists,
        with lid_seal cord 0.25 and o_ring 0.55 over flat_gasket among them.
    **options
        Any attribute of `scenario.world.simulated_season.Season`, with the same meaning and default: season, start,
        days, deploy_days, mission, sites, visit_gap, visit_skipped, failed_share, shape, competing, mechanism_shares,
        exposure_strength, weather_strength, storms, site_sd, confounding, shares, batches, kit_share, alias,
        unit_prefix, first_number, site_effects, missing_share, informative_share, withdrawn_share,
        dead_on_arrival_share, telemetry_share, memory_share, guess_share, still_out_share, redeployed_share,
        refit_share, opened_failed_share, opened_alive_share, undetermined_share, wrong_verdict_share, causes,
        wrong_cause_share, typing_error_share and not_checked_share.

    Returns
    -------
    log : pandas.DataFrame
        Headings of the data dictionary; every cell is text as typed, NaN where empty.
    truth : dict
        Plain values (JSON can hold them); lists have one value per row of the log:

        - seed, units; mission_days, season_days, start, sites
        - effects: choice -> level -> effect on log time; prevents: choice -> mechanisms on which it acts
        - environment_effects, corrosivity_effects, site_effects: effects on log time of what the place does to leaks
          and damp; drives: mechanism -> site -> what the place multiplies its hazard with
        - storm_days, flood_days (site -> days), counted from the first deployment trip
        - shape, scale: mechanism -> Weibull shape, and scale in days where all effects are 0 and no storm strikes
        - alias: choice -> the column that it follows exactly; kit: the kit of each row's unit
        - failure_day: first day without usable data had the unit stayed out (age in whole days, 0 = dead on arrival);
          mechanism and cause: what ended or would have ended it; mechanism_days: mechanism -> its own failure age in
          days (99,999: cannot act there)
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
    from workbench.scenario.paper import write_log
    from workbench.scenario.world import (
        complete_effects,
        draw_fleet,
        draw_trips,
        level_names,
        live_season,
        make_world,
        places,
        season_of,
        truth_of,
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


def simulate_records(
    log: "pd.DataFrame",
    truth: Mapping[str, Any],
    *,
    seed: int,
    units: Sequence[str] | None = None,
    every_hours: int = 3,
) -> "tuple[dict[tuple[str, int], pd.DataFrame], list[dict[str, Any]]]":
    """Make the memory files of the units of a simulated season that came back.

    A file holds one reading of battery voltage, humidity and temperature inside every few hours, from the morning of
    the first day to the retrieval or to the failure. Damp shows for days to weeks before most moisture failures, the
    voltage falls before a battery is exhausted, a firmware fault may stop a file at midnight or throw the clock back;
    other failures come without a warning.

    Parameters
    ----------
    log : pandas.DataFrame
        The undamaged log of `simulate_season`.
    truth : mapping
        Its truth.
    seed : int
        Of numpy.random.default_rng.
    units : sequence of str, optional
        Only these; by default all that came back.
    every_hours : int, default 3
        Time between two readings.

    Returns
    -------
    records : dict of (unit_id, deployment) to pandas.DataFrame
        time (text, year-month-day hour:minute, as the unit's own clock showed it), battery_v, humidity_inside (percent)
        and temperature_inside (degrees C).
    known : list of dict
        One per file, plain values: unit_id, deployment, failed, mechanism, last_record (true time), failure_day (age),
        damp_from (age at which damp begins to show, None without), clock_lost_at (true time, None without),
        records_kept and records_missing.

    Raises
    ------
    UsageError
        A unit that is not in the log, an hour count below 1, or a truth of another log.

    Examples
    --------
    >>> log, truth = simulate_season(20, seed=1)
    >>> records, known = simulate_records(log, truth, seed=1, units=["LM-004"], every_hours=12)
    >>> list(records[("LM-004", 1)].columns)
    ['time', 'battery_v', 'humidity_inside', 'temperature_inside']
    """
    from workbench.scenario.paper import lives_of, records_of

    every = check_whole("every_hours", every_hours, least=1)
    rng = np.random.default_rng(check_whole("seed", seed))
    season, lives = lives_of(log, truth, units)
    made = {(str(x.row["unit_id"]), int(x.row["deployment"])): records_of(x, season, every, rng=rng) for x in lives}
    return {key: table for key, (table, _) in made.items()}, [known for _, known in made.values()]
