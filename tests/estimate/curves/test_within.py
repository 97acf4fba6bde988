"""Differences within places: a published example, a second implementation of the curves, cases by hand, coverage."""

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter

from workbench import Lives
from workbench.estimate.curves import differences_within

CENTRES = (
    ((11, 36), (10, 37)),
    ((16, 20), (22, 32)),
    ((14, 19), (7, 19)),
    ((2, 16), (1, 17)),
    ((6, 17), (0, 12)),
    ((1, 11), (0, 10)),
    ((1, 5), (1, 9)),
    ((4, 6), (6, 7)),
)
"""Successes and patients with drug and control at eight centres: Agresti (2013), Categorical Data Analysis."""


def rows_of(lower, upper, levels, places, weight=None):
    lives = Lives.from_arrays(lower=lower, upper=upper, weight=weight)
    return lives, np.asarray(levels), np.asarray(places)


def counted(cells):
    """Lives of (place, level, lasted, units), all watched to day 100 or failed on day 50."""
    rows = [(p, level, n < lasted) for p, level, lasted, units in cells for n in range(units)]
    places, levels, lasted = map(np.array, zip(*rows, strict=True))
    end = np.where(lasted, 100.0, 50.0)
    return Lives.from_arrays(end, ~lasted), levels, places


def test_common_difference_of_eight_centres():
    """Agresti (2013), p. 231: 0.130 with Sato's standard error 0.050; limits as the R package cicalc prints them."""
    cells = [(n, 1 - side, *pair[side]) for n, pair in enumerate(CENTRES) for side in (0, 1)]
    lives, levels, places = counted(cells)
    found = differences_within(lives, levels, places, time=90.0, reference=0)[1]
    assert found.difference == pytest.approx(0.130, abs=5e-4)
    assert found.std_error == pytest.approx(0.050, abs=5e-4)
    assert (found.lower, found.upper) == pytest.approx((0.0313, 0.2284), abs=5e-5)
    assert found.places == 8
    turned = differences_within(lives, 1 - levels, places, time=90.0, reference=0)[1]
    assert (turned.difference, turned.lower, turned.upper) == pytest.approx(
        (-found.difference, -found.upper, -found.lower)
    )


def test_lives_that_left_early_count_as_the_product_limit_says():
    """The shares of lifelines' curves in each place, averaged by hand."""
    rng = np.random.default_rng(4)
    n = 200
    levels, places = rng.integers(0, 2, n), rng.integers(0, 3, n)
    life, left = 80 * rng.weibull(1.4, n), rng.uniform(20, 140, n)
    end, failed = np.ceil(np.minimum(life, left)), life <= left
    lives = Lives.from_arrays(end, failed)
    parts, weights = [], []
    for place in range(3):
        share, units = [], []
        for level in (0, 1):
            own = (places == place) & (levels == level)
            curve = KaplanMeierFitter().fit(end[own], failed[own])
            share.append(curve.predict(70.0))
            units.append(own.sum())
        parts.append(share[1] - share[0])
        weights.append(units[0] * units[1] / sum(units))
    found = differences_within(lives, levels, places, time=70.0, reference=0)[1]
    assert found.difference == pytest.approx(np.average(parts, weights=weights), abs=1e-8)


def test_a_level_not_watched_to_the_end_goes_on_as_its_place_does():
    """By hand: both units with the level left at day 40, where 1 of 5 had failed; of the others 1 of 3 then failed.

    Reference: failed on days 30 and 60, lasted once. Place at day 40: 4 of 5 alive, at day 90: 4/5 of 1/2.
    """
    lives, levels, places = rows_of([40, 40, 30, 60, 100], [np.inf, np.inf, 30, 60, np.inf], [1, 1, 0, 0, 0], [0] * 5)
    found = differences_within(lives, levels, places, time=90.0, reference=0)[1]
    assert found.difference == pytest.approx(0.5 - 1 / 3)


