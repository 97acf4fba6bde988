"""Restricted means: areas by hand, a second implementation, differences, interval lives, laws and messages."""

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter
from lifelines.utils import restricted_mean_survival_time
from scipy.optimize import minimize

from workbench import EstimateError, Lives, UsageError, restricted_mean
from workbench.estimate.turnbull.interval_curves import mass_of


def simulated(seed, n=80):
    rng = np.random.default_rng(seed)
    seal = np.array(["cord", "gasket"])[rng.integers(0, 2, n)]
    time = np.ceil(60 * rng.weibull(1.3, n))
    return Lives.from_arrays(time, rng.random(n) < 0.7, weight=rng.integers(1, 3, n), covariates={"seal": seal})


def visited(seed, n=60):
    rng = np.random.default_rng(seed)
    life = 80 * rng.weibull(1.5, n)
    visits = np.cumsum(rng.integers(20, 43, (n, 4)), axis=1)
    edges = np.column_stack([np.zeros(n), visits, np.full(n, np.inf)])
    seen = np.sum(visits < life[:, None], axis=1)
    seal = np.array(["cord", "gasket"])[rng.integers(0, 2, n)]
    return Lives.from_arrays(
        lower=edges[np.arange(n), seen], upper=edges[np.arange(n), seen + 1], covariates={"seal": seal}
    )


def test_area_and_error_by_hand():
    """Failures at 1 and 3 of four, to 4: 1 + 2 * 3/4 + 1/2 = 3; variance 2^2/(4*3) + (1/2)^2/(3*2) = 3/8."""
    row = restricted_mean(Lives.from_arrays([1, 3, 5, 5], [1, 1, 0, 0]), 4).table.iloc[0]
    assert row["group"] == "all"
    assert row["restricted_mean"] == pytest.approx(3.0)
    assert row["std_error"] == pytest.approx(np.sqrt(3 / 8))
    assert (row["lower"], row["upper"]) == pytest.approx((3 - 1.959963985 * np.sqrt(3 / 8), 4.0))


def test_error_where_one_unit_is_left_after_a_failure():
    """Failures at 1 and 2 of three, to 3: areas after them 1 and 1/3, so 1/(3*2) + (1/3)^2/(2*1) = 2/9."""
    row = restricted_mean(Lives.from_arrays([1, 2, 3], [1, 1, 0]), 3).table.iloc[0]
    assert row["restricted_mean"] == pytest.approx(2.0)
    assert row["std_error"] == pytest.approx(np.sqrt(2 / 9))


@pytest.mark.parametrize("horizon", [20, 40.5])
def test_lifelines_gives_the_same_area(horizon):
    lives = simulated(1)
    table = restricted_mean(lives, horizon, "seal").table.set_index("group")
    for seal in ("cord", "gasket"):
        mine = (lives.covariates["seal"] == seal).to_numpy()
        fit = KaplanMeierFitter().fit(lives.lower[mine], lives.failed[mine], weights=lives.weight[mine])
        assert table.loc[seal, "restricted_mean"] == pytest.approx(restricted_mean_survival_time(fit, t=horizon))


def test_no_failure_by_the_horizon_is_the_horizon_with_an_exact_bound():
    lives = Lives.from_arrays([50] * 4 + [180] * 6, [False] * 10)
    means = restricted_mean(lives, 180)
    row = means.table.iloc[0]
    assert (row["restricted_mean"], row["upper"]) == (180.0, 180.0)
    assert row["lower"] == pytest.approx(180 * 0.025 ** (1 / 6))
    assert means.notes == ("all: no unit failed by 180 days; the lower limit is the exact bound for 6 at risk.",)


def test_failures_that_all_began_at_the_horizon_are_none_by_then():
    lives = Lives.from_arrays(lower=[10, 10, 12], upper=[20, 15, np.inf])
    means = restricted_mean(lives, 10)
    row = means.table.iloc[0]
    assert (row["restricted_mean"], row["upper"]) == (10.0, 10.0)
    assert row["lower"] == pytest.approx(10 * 0.025 ** (1 / 3))
    assert means.notes[-1].startswith("all: no unit failed by 10 days")


def test_horizon_beyond_what_is_known_is_not_a_number():
    means = restricted_mean(Lives.from_arrays([10, 30], [True, False]), 40)
    assert means.table.iloc[0, 1:].isna().all()
    assert "nothing is known after 30 days" in means.notes[0]


