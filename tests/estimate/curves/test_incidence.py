"""Cumulative incidence: a case by hand, a second implementation, laws, awkward lives, intervals and errors."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest
from statsmodels.duration.survfunc import CumIncidenceRight

from workbench.errors import EstimateError, UsageError
from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.estimate.rank_tests.comparisons import compare_groups
from workbench.estimate.turnbull.cause_levels import CauseLevels, Chances
from workbench.estimate.turnbull.interval_masses import fit_masses, limits_of_levels, log_likelihood
from workbench.lives import Lives

CAUSES = np.array(["bite", "water", "wear"])
GRAY_PLAIN = [8.474622, 1.644455]
GRAY_STRATA = [9.495778, 2.119941]


def _season(n=150, seed=4, *, late=False):
    rng = np.random.default_rng(seed)
    life = np.ceil(120 * rng.weibull(1.3, n))
    end = rng.integers(60, 150, n).astype(float)
    entry = np.where(rng.random(n) < 0.4, rng.integers(1, 25, n), 0.0) if late else np.zeros(n)
    time, failed, cause = np.minimum(life, end), life <= end, rng.choice(CAUSES, n)
    keep = time > entry
    frame = pd.DataFrame({"seal": rng.choice(["cord", "flat", "ring"], n), "site": rng.choice(["bog", "cliff"], n)})
    return time[keep], failed[keep], entry[keep], np.where(failed, cause, "")[keep], frame[keep].reset_index(drop=True)


def _lives(season, **more):
    time, failed, entry, cause, frame = season
    return Lives.from_arrays(time, failed, entry=entry, cause=cause, covariates=frame, **more)


def test_four_lives_by_hand():
    lives = Lives.from_arrays([1, 2, 3, 4], [1, 1, 0, 1], cause=["water", "bite", "", "water"])
    table = cumulative_incidence(lives).table
    names = ["group", "cause", "time", "incidence", "std_error", "lower", "upper"]
    assert table.columns[:7].tolist() == names
    water = table[table.cause == "water"]
    np.testing.assert_allclose(water.incidence, [0.25, 0.25, 0.25, 0.75])
    np.testing.assert_allclose(water.std_error[:1], np.sqrt(0.25 * 0.75 / 4))
    bite = table[table.cause == "bite"].iloc[0]
    # nobody bitten by day 1: 0 to 1 - 0.025^(1/4)
    assert (bite.incidence, bite.lower) == (0.0, 0.0)
    assert bite.upper == pytest.approx(1 - 0.025**0.25)


def test_agrees_with_statsmodels():
    time, failed, entry, cause, frame = _season()
    result = cumulative_incidence(_lives((time, failed, entry, cause, frame)))
    codes = np.searchsorted(CAUSES, cause) + 1
    other = CumIncidenceRight(time, np.where(failed, codes, 0))
    for k, name in enumerate(CAUSES):
        mine = result.at(other.times)
        mine = mine[mine.cause == name]
        np.testing.assert_allclose(mine.incidence, other.cinc[k], atol=1e-12)
        np.testing.assert_allclose(mine.std_error, other.cinc_se[k], rtol=1e-6)


@pytest.mark.parametrize("late", [False, True])
def test_sums_with_survival_to_one_in_every_group(late):
    lives = _lives(_season(late=late))
    times = [0, 10, 33, 59]
    lost = cumulative_incidence(lives, "seal").at(times).groupby(["group", "time"])["incidence"].sum()
    alive = survival_curve(lives, "seal").at(times).set_index(["group", "time"])["survival"]
    np.testing.assert_allclose(lost + alive, 1.0, atol=1e-12)


def test_one_cause_is_the_complement_of_survival_with_greenwood():
    time, failed, entry, _, frame = _season(late=True)
    lives = Lives.from_arrays(time, failed, entry=entry, cause=np.where(failed, "any", ""), covariates=frame)
    lost, alive = cumulative_incidence(lives).table, survival_curve(lives).table
    np.testing.assert_allclose(lost.incidence, 1 - alive.survival, atol=1e-12)
    inside = alive.survival > 0
    np.testing.assert_allclose(lost.std_error[inside], alive.std_error[inside], rtol=1e-9)
    np.testing.assert_allclose(lost.lower, 1 - alive.upper, atol=1e-9)
    np.testing.assert_allclose(lost.upper, 1 - alive.lower, atol=1e-9)


def test_weights_equal_repeated_rows_and_order_does_not_matter():
    time, failed, entry, cause, frame = _season(late=True)
    rng = np.random.default_rng(0)
    weight = rng.integers(1, 4, time.size)
    one = cumulative_incidence(_lives((time, failed, entry, cause, frame), weight=weight), "seal", within="site")
    rows = rng.permutation(np.repeat(np.arange(time.size), weight))
    many = cumulative_incidence(
        _lives((time[rows], failed[rows], entry[rows], cause[rows], frame.iloc[rows])), "seal", within="site"
    )
    pd.testing.assert_frame_equal(one.table, many.table)
    pd.testing.assert_frame_equal(one.test, many.test)


def test_gray_with_four_groups_and_strata():
    """Figures computed with cmprsk 2.2.11 (R 4.2.2): cuminc on the veteran data, causes by the parity of diagtime."""
    path = Path(__file__).parents[2] / "published" / "cox.json"
    data = next(c for c in json.loads(path.read_text(encoding="utf-8")) if c["id"] == "cox-veteran")["data"]
    status, even = np.array(data["status"]) == 1, np.array(data["diagtime"]) % 2 == 0
    cause = np.where(~status, "", np.where(even, "1", "2"))
    lives = Lives.from_arrays(data["time"], status, cause=cause, covariates=pd.DataFrame(data))
    plain = cumulative_incidence(lives, "celltype").test
    np.testing.assert_allclose(plain["statistic"], GRAY_PLAIN, rtol=1e-6)
    assert plain["degrees_of_freedom"].tolist() == [3, 3]
    strata = cumulative_incidence(lives, "celltype", within="prior").test
    np.testing.assert_allclose(strata["statistic"], GRAY_STRATA, rtol=1e-6)


def test_gray_without_competing_causes_equals_the_log_rank_to_first_order():
    time, failed, _, _, frame = _season()
    lives = Lives.from_arrays(time, failed, cause=np.where(failed, "any", ""), covariates=frame)
    gray = cumulative_incidence(lives, "seal").test["statistic"][0]
    assert gray == pytest.approx(compare_groups(lives, "seal").statistic, rel=0.1)


def test_look_ups_before_between_and_after():
    lives = Lives.from_arrays([10, 20, 30], [1, 0, 0], cause=["water", "", ""])
    frame = cumulative_incidence(lives).at([5, 10, 29, 30, 31])
    np.testing.assert_allclose(frame.incidence, [0, 1 / 3, 1 / 3, 1 / 3, np.nan])
    assert frame.upper[0] == pytest.approx(1 - 0.025 ** (1 / 3))
    everyone = Lives.from_arrays([10, 20], [1, 1], cause=["water", "bite"])
    np.testing.assert_allclose(cumulative_incidence(everyone).at(99).incidence, [0.5, 0.5])


def test_undetermined_is_a_cause_and_groups_without_it_get_a_bound():
    lives = Lives.from_arrays(
        [3, 5, 9, 9], [1, 1, 0, 0], cause=["water", None, "", ""], covariates={"seal": ["a", "a", "b", "b"]}
    )
    result = cumulative_incidence(lives, "seal")
    assert result.causes == ("undetermined", "water")
    b = result.table[result.table.group == "b"]
    assert (b.incidence == 0).all() and b.upper.tolist() == pytest.approx([1 - 0.025**0.5] * 2)
    assert result.test.shape == (2, 4)


def test_an_emptied_risk_set_is_said():
    lives = Lives.from_arrays([2, 2, 9], [1, 1, 1], entry=[0, 0, 5], cause=["water"] * 3)
    result = cumulative_incidence(lives)
    assert any("every unit at risk at 2 days had failed" in note for note in result.notes)
    assert result.table.incidence.tolist() == [1.0, 1.0]


def test_entrants_after_everyone_had_failed_are_outside_the_test():
    """Both groups are empty on day 6: who enters later was never at risk beside a known survival."""
    time, entry = [2, 3, 4, 5, 6, 6, 12, 14, 15, 16], [0] * 6 + [10] * 4
    cause, frame = ["water", "bite"] * 3 + ["water"] * 4, {"seal": list("abbabaabab")}
    everyone = Lives.from_arrays(time, [1] * 10, entry=entry, cause=cause, covariates=frame)
    early = cumulative_incidence(everyone.take(np.arange(6)), "seal").test
    pd.testing.assert_frame_equal(cumulative_incidence(everyone, "seal").test, early)


def test_no_test_where_only_one_group_was_at_risk():
    lives = Lives.from_arrays(
        [3, 5, 9, 9], [0, 0, 1, 1], cause=["", "", "water", "water"], covariates={"seal": ["a", "a", "b", "b"]}
    )
    result = cumulative_incidence(lives, "seal")
    assert np.isnan(result.test["p_value"][0]) and any("only one group was at risk" in note for note in result.notes)
    assert cumulative_incidence(lives).test.empty


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


def test_errors_say_what_is_missing():
    with pytest.raises(EstimateError, match="carry no causes"):
        cumulative_incidence(Lives.from_arrays([1], [1]))
    with pytest.raises(EstimateError, match="none of the 2 units failed"):
        cumulative_incidence(Lives.from_arrays([1, 2], [0, 0], cause=["", ""]))
    with pytest.raises(EstimateError, match="there are no lives"):
        cumulative_incidence(Lives.from_arrays([], [], cause=[]))
    with pytest.raises(UsageError, match="unknown covariate 'seal'"):
        cumulative_incidence(_lives(_season()).replace(covariates={"x": np.zeros(150)}), "seal")
    with pytest.raises(UsageError, match="confidence"):
        cumulative_incidence(_lives(_season()), confidence=1.5)
    with pytest.raises(UsageError, match="times must be numbers of at least 0"):
        cumulative_incidence(_lives(_season())).at(-1)


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