def test_only_places_with_both_levels_and_units_watched_from_day_0_count():
    cells = [(0, 0, 3, 4), (0, 1, 2, 4), (1, 0, 1, 5), (2, 1, 5, 5)]
    lives, levels, places = counted(cells)
    found = differences_within(lives, levels, places, time=90.0, reference=0)[1]
    assert (found.difference, found.places) == (pytest.approx(-0.25), 1)
    unknown = np.where(places == 0, -1, places)
    nothing = differences_within(lives, levels, unknown, time=90.0, reference=0)[1]
    assert np.isnan(nothing.difference) and nothing.places == 0
    late = Lives.from_arrays(np.r_[lives.lower, 100.0], np.r_[lives.failed, False], entry=np.r_[np.zeros(18), 60.0])
    more = differences_within(late, np.r_[levels, 1], np.r_[places, 0], time=90.0, reference=0)[1]
    assert more == found
    assert np.isnan(differences_within(lives, levels, places, time=90.0, reference=7)[0].difference)


def test_without_any_failure_limits_are_those_of_all_units_together():
    """Nothing failed in 20 and 10 units: Clopper-Pearson lower limits .8316 and .6915, squared and added."""
    lives, levels, places = counted([(0, 0, 12, 12), (0, 1, 5, 5), (1, 0, 8, 8), (1, 1, 5, 5)])
    found = differences_within(lives, levels, places, time=90.0, reference=0)[1]
    assert (found.difference, found.lower, found.upper) == pytest.approx((0.0, -0.3085, 0.1684), abs=5e-5)


def test_weights_are_units_and_order_does_not_matter():
    lives, levels, places = counted([(0, 0, 3, 4), (0, 1, 2, 4), (1, 0, 1, 5), (1, 1, 4, 5)])
    plain = differences_within(lives, levels, places, time=90.0, reference=0)[1]
    frame = pd.DataFrame({"end": lives.lower, "failed": lives.failed, "level": levels, "place": places})
    grouped = frame.groupby(list(frame)).size().reset_index(name="units").sample(frac=1.0, random_state=1)
    counted_lives = Lives.from_arrays(grouped.end, grouped.failed, weight=grouped.units)
    again = differences_within(
        counted_lives, grouped.level.to_numpy(), grouped.place.to_numpy(), time=90.0, reference=0
    )[1]
    assert [*vars(again).values()] == pytest.approx([*vars(plain).values()])


@pytest.mark.parametrize("every", [0, 30])
def test_limits_hold_the_truth_with_many_small_places(every):
    """120 seasons of 90 units in nine places that draw levels and shorten lives: 95 +- 4 in 100 by chance."""
    held = 0
    for seed in range(120):
        rng = np.random.default_rng([17, seed])
        places = rng.integers(0, 9, 90)
        hard = rng.normal(0, 0.5, 9)
        levels = (rng.random(90) < 1 / (1 + np.exp(-3 * hard[places]))).astype(int)
        scale = 260 * np.exp(0.5 * levels - 0.8 * hard[places])
        life, end = scale * rng.weibull(1.5, 90), np.where(rng.random(90) < 0.1, rng.uniform(1, 200, 90), 220.0)
        failed, lower, upper = life < end, np.minimum(life, end), np.where(life < end, life, np.inf)
        if every:
            lower = np.where(failed, np.floor(life / every) * every, end)
            upper = np.where(failed, lower + every, np.inf)
        lives, levels, places = rows_of(lower, upper, levels, places)
        found = differences_within(lives, levels, places, time=180.0, reference=0)[1]
        units = np.array([[((places == p) & (levels == k)).sum() for p in range(9)] for k in (0, 1)])
        weight = units[0] * units[1] / np.maximum(units.sum(axis=0), 1)
        shares = [np.exp(-((180 / (260 * np.exp(0.5 * k - 0.8 * hard))) ** 1.5)) for k in (0, 1)]
        true = np.average(shares[1] - shares[0], weights=weight)
        held += found.lower <= true <= found.upper
    assert held >= 0.90 * 120