def test_a_curve_at_zero_needs_no_later_unit():
    assert restricted_mean(Lives.from_arrays([10, 30], [True, True]), 400).table["restricted_mean"][0] == 20.0


def test_all_failing_on_one_day_has_no_limits():
    means = restricted_mean(Lives.from_arrays([10, 10, 10], [True] * 3), 20)
    assert means.table["restricted_mean"][0] == 10.0
    assert means.table[["std_error", "lower", "upper"]].isna().all(axis=None)
    assert "all units failed on one day" in means.notes[0]


def test_difference_by_square_and_add():
    means = restricted_mean(simulated(2), 50, "seal")
    table, row = means.table.set_index("group"), means.difference.iloc[0]
    a, b = table.loc["gasket"], table.loc["cord"]
    gap = a["restricted_mean"] - b["restricted_mean"]

    assert (row["group_a"], row["group_b"]) == ("gasket", "cord")
    assert row["difference"] == pytest.approx(gap)
    assert row["std_error"] == pytest.approx(np.hypot(a["std_error"], b["std_error"]))
    down = np.hypot(a["restricted_mean"] - a["lower"], b["upper"] - b["restricted_mean"])
    assert row["lower"] == pytest.approx(gap - down)
    reverse = means.difference_to("gasket").iloc[0]
    assert (reverse["difference"], reverse["upper"]) == pytest.approx((-gap, -row["lower"]))


def test_p_value_of_a_difference_is_that_of_the_normal_test():
    from scipy.stats import norm

    row = restricted_mean(simulated(3), 40, "seal").difference.iloc[0]
    assert row["p_value"] == pytest.approx(2 * norm.sf(abs(row["difference"]) / row["std_error"]), rel=1e-6)


def test_difference_to_a_group_without_failures_is_not_too_sure():
    lives = Lives.from_arrays([40] * 5 + [10, 20, 30, 40, 40], [0] * 5 + [1, 1, 1, 0, 0])
    row = restricted_mean(lives.replace(covariates={"s": ["a"] * 5 + ["b"] * 5}), 40, "s").difference.iloc[0]
    assert row["difference"] == pytest.approx(-12.0)
    assert row["upper"] > -12 + 40 * (1 - 0.025**0.2)
    assert 0.05 < row["p_value"] < 0.6


def test_interval_lives_spread_mass_evenly_and_say_both_ends():
    """Two of four in (0, 20], two still out: mean 1/2 * 10 + 1/2 * 40, from 20 (all at 0) to 30 (at 20)."""
    means = restricted_mean(Lives.from_arrays(lower=[0, 0, 50, 50], upper=[20, 20, np.inf, np.inf]), 40)
    assert means.table["restricted_mean"][0] == pytest.approx(25.0, abs=1e-6)
    assert means.notes == (
        "all: with 2 failures by 40 days, 95 % limits of this kind hold the truth in about 92 of 100 simulated "
        "seasons.",
        "all: failures are spread evenly between the times that bound them; all at the start would give a mean of 20, "
        "all at the end 30 days, and the limits go half way to either.",
    )


def test_notes_of_all_groups_on_few_failures_come_first():
    lives = Lives.from_arrays(lower=[0, 5, 50, 0, 7, 50], upper=[20, 25, np.inf, 20, 25, np.inf])
    notes = restricted_mean(lives.replace(covariates={"s": list("aaabbb")}), 40, "s").notes
    assert [n[:3] for n in notes] == ["a: ", "b: ", "a: ", "b: "]
    assert ["simulated" in n for n in notes] == [True, True, False, False]


def test_horizon_inside_a_cell_counts_the_part_before_it():
    """(0, 20] with horizon 10: half the mass at 5 on average, the rest at the horizon."""
    means = restricted_mean(Lives.from_arrays(lower=[0, 0, 50], upper=[20, 20, np.inf]), 10)
    assert means.table["restricted_mean"][0] == pytest.approx(2 / 3 * 7.5 + 1 / 3 * 10, abs=1e-6)


