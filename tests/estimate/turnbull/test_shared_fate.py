"""Shared fate: errors with clusters against R survival, a cluster told twice, spans, means, and what is not known."""

import numpy as np
import pytest

from workbench import Lives
from workbench.estimate.turnbull.interval_curves import mass_of
from workbench.estimate.turnbull.shared_fate import error_ratio, share_moves, variance_ratio

TIME = [5, 8, 8, 12, 15, 15, 20, 22, 25, 30, 31, 34, 36, 40, 41, 44, 50, 52, 55, 60, 60, 60, 60, 60]
FAILED = [1, 1, 0, 1, 1, 1, 0, 1, 1, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 0, 0, 0, 0, 0]
SITE = np.array([1, 1, 1, 2, 1, 2, 1, 3, 2, 2, 3, 3, 4, 3, 4, 4, 4, 5, 5, 5, 6, 6, 6, 6])


def season():
    return Lives.from_arrays(TIME, FAILED, covariates={"site": SITE.astype(str)})


@pytest.mark.parametrize(("day", "alone", "clustered"), [(16, 0.08507652, 0.12279509), (40, 0.10837240, 0.17676992)])
def test_errors_of_a_curve_with_and_without_clusters_are_those_of_r(day, alone, clustered):
    """R survival 3.5.3: survfit(Surv(t, d) ~ 1, id = 1:24, robust = TRUE), and the same with cluster = site."""
    moves = share_moves(season(), day)
    assert np.sqrt(moves @ moves) == pytest.approx(alone, abs=5e-9)
    assert np.sqrt(variance_ratio(moves, np.ones(24), SITE)) == pytest.approx(clustered / alone, rel=1e-6)
    ratio, sites = error_ratio([(season(), 1.0)], "site", day)
    assert (ratio, sites) == (pytest.approx(clustered / alone * np.sqrt(6 / 5), rel=1e-6), 6)


def visited(seed, n=60):
    rng = np.random.default_rng(seed)
    life = 40 * rng.weibull(1.5, n)
    gap = rng.integers(8, 20, n)
    lower = np.floor(life / gap) * gap
    upper = np.where(lower >= 60, np.inf, lower + gap)
    site = np.arange(n).astype(str)
    return Lives.from_arrays(lower=np.minimum(lower, 60), upper=upper, covariates={"site": site})


@pytest.mark.parametrize("days", [False, True])
def test_every_life_told_twice_has_root_two_times_the_error(days):
    lives = visited(1)
    ratio, count = error_ratio([(lives.take(np.repeat(np.arange(60), 2)), 1.0)], "site", 40, days=days)
    assert count == 60
    assert ratio == pytest.approx(np.sqrt(2) * np.sqrt(60 / 59), rel=1e-6)


@pytest.mark.parametrize("days", [False, True])
def test_moves_are_what_one_more_such_life_does(days):
    """A life of weight 1 + 1e-4 moves the share, or the mean, by 1e-4 times its move; the fit done anew."""
    lives, day = visited(2), 40.0

    def figure(weight):
        fitted = mass_of(lives.lower, lives.upper, lives.entry, weight=weight)
        start, stop = fitted.cells.start, np.minimum(fitted.cells.end, 1e9)
        part = np.clip((stop - day) / (stop - start), 0, 1)
        worth = 0.5 * (np.minimum(start, day) + np.minimum(stop, day)) if days else part
        return float(fitted.mass @ worth)

    moves = share_moves(lives, day, days=days)
    for i in (0, 7, 23):
        more = np.ones(60)
        more[i] += 1e-4
        assert figure(more) - figure(np.ones(60)) == pytest.approx(1e-4 * moves[i], abs=2e-7)


def test_a_difference_between_levels_mixed_within_sites_is_less_uncertain_than_either_share():
    lives = season()
    halves = [(lives.take(np.arange(part, 24, 2)), sign) for part, sign in ((0, 1.0), (1, -1.0))]
    assert error_ratio(halves, "site", 40)[0] < error_ratio([(lives, 1.0)], "site", 40)[0]


def test_what_is_not_known_or_does_not_move_has_no_ratio():
    lives = season()
    assert np.isnan(error_ratio([(lives, 1.0)], "site", 400)[0])
    assert np.isnan(error_ratio([(lives, 1.0)], "site", 2)[0])
    one = lives.replace(covariates={"site": ["a"] * 24})
    assert error_ratio([(one, 1.0)], "site", 40) == (pytest.approx(np.nan, nan_ok=True), 1)
