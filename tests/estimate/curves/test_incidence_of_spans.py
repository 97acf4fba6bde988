"""Cumulative incidence of failures known to spans: maxima, limits, grids, late entrants and what is not known."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest

from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.estimate.turnbull.cause_levels import CauseLevels, Chances, Lean
from workbench.estimate.turnbull.interval_incidence import _classes_of
from workbench.estimate.turnbull.interval_masses import _bracketed, fit_masses, limits_of_levels, log_likelihood
from workbench.lives import Lives

CAUSES = np.array(["bite", "water", "wear"])


def _visited(n=90, seed=2, *, late=False):
    rng = np.random.default_rng(seed)
    life = 110 * rng.weibull(1.4, n)
    visits = rng.integers(15, 35, (n, 60)).cumsum(axis=1)
    visits = np.column_stack([np.zeros(n), visits])
    place = (visits < life[:, None]).sum(axis=1)
    lower, upper = visits[np.arange(n), place - 1], visits[np.arange(n), np.minimum(place, 60)]
    out = upper > 130
    entry = np.where(rng.random(n) < 0.3, rng.integers(1, 12, n), 0.0) if late else np.zeros(n)
    lower, upper = np.where(out, np.minimum(lower, 130), lower), np.where(out, np.inf, upper)
    keep = np.where(np.isfinite(upper), life > entry, lower > entry)
    cause = np.where(out, "", rng.choice(CAUSES, n, p=[0.5, 0.3, 0.2]))
    return Lives.from_arrays(lower=lower[keep], upper=upper[keep], entry=entry[keep], cause=cause[keep])


@pytest.mark.parametrize("late", [False, True])
def test_interval_masses_are_the_maximum_and_sum_to_one_with_survival(late):
    lives = _visited(late=late)
    result = cumulative_incidence(lives)
    assert result.kind == "npmle" and np.isnan(result.columns["std_error"]).all()
    table = result.table
    assert (table.lower <= table.incidence + 1e-12).all() and (table.upper >= table.incidence - 1e-12).all()
    assert table.groupby("cause")["incidence"].last().sum() <= 1 + 1e-9
    np.testing.assert_allclose(table.groupby("cause")["mass"].cumsum(), table.incidence, atol=1e-12)
    pooled = survival_curve(lives).at([40, 80, 120])["survival"]
    split = 1 - result.at([40, 80, 120]).groupby("time")["incidence"].sum()
    np.testing.assert_allclose(pooled, split, atol=0.06)


def test_interval_incidence_of_one_cause_is_the_interval_curve():
    lives = _visited()
    lives = lives.replace(cause=np.where(lives.failed, "any", ""))
    lost, alive = cumulative_incidence(lives).table, survival_curve(lives).table
    alive = alive[np.isfinite(alive["to"])]
    np.testing.assert_allclose(lost.incidence, 1 - alive.survival.to_numpy(), atol=1e-5)
    np.testing.assert_allclose(lost.lower, 1 - alive.upper.to_numpy(), atol=2e-3)
    np.testing.assert_allclose(lost.upper, 1 - alive.lower.to_numpy(), atol=2e-3)


def test_interval_weights_equal_repeated_rows():
    lives = _visited()
    double = cumulative_incidence(lives.replace(weight=np.full(len(lives), 2))).table
    twice = cumulative_incidence(lives.take(np.repeat(np.arange(len(lives)), 2))).table
    pd.testing.assert_frame_equal(double, twice, atol=1e-6)


def test_share_limits_of_a_plain_proportion():
    """Limits of 3 of 10: the log-likelihood must have fallen by half the 95 % quantile of chi-square (1 df), 3.8415."""
    failed = Chances(np.array([[1, 0]]), np.array([1.0, -1.0]), np.array([3.0]), base=0.0)
    outlived = Chances(np.array([[1]]), np.array([-1.0]), np.array([7.0]), base=1.0)
    lives = CauseLevels(np.array([0]), np.array([5.0]), (failed, outlived))
    best = fit_masses(lives)
    np.testing.assert_allclose(best, [0.3], atol=1e-8)
    (lower,), (upper,) = limits_of_levels(lives, best, np.array([1]), confidence=0.95)
    assert lower < 0.3 < upper
    for limit in (lower, upper):
        fall = 2 * (log_likelihood(lives, best) - log_likelihood(lives, np.array([limit])))
        assert fall == pytest.approx(3.841459, abs=1e-5)


def test_a_limit_of_a_rare_cause_is_where_a_search_by_false_position_finds_it(monkeypatch):
    """The first of 10,000 units: a search that stops when a level hardly moves stopped at 0.00038."""
    rng = np.random.default_rng(0)
    n, life = 10_000, rng.weibull(1.5, 10_000) * 200
    failed, width = rng.random(n) < 0.7, rng.uniform(5, 40, n)
    lower = np.floor(np.maximum(life - width * rng.random(n), 0))
    upper = np.where(failed, np.floor(lower + np.maximum(width, 1)), np.inf)
    cause = np.where(failed, rng.integers(0, 3, n), -1)
    lives = Lives.from_arrays(lower=lower, upper=upper, cause=np.where(failed, "any", ""))
    levels = _classes_of(lives, cause, 3, label="all")[0].levels
    best = fit_masses(levels)
    at = np.flatnonzero(best > 1e-9)[:4] + 1
    lower, upper = limits_of_levels(levels, best, at, confidence=0.95)
    monkeypatch.setattr("workbench.estimate.turnbull.interval_masses._CLOSE_FALL", 1e-6)
    top = levels.levels(best)
    goal = log_likelihood(levels, best) - 0.5 * 3.841458820694124
    for place, low, high in zip(at.tolist(), lower, upper, strict=True):
        for sign, limit in ((-1.0, low), (1.0, high)):
            slowly = _bracketed(levels, top, Lean(place, sign * levels.total, sign, goal)).limit
            assert limit == pytest.approx(max(slowly, 0.0), abs=1e-7)


def test_intervals_on_one_grid_count_at_their_visit_and_have_a_test():
    lower, upper = [0, 30, 30, 60, 60, 0], [30, 60, np.inf, 90, np.inf, 30]
    cause = ["water", "bite", "", "water", "", "bite"]
    seal = ["a", "a", "a", "b", "b", "b"]
    grid = Lives.from_arrays(lower=lower, upper=upper, cause=cause, covariates={"seal": seal})
    result = cumulative_incidence(grid, "seal")
    assert result.kind == "product-limit" and "one grid" in result.notes[0]
    time = np.where(np.isfinite(upper), upper, lower)
    step = cumulative_incidence(
        Lives.from_arrays(time, np.isfinite(upper), cause=cause, covariates={"seal": seal}), "seal"
    )
    pd.testing.assert_frame_equal(result.table, step.table)
    pd.testing.assert_frame_equal(result.test, step.test)


@pytest.mark.parametrize("late", [180, 200])
def test_units_found_dead_at_the_end_of_the_season_may_have_died_of_it_any_day_before(late):
    """On one grid (180) and off it (200); limits by Clopper & Pearson (1934) from scipy, or those of day 180 if closer.

    No more had died by day 120 than by day 180.
    """
    lives = Lives.from_arrays(
        lower=[0] * 8 + [0 if late == 180 else 30] + [181] * 16,
        upper=[180] * 8 + [late] + [np.inf] * 16,
        cause=["water"] * 6 + ["other"] * 3 + [""] * 16,
    )
    found = cumulative_incidence(lives)
    at, table = found.at([0, 120, 180]).set_index(["cause", "time"]), found.table.set_index(["cause", "time"])

    for cause, failed in (("water", 6), ("other", 3)):
        assert at.lower[cause, 120] == 0
        exact = binomtest(failed, 16 + failed).proportion_ci().high
        assert at.upper[cause, 120] == pytest.approx(min(exact, at.upper[cause, 180]))
        assert 0 < at.incidence[cause, 120] < at.incidence[cause, 180] == table.incidence[cause, 180]
        assert at.upper[cause, 180] == table.upper[cause, 180]
        assert at.upper[cause, 0] == pytest.approx(1 - 0.025 ** (1 / 25))


def test_between_visits_of_one_grid_limits_are_those_of_the_visit_before_and_after():
    lives = Lives.from_arrays(
        lower=[0] * 3 + [60] * 4 + [120] * 20, upper=[60] * 3 + [120] * 4 + [np.inf] * 20, cause=["a"] * 7 + [""] * 20
    )
    for found, low, high in ((cumulative_incidence(lives), 0, 1), (survival_curve(lives), 1, 0)):
        table, between = found.table, found.at([90]).iloc[0]
        share = "incidence" if "incidence" in table else "survival"
        assert between["lower"] == table["lower"][low]
        assert between["upper"] == table["upper"][high]
        assert between[share] == pytest.approx(table[share][:2].mean())
        assert np.isnan(between["std_error"])


def test_intervals_off_the_grid_have_no_test_and_say_so():
    lives = _visited()
    lives = lives.replace(covariates={"seal": np.where(np.arange(len(lives)) % 2, "a", "b")})
    result = cumulative_incidence(lives, "seal")
    assert np.isnan(result.test["p_value"]).all() and any("no test between groups" in note for note in result.notes)
    alone = cumulative_incidence(lives)
    assert alone.test.empty and not any("no test between groups" in note for note in alone.notes)


def test_intervals_that_leave_later_entrants_alone_are_unknown_from_there():
    lives = Lives.from_arrays(
        lower=[0, 1, 6, 20, 7], upper=[2, 3, 8, np.inf, 9], entry=[0, 0, 5, 5, 5], cause=["a", "b", "a", "", "b"]
    )
    result = cumulative_incidence(lives)
    assert any("others entered later" in note for note in result.notes)
    assert np.isnan(result.at(15)["incidence"]).all()


def test_one_later_span_is_enough_to_be_unknown():
    """Both early units are known to have failed by day 2; of the third, at risk from day 5, nothing can be said."""
    lives = Lives.from_arrays(lower=[0, 1, 6], upper=[2, 1.5, 8], entry=[0, 0, 5], cause=["a", "b", "a"])
    result = cumulative_incidence(lives)
    assert any("others entered later" in note for note in result.notes)
    assert np.isnan(result.at(7)["incidence"]).all() and result.table["time"].max() == 2


def test_no_later_entrants_no_word_of_them():
    exact = Lives.from_arrays([1, 2, 3], [1, 1, 1], cause=["a", "b", "a"])
    spans = Lives.from_arrays(lower=[0, 1, 2.5], upper=[2, 3, 4], cause=["a", "b", "a"])
    for lives in (exact, spans):
        result = cumulative_incidence(lives)
        assert not any("entered later" in note for note in result.notes)
        assert result.at(99)["incidence"].sum() == pytest.approx(1.0)


def test_incidence_of_one_cause_when_all_have_failed():
    """Incidence ends at 1; the lower limit there is where the profile of a plain EM has fallen far enough."""
    lower = np.array([0, 2, 4, 3, 8, 9, 1, 12, 15, 5.0])
    upper = np.array([5, 6, 9, 11, 14, 12, 7, 18, 20, 8.0])
    lives = Lives.from_arrays(lower=lower, upper=upper, cause=["any"] * 10)
    lost, alive = cumulative_incidence(lives).table, survival_curve(lives).table
    np.testing.assert_allclose(lost.incidence, 1 - alive.survival, atol=1e-5)
    np.testing.assert_allclose(lost.lower[:-1], 1 - alive.upper[:-1], atol=2e-3)
    np.testing.assert_allclose(lost.upper, 1 - alive.lower, atol=2e-3)
    arguments = (lower, upper, np.zeros(10, dtype=int), 18.0, 0)
    most, incidence = _profile_by_em(*arguments)
    value, _ = _profile_by_em(*arguments, held=lost.lower.iloc[-1])
    assert incidence == pytest.approx(1.0, abs=1e-6)
    assert 2 * (most - value) == pytest.approx(3.841459, abs=2e-2)


def test_incidence_knows_no_unit_of_time():
    """Years instead of days: every figure stays, and what lies past the last known time is unknown, also below 1."""
    lower, upper = np.array([0, 2, 4, 3, 8, 9.0]), np.array([5, 6, 9, 11, np.inf, 12])

    def fitted(scale):
        spans = Lives.from_arrays(lower=lower * scale, upper=upper * scale, cause=["a", "b", "a", "b", "", "a"])
        exact = Lives.from_arrays(lower[1:] * scale, [1, 0, 1, 1, 0], cause=["a", "", "b", "a", ""])
        return cumulative_incidence(spans), cumulative_incidence(exact)

    year = 1 / 365.25
    for in_days, in_years in zip(fitted(1.0), fitted(year), strict=True):
        names = ["incidence", "lower", "upper"]
        np.testing.assert_allclose(in_years.table[names], in_days.table[names], atol=1e-6)
        np.testing.assert_allclose(in_years.table["time"], in_days.table["time"] * year)
    out = np.array([5, 7, 9, np.inf]) * year
    spans = Lives.from_arrays(lower=np.array([0, 2, 6, 13]) * year, upper=out, cause=["a", "b", "a", ""])
    assert np.isnan(cumulative_incidence(spans).at([13 * year, 14 * year])["incidence"]).tolist() == [False, True] * 2
    assert np.isnan(in_years.at(9.5 * year)["incidence"]).all()
    assert not np.isnan(in_years.at(9 * year)["incidence"]).any()


def _profile_by_em(lower, upper, cause, day, number, held=None):
    """Likelihood and incidence by plain EM over every elementary span and cause; `held` fixes the incidence."""
    ends = np.unique(np.concatenate([[0.0], lower, upper, [day, np.inf]]))
    inside = (lower[:, None] <= ends[:-1]) & (ends[1:] <= upper[:, None])
    may = np.hstack([inside & ((cause == k) | (cause < 0))[:, None] for k in range(2)]).astype(float)
    early = np.hstack([(ends[1:] <= day) & (k == number) for k in range(2)])
    share = np.full(may.shape[1], 1.0 / may.shape[1])
    for _ in range(30_000):
        part = may * share
        new = (part / part.sum(axis=1, keepdims=True)).mean(axis=0)
        if held is not None:
            new[early] *= held / new[early].sum()
            new[~early] *= (1.0 - held) / new[~early].sum()
        if np.abs(new - share).max() < 1e-11:
            break
        share = new
    return float(np.log((may * share).sum(axis=1)).sum()), float(share[early].sum())


def test_interval_limits_let_failures_gather_right_after_the_day():
    """The lower limit is where twice the fall of the profile over all curves is the chi-square quantile."""
    lower = np.array([0, 2, 4, 3, 8, 9, 1, 12, 15, 5], dtype=float)
    upper = np.array([5, 6, 9, 11, 14, 12, 7, np.inf, np.inf, 8])
    _limits_are_on_the_profile(lower, upper, np.array([0, 0, 1, 0, 1, 0, 1, -1, -1, 0]))


@pytest.mark.parametrize("seed", [0, 1])
def test_limits_of_masses_that_rest_on_many_units(seed):
    """A wide span of days without a failure before a share that several units may have failed in."""
    rng = np.random.default_rng(seed)
    life, width = np.ceil(110 * rng.weibull(1.4, 14)), rng.integers(5, 40, 14)
    lower, out = np.maximum(life - width, 0.0), np.maximum(life - width, 0) + width > 130
    upper = np.where(out, np.inf, lower + width)
    lower = np.where(out, np.minimum(lower, 130), lower)
    _limits_are_on_the_profile(lower, upper, np.where(out, -1, rng.choice([0, 1], 14)))


def _limits_are_on_the_profile(lower, upper, cause):
    lives = Lives.from_arrays(lower=lower, upper=upper, cause=np.array(["a", "b", ""])[cause])
    table = cumulative_incidence(lives).table
    for row in table.itertuples():
        args = (lower, upper, cause, row.time, "ab".index(row.cause))
        most, incidence = _profile_by_em(*args)
        assert row.incidence == pytest.approx(incidence, abs=2e-4)
        for limit in (row.lower, row.upper):
            value, _ = _profile_by_em(*args, held=limit)
            assert 2 * (most - value) == pytest.approx(3.841459, abs=5e-3)
    assert len(table) >= 4