def test_interval_limits_are_near_the_spread_of_new_samples():
    """Sixty fresh seasons: their means (each cell's mass on fifty points) spread as the standard error of one says."""
    points = (np.arange(50) + 0.5) / 50

    def mean_of(lives):
        found = mass_of(lives.lower, lives.upper, lives.entry, weight=lives.weight)
        start, width = found.cells.start, np.minimum(found.cells.end, 1e6) - found.cells.start
        return found.mass @ np.minimum(start[:, None] + width[:, None] * points, 60).mean(axis=1)

    means = [mean_of(visited(seed)) for seed in range(60)]
    one = restricted_mean(visited(0), 60).table.iloc[0]
    assert one["lower"] < np.mean(means) < one["upper"]
    assert one["restricted_mean"] == pytest.approx(means[0], abs=0.05)
    assert one["std_error"] == pytest.approx(np.std(means), rel=0.3)


def spans_by_hand(lives, horizon):
    """Lives against the spans between ends: may it have failed there, was it watched there; worth early and late."""
    ends = np.unique(np.concatenate([[0.0], lives.lower, lives.upper, lives.entry]))
    start, stop = ends[:-1], ends[1:]
    inside = (lives.lower[:, None] <= start) & (stop <= lives.upper[:, None])
    inside, start, stop = inside[:, inside.any(axis=0)], start[inside.any(axis=0)], stop[inside.any(axis=0)]
    width = np.where(np.isfinite(stop), stop - start, 1.0)
    points = start[:, None] + width[:, None] * (np.arange(2000) + 0.5) / 2000
    even = np.minimum(np.where(np.isfinite(stop)[:, None], points, horizon), horizon).mean(axis=1)
    early, late = (0.5 * (even + np.minimum(end, horizon)) for end in (start, stop))
    return inside, lives.entry[:, None] <= start, early, late


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("entry", [False, True])
def test_a_general_optimiser_finds_the_same_interval_limits(seed, entry):
    """scipy: the highest likelihood with the mean held at a limit; twice its fall is the chi-square quantile."""
    rng = np.random.default_rng(seed)
    lives = visited(seed, 14)
    if entry:
        lives = lives.replace(entry=np.where(rng.random(14) < 0.4, np.floor(lives.lower / 2), 0.0))
    inside, watched, early, late = spans_by_hand(lives, 60)

    def fall(mass):
        return float(np.sum(np.log(watched @ mass) - np.log(inside @ mass)))

    def slope(mass):
        return (watched / (watched @ mass)[:, None] - inside / (inside @ mass)[:, None]).sum(axis=0)

    def highest(*rules):
        rules = [{"type": "eq", "fun": lambda p, w=w, r=r: w @ p - r, "jac": lambda p, w=w: w} for w, r in rules]
        even = np.full(early.size, 1 / early.size)
        options = {"maxiter": 2000, "ftol": 1e-12}
        found = minimize(fall, even, jac=slope, bounds=[(1e-9, 1)] * even.size, constraints=rules, options=options)
        return -found.fun

    top = highest((np.ones(early.size), 1.0))
    row = restricted_mean(lives, 60).table.iloc[0]
    for worth, limit in ((early, row["lower"]), (late, row["upper"])):
        held = highest((np.ones(early.size), 1.0), (worth / 60, limit / 60))
        assert 2 * (top - held) == pytest.approx(3.841458820694124, abs=1e-2)


def test_a_life_told_twice_in_a_cluster_adds_nothing_to_the_limits():
    lives = visited(5)
    twice = lives.take(np.repeat(np.arange(60), 2))
    once = restricted_mean(lives, 60).table.iloc[0]
    paired = restricted_mean(twice.replace(cluster=np.repeat(np.arange(60), 2)), 60).table.iloc[0]
    columns = ["restricted_mean", "std_error", "lower", "upper"]
    assert paired[columns].to_numpy(dtype=float) == pytest.approx(once[columns].to_numpy(dtype=float), rel=1e-5)


def test_clusters_of_one_unit_change_nothing():
    lives = visited(6)
    a, b = restricted_mean(lives, 60).table, restricted_mean(lives.replace(cluster=np.arange(60)), 60).table
    pd.testing.assert_frame_equal(a, b)


