"""Permutation p values: residuals against slopes of the likelihood, full enumeration, behaviour without any effect."""

from itertools import permutations

import numpy as np
import pytest
from scipy import stats

from workbench.lives import Lives
from workbench.ranking.checks.permute import PERMUTATIONS, choice_p_values, choice_permutation_p, life_score_residuals
from workbench.ranking.model import build_design, fitted_design

from .seasons import make_lives


def _log_likelihood(lives: Lives, location: np.ndarray, scale: float) -> np.ndarray:
    """Weibull log-likelihood of each life, written out for each kind of record."""

    def hazard(time):
        return np.exp((np.log(time) - location) / scale)

    with np.errstate(divide="ignore", invalid="ignore"):
        exact = np.log(hazard(lives.lower)) - np.log(scale * lives.lower) - hazard(lives.lower)
        alive = np.where(lives.lower > 0, np.exp(-hazard(np.maximum(lives.lower, 1e-300))), 1.0)
        gone = np.where(
            np.isfinite(lives.upper), np.exp(-hazard(np.where(np.isfinite(lives.upper), lives.upper, 1.0))), 0.0
        )
        value = np.where(lives.exact, exact, np.log(alive - gone))
        return value + np.where(lives.entry > 0, hazard(np.maximum(lives.entry, 1e-300)), 0.0)


@pytest.mark.parametrize("scale", [0.5, 1.3])
def test_residuals_are_slopes_of_the_likelihood_for_every_kind_of_record(scale):
    lives = Lives.from_arrays(
        lower=[5.0, 8.0, 0.0, 3.0, 6.0, 0.0],
        upper=[5.0, np.inf, 4.0, 9.0, np.inf, np.inf],
        entry=[0, 0, 0, 2.0, 4.0, 0],
    )
    location = np.array([1.5, 2.0, 1.0, 1.8, 2.2, 1.0])
    step = 1e-5
    slope = (_log_likelihood(lives, location + step, scale) - _log_likelihood(lives, location - step, scale)) / (
        2 * step
    )
    assert life_score_residuals(lives, location, scale) == pytest.approx(slope, abs=1e-7)


@pytest.mark.parametrize("distribution", ["lognormal", "loglogistic"])
def test_residuals_of_late_entrants_are_slopes_of_the_likelihood_in_every_family(distribution):
    """log f(t) or log S(t), less log S(entry), by scipy; differences in the location."""
    time, entry, location, scale = np.array([5.0, 8.0]), np.array([2.0, 4.0]), np.array([1.5, 2.2]), 0.7
    lives = Lives.from_arrays(time, [True, False], entry=entry)

    def value(move):
        where = np.exp(location + move)
        life = stats.lognorm(scale, scale=where) if distribution == "lognormal" else stats.fisk(1 / scale, scale=where)
        return np.where([True, False], life.logpdf(time), life.logsf(time)) - life.logsf(entry)

    slope = (value(1e-5) - value(-1e-5)) / 2e-5
    assert life_score_residuals(lives, location, scale, distribution=distribution) == pytest.approx(slope, abs=1e-7)


def test_p_approaches_full_enumeration():
    """Seven units at one site: all 5040 arrangements listed by hand, the statistic as documented."""
    residual = np.array([1.2, -0.4, 0.9, -1.1, 0.3, -0.7, -0.2])
    level = np.array([0, 1, 0, 1, 0, 1, 1])
    centred = residual - residual.mean()

    def statistic(values):
        return sum(values[level == g].sum() ** 2 / (level == g).sum() for g in (0, 1))

    listed = np.array([statistic(centred[list(order)]) for order in permutations(range(7))])
    share = np.mean(listed >= statistic(centred) - 1e-9)
    drawn = choice_permutation_p(
        residual, level, np.zeros(7, int), weight=np.ones(7, int), rng=np.random.default_rng(0), permutations=20000
    )
    assert drawn == pytest.approx(share, abs=0.01)


def test_normal_limit_agrees_with_exchange(monkeypatch):
    import workbench.ranking.checks.permute as module

    rng = np.random.default_rng(6)
    residual, level, site = rng.normal(size=400), rng.integers(0, 3, 400), rng.integers(0, 4, 400)
    exchanged = choice_permutation_p(
        residual, level, site, weight=np.ones(400, int), rng=np.random.default_rng(1), permutations=20000
    )
    monkeypatch.setattr(module, "MOST_UNITS", 0)
    limit = choice_permutation_p(
        residual, level, site, weight=np.ones(400, int), rng=np.random.default_rng(1), permutations=20000
    )
    assert limit == pytest.approx(exchanged, abs=0.02)


def test_p_is_never_zero_and_unknown_where_no_site_holds_two_levels():
    strong = np.array([5.0] * 20 + [-5.0] * 20)
    level = np.repeat([0, 1], 20)
    rng = np.random.default_rng(0)
    assert choice_permutation_p(strong, level, np.zeros(40, int), weight=np.ones(40, int), rng=rng) == 1 / (
        PERMUTATIONS + 1
    )
    assert np.isnan(choice_permutation_p(strong, level, level, weight=np.ones(40, int), rng=rng))


def test_differences_between_sites_do_not_count():
    """Level and residual both follow the site: nothing is left inside sites."""
    rng = np.random.default_rng(3)
    site = np.repeat([0, 1], 50)
    level = np.where(rng.random(100) < np.where(site == 0, 0.8, 0.2), 0, 1)
    residual = np.where(site == 0, 3.0, -3.0) + rng.normal(size=100)
    inside = choice_permutation_p(residual, level, site, weight=np.ones(100, int), rng=np.random.default_rng(0))
    across = choice_permutation_p(
        residual, level, np.zeros(100, int), weight=np.ones(100, int), rng=np.random.default_rng(0)
    )
    assert across < 0.01 < inside


def test_p_is_uniform_when_nothing_has_an_effect():
    effects = {"seal": {"flat": 0.0, "cord": 0.0, "ring": 0.0}, "vent": {"none": 0.0, "membrane": 0.0}}
    values = [
        p
        for seed in range(40)
        for p in choice_p_values(
            fitted_design(build_design(make_lives(seed, 90, effects), ["seal", "vent"])), 0, 199
        ).values()
    ]
    values = np.array(values)
    # 80 values: between 20 and 60 below one half, and at most 11 below 0.05 (both beyond 1 in 1,000 by the binomial)
    assert 20 <= np.sum(values < 0.5) <= 60
    assert np.sum(values < 0.05) <= 11


def test_lives_of_one_unit_change_places_together():
    """A unit with two lives at one site with one level counts once: its residuals are summed."""
    frame = {"seal": np.array(["a", "b"] * 20), "site": np.array(["s"] * 40)}
    time = np.arange(1.0, 41.0)
    failed = np.ones(40, dtype=bool)
    alone = Lives.from_arrays(time, failed, covariates=frame, cluster=np.arange(40))
    plain = Lives.from_arrays(time, failed, covariates=frame)
    assert choice_p_values(fitted_design(build_design(alone, "seal")), 3) == choice_p_values(
        fitted_design(build_design(plain, "seal")), 3
    )
    pairs = Lives.from_arrays(time, failed, covariates=frame, cluster=(np.arange(40) // 4) * 2 + np.arange(40) % 2)
    p = choice_p_values(fitted_design(build_design(pairs, "seal")), 3)["seal"]
    assert 0 < p <= 1