def test_small_p_values_of_interval_means_can_be_told_apart_and_agree_with_the_limits():
    short, long = visited(7, 200), visited(8, 200)
    ends = [np.concatenate([getattr(short, n), getattr(long, n) * 1.0]) for n in ("lower", "upper")]
    for days, sure in ((40.0, True), (4.0, False)):
        lives = Lives.from_arrays(
            lower=ends[0] + days * (np.arange(400) >= 200),
            upper=ends[1] + days * (np.arange(400) >= 200),
            covariates={"s": ["a"] * 200 + ["b"] * 200},
        )
        row = restricted_mean(lives, 60, "s").difference.iloc[0]
        assert (row["p_value"] < 1e-6) == sure
        assert (row["p_value"] < 0.05) == (row["lower"] > 0)
        assert row["p_value"] > 0


def test_few_failures_are_said_to_hold_the_truth_less_often():
    def notes(failures):
        failed = np.arange(30) < failures
        return restricted_mean(Lives.from_arrays(np.where(failed, np.arange(30) + 1.0, 60.0), failed), 50).notes

    assert notes(9) == (
        "all: with 9 failures by 50 days, 95 % limits of this kind hold the truth in about 88 of 100 simulated "
        "seasons.",
    )
    assert "1 failure by" in notes(1)[0] and "about 85" in notes(1)[0]
    assert "about 92" in notes(19)[0]
    assert notes(20) == ()


def test_interval_lives_without_failures_or_knowledge():
    lives = Lives.from_arrays(
        lower=[40, 40, 0, 20], upper=[np.inf, np.inf, 10, np.inf], covariates={"s": ["a", "a", "b", "b"]}
    )
    table = restricted_mean(lives, 30, "s").table
    assert table["restricted_mean"][0] == 30.0
    assert table["lower"][0] == pytest.approx(30 * 0.025**0.5)
    assert np.isnan(table["restricted_mean"][1])


def test_all_failures_in_one_cell_have_no_limits():
    means = restricted_mean(Lives.from_arrays(lower=[0, 2, 1], upper=[10, 12, 9]), 30)
    assert means.table["restricted_mean"][0] == pytest.approx(5.5)
    assert means.table[["std_error", "lower", "upper"]].isna().all(axis=None)


def test_weights_equal_repeated_rows_and_order_does_not_matter():
    lives = simulated(4)
    rows = lives.take(np.repeat(np.arange(80), lives.weight)).replace(weight=None)
    shuffled = rows.take(np.random.default_rng(0).permutation(len(rows)))
    pd.testing.assert_frame_equal(restricted_mean(lives, 40, "seal").table, restricted_mean(rows, 40, "seal").table)
    pd.testing.assert_frame_equal(restricted_mean(shuffled, 40, "seal").table, restricted_mean(rows, 40, "seal").table)


def test_order_of_interval_rows_changes_no_digit():
    lives = visited(6).replace(cluster=np.arange(60) // 2)
    shuffled = lives.take(np.random.default_rng(0).permutation(60))
    pd.testing.assert_frame_equal(restricted_mean(lives, 60).table, restricted_mean(shuffled, 60).table)


def test_unit_of_time_scales_everything():
    lives = simulated(5)
    hours = lives.replace(lower=24 * lives.lower, upper=24 * lives.upper)
    a, b = restricted_mean(lives, 40).table.iloc[0, 1:], restricted_mean(hours, 960).table.iloc[0, 1:]
    assert b.to_numpy(dtype=float) == pytest.approx(24 * a.to_numpy(dtype=float))


@pytest.mark.parametrize(
    ("arguments", "error", "message"),
    [
        ((0,), UsageError, "horizon must be a finite number above 0; got 0"),
        ((40, "sael"), UsageError, "unknown covariate 'sael'; did you mean 'seal'"),
    ],
)
def test_wrong_arguments_are_named(arguments, error, message):
    with pytest.raises(error, match=message):
        restricted_mean(simulated(1), *arguments)


def test_one_group_has_no_difference():
    mean = restricted_mean(simulated(1), 40)
    two = restricted_mean(simulated(1), 40, "seal")
    assert mean.difference.empty and mean.difference.columns.equals(two.difference.columns)
    with pytest.raises(EstimateError, match="a comparison needs at least two groups; there is only 'all'"):
        mean.difference_to(None)


def test_no_lives_no_mean():
    with pytest.raises(EstimateError, match="there are no lives, so there is no mean"):
        restricted_mean(Lives.from_arrays([], []), 10)
