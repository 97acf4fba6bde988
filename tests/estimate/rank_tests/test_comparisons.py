"""Rank tests: second implementations, scores by hand, permutation and exact p, interval scores, laws, messages."""

from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from lifelines.statistics import logrank_test, multivariate_logrank_test, pairwise_logrank_test
from scipy.stats import chi2
from statsmodels.duration.survfunc import survdiff

from workbench import Lives, compare_groups
from workbench.estimate.rank_tests.comparisons import compare_trend
from workbench.estimate.rank_tests.counted_tests import chi_square, whitening
from workbench.estimate.rank_tests.rank_weights import WEIGHTS
from workbench.estimate.shared.multiplicity import adjusted_by_holm


def simulated(seed, n=90, entry=False, weight=False):
    rng = np.random.default_rng(seed)
    seal = np.array(["cord", "gasket", "o-ring"])[rng.integers(0, 3, n)]
    time = np.ceil(40 * rng.weibull(1.3, n) * np.where(seal == "cord", 0.7, 1.0))
    site = np.array(["bog", "cliff"])[rng.integers(0, 2, n)]
    return Lives.from_arrays(
        time,
        rng.random(n) < 0.6,
        entry=np.floor(time * rng.random(n) * 0.6) if entry else None,
        weight=rng.integers(1, 4, n) if weight else None,
        covariates={"seal": seal, "site": site},
    )


def six(group="aabbab"):
    return Lives.from_arrays([1, 2, 3, 4, 5, 6], [1, 1, 1, 1, 0, 1], covariates={"vent": list(group)})


def interval_lives(seed=0, n=60):
    rng = np.random.default_rng(seed)
    vent = np.where(rng.random(n) < 0.5, "a", "b")
    life = 30 * rng.weibull(1.5, n) * np.where(vent == "a", 1.0, 1.6)
    lower, upper = np.floor(life / 5) * 5, np.floor(life / 5) * 5 + rng.integers(3, 11, n)
    late = lower >= 40
    return Lives.from_arrays(
        lower=np.where(late, 40, lower), upper=np.where(late, np.inf, upper), covariates={"vent": vent}
    )


@pytest.mark.parametrize(
    ("weight", "name"), [("logrank", None), ("gehan", "wilcoxon"), ("tarone-ware", "tarone-ware"), ("peto", "peto")]
)
def test_lifelines_gives_the_same_statistic(weight, name):
    lives = simulated(1)
    test = compare_groups(lives, "seal", weight=weight)
    other = multivariate_logrank_test(lives.lower, lives.covariates["seal"], lives.failed, weightings=name)

    assert test.statistic == pytest.approx(other.test_statistic, rel=1e-9)
    assert test.p_value == pytest.approx(other.p_value, rel=1e-9)
    assert test.degrees_of_freedom == 2


@pytest.mark.parametrize("rho", [0.5, 1.0])
def test_statsmodels_gives_the_same_weighted_statistic(rho):
    lives = simulated(2)
    seal, failed = lives.covariates["seal"], lives.failed.astype(int)
    with np.errstate(divide="ignore"):  # the library takes the log of a survival that has reached 0
        value, p = survdiff(lives.lower, failed, seal, weight_type="fh", fh_p=rho)
    test = compare_groups(lives, "seal", weight="fleming-harrington", rho=rho)
    assert (test.statistic, test.p_value) == pytest.approx((value, p), rel=1e-9)


def test_late_weights_by_lifelines():
    lives = simulated(3)
    two = lives.take((lives.covariates["seal"] != "o-ring").to_numpy())
    cord = (two.covariates["seal"] == "cord").to_numpy()
    other = logrank_test(
        two.lower[cord],
        two.lower[~cord],
        two.failed[cord],
        two.failed[~cord],
        weightings="fleming-harrington",
        p=0,
        q=1,
    )
    test = compare_groups(two, "seal", weight="fleming-harrington", gamma=1)
    assert test.statistic == pytest.approx(other.test_statistic, rel=1e-9)


def test_strata_by_statsmodels():
    lives = simulated(4)
    frame = lives.covariates
    value, _ = survdiff(lives.lower, lives.failed.astype(int), frame["seal"], strata=frame["site"])
    assert compare_groups(lives, "seal", within="site").statistic == pytest.approx(value, rel=1e-9)


def test_delayed_entry_by_statsmodels():
    lives = simulated(5, entry=True)
    value, _ = survdiff(lives.lower, lives.failed.astype(int), lives.covariates["seal"], entry=lives.entry + 0.5)
    assert compare_groups(lives, "seal").statistic == pytest.approx(value, rel=1e-9)


def test_pairs_by_lifelines_and_holm_over_all_pairs():
    lives = simulated(6)
    pairs = compare_groups(lives, "seal").pairwise
    other = pairwise_logrank_test(lives.lower, lives.covariates["seal"], lives.failed).summary

    assert pairs[["group_a", "group_b"]].to_numpy().tolist() == [list(pair) for pair in other.index]
    assert pairs["statistic"].to_numpy() == pytest.approx(other["test_statistic"].to_numpy(), rel=1e-9)
    assert pairs["p_adjusted"].to_numpy() == pytest.approx(adjusted_by_holm(other["p"].to_numpy()), rel=1e-9)


def test_pairs_with_the_reference_only():
    pairs = compare_groups(simulated(6), "seal", reference="gasket").pairwise
    assert pairs[["group_a", "group_b"]].to_numpy().tolist() == [["cord", "gasket"], ["o-ring", "gasket"]]
    assert pairs["p_adjusted"].to_numpy() == pytest.approx(adjusted_by_holm(pairs["p_value"]))


def test_holm_by_hand():
    """Smallest times 3, next times 2, never falling: .01, .03, .04 give .03, .06, .06."""
    assert adjusted_by_holm([0.01, 0.04, 0.03, np.nan]) == pytest.approx([0.03, 0.06, 0.06, np.nan], nan_ok=True)
    assert adjusted_by_holm([0.6, 0.7]).tolist() == [1.0, 1.0]


@pytest.mark.parametrize("weight", WEIGHTS)
def test_exact_p_is_the_share_of_all_orders(weight):
    """All 720 orders of six scores, without ties, so that scores are weight minus weighted hazard lived through."""
    lives = six()
    arguments = {"rho": 1.0, "gamma": 0.5} if weight == "fleming-harrington" else {}
    n, failed = np.arange(6, 0, -1.0), lives.failed
    before = np.append(1.0, np.cumprod(1 - failed / n)[:-1])
    weights = {
        "logrank": np.ones(6),
        "gehan": n,
        "tarone-ware": np.sqrt(n),
        "peto": np.cumprod(1 - failed / (n + 1)),
        "fleming-harrington": before * (1 - before) ** 0.5,
    }[weight]
    scores = failed * weights - np.cumsum(failed * weights / n)
    mine = np.array(list("aabbab")) == "a"
    sums = np.array([np.sum(np.array(order)[mine]) for order in permutations(scores)])
    share = np.mean(np.abs(sums) >= abs(scores[mine].sum()) - 1e-9)
    test = compare_groups(lives, "vent", weight=weight, method="exact", **arguments)
    variance = np.sum(scores**2) / 5 * 3 * 3 / 6

    assert test.p_value == pytest.approx(share, abs=1e-12)
    assert test.statistic == pytest.approx(scores[mine].sum() ** 2 / variance, rel=1e-9)


def test_exact_scores_average_over_tied_failures():
    """Two of three fail on one day: scores in either order are 1 - 1/3 and 1 - 1/3 - 1/2, on average 5/12."""
    lives = Lives.from_arrays([1, 1, 2], [1, 1, 0], covariates={"vent": ["a", "b", "b"]})
    test = compare_groups(lives, "vent", method="exact")
    scores = np.array([5 / 12, 5 / 12, -5 / 6])
    assert test.statistic == pytest.approx(scores[0] ** 2 / (np.sum(scores**2) / 2 * 2 / 3))
    assert test.p_value == 1.0


def test_permutation_p_comes_near_the_exact_one_and_is_never_zero():
    lives = Lives.from_arrays(range(1, 13), [1] * 12, covariates={"vent": ["a"] * 6 + ["b"] * 6})
    exact = compare_groups(lives, "vent", method="exact").p_value
    drawn = compare_groups(lives, "vent", method="permutation", resamples=4000).p_value
    least = compare_groups(lives, "vent", method="permutation", resamples=9).p_value

    assert exact == pytest.approx(2 / 924)
    assert drawn == pytest.approx(exact, abs=2e-3)
    assert least == 0.1


def test_ties_with_the_observed_arrangement_count_when_drawn_too():
    """Three before three: two of the 20 arrangements are as large, 1/10 by hand, and they tie with the observed one."""
    lives = Lives.from_arrays(range(1, 7), [1] * 6, covariates={"vent": list("aaabbb")})
    test = compare_groups(lives, "vent", method="permutation")
    assert test.statistic > 3
    assert test.p_value == pytest.approx(0.1, abs=4 * np.sqrt(0.1 * 0.9 / 9999))


@pytest.mark.parametrize("method", ["asymptotic", "permutation", "exact"])
def test_a_pair_is_tested_as_if_alone(method):
    """Each pair's line equals the test of its two groups with the third left out, whatever the method."""
    time = [3, 5, 8, 9, 1, 2, 4, 6, 7, 10]
    lives = Lives.from_arrays(time, [1] * 9 + [0], covariates={"vent": list("aaabbbbccc")})
    pairs = compare_groups(lives, "vent", method=method, resamples=300).pairwise
    for row in pairs.itertuples():
        two = lives.take(np.flatnonzero(lives.covariates["vent"].isin([row.group_a, row.group_b])))
        alone = compare_groups(two, "vent", method=method, resamples=300)
        assert (row.statistic, row.p_value) == pytest.approx((alone.statistic, alone.p_value), rel=1e-9)
        assert alone.pairwise["p_value"].tolist() == pytest.approx([alone.p_value], rel=1e-9)


@pytest.mark.parametrize("method", ["asymptotic", "permutation"])
def test_the_only_pair_of_interval_lives_has_the_overall_test(method):
    test = compare_groups(interval_lives(), "vent", method=method, resamples=200)
    assert test.pairwise["statistic"].tolist() == [test.statistic]
    assert test.pairwise["p_value"].tolist() == [test.p_value]


def test_exact_and_permutation_stay_inside_strata():
    """Each site holds one of each: 2 x 2 arrangements, all as large."""
    frame = {"vent": list("abab"), "site": list("xxyy")}
    lives = Lives.from_arrays([1, 2, 3, 4], [1, 1, 1, 1], covariates=frame)
    assert compare_groups(lives, "vent", method="exact", within="site").p_value == 0.5
    assert compare_groups(lives, "vent", method="exact").p_value == pytest.approx(2 / 6 * 2)


def test_whole_clusters_change_group():
    """Four units out twice each: six arrangements of two and two, not 70 of four and four."""
    frame = {"vent": list("aaaabbbb")}
    lives = Lives.from_arrays(range(1, 9), [1] * 8, covariates=frame, cluster=[1, 1, 2, 2, 3, 3, 4, 4])
    assert compare_groups(lives, "vent", method="exact").p_value == pytest.approx(2 / 6)
    assert compare_groups(lives.replace(cluster=None), "vent", method="exact").p_value == pytest.approx(2 / 70)


def test_asymptotic_says_that_clusters_count_as_independent():
    lives = six().replace(cluster=list("xxyyzz"))
    assert any("treated as independent" in note for note in compare_groups(lives, "vent").notes)


@pytest.mark.parametrize("weight", WEIGHTS)
def test_weights_equal_repeated_rows(weight):
    lives = simulated(7, n=40, weight=True)
    rows = lives.take(np.repeat(np.arange(40), lives.weight)).replace(weight=None)
    for method in ("asymptotic", "permutation"):
        arguments = {"weight": weight, "method": method, "resamples": 200, "within": "site"}
        a, b = compare_groups(lives, "seal", **arguments), compare_groups(rows, "seal", **arguments)
        assert (a.statistic, a.p_value) == pytest.approx((b.statistic, b.p_value), rel=1e-9)
        pd.testing.assert_frame_equal(a.table, b.table)
        pd.testing.assert_frame_equal(a.pairwise, b.pairwise)


@pytest.mark.parametrize("method", ["asymptotic", "permutation"])
def test_order_of_rows_changes_no_digit(method):
    lives = simulated(8).replace(cluster=np.arange(90))
    shuffled = lives.take(np.random.default_rng(0).permutation(90))
    a, b = (compare_groups(x, "seal", method=method, resamples=300) for x in (lives, shuffled))
    assert (a.statistic, a.p_value) == (b.statistic, b.p_value)
    pd.testing.assert_frame_equal(a.pairwise, b.pairwise)


def test_expected_is_that_of_the_log_rank_whatever_the_weight():
    lives = simulated(9)
    plain = compare_groups(lives, "seal").table
    for weight in WEIGHTS:
        for method in ("asymptotic", "permutation"):
            table = compare_groups(lives, "seal", weight=weight, method=method, resamples=5).table
            pd.testing.assert_frame_equal(table, plain)
    assert plain["expected"].sum() == pytest.approx(plain["failures"].sum())


def test_a_group_never_at_risk_with_others_costs_a_degree_of_freedom():
    lives = Lives.from_arrays([1, 2, 3, 4, 0], [1, 1, 1, 1, 0], covariates={"vent": list("ababc")})
    test = compare_groups(lives, "vent")
    assert test.degrees_of_freedom == 1
    assert np.isnan(test.pairwise["p_value"]).tolist() == [False, True, True]


def test_no_failures_compare_nothing():
    test = compare_groups(Lives.from_arrays([5, 6], [0, 0], covariates={"vent": ["a", "b"]}), "vent")
    assert np.isnan([test.statistic, test.p_value]).all()
    assert test.degrees_of_freedom == 0
    assert any("nothing can be compared" in note for note in test.notes)


def test_few_failures_are_said():
    notes = compare_groups(six(), "vent").notes
    assert any("Fewer than 10 failures in a, b" in note for note in notes)


def test_ten_failures_are_not_few():
    lives = Lives.from_arrays(range(1, 21), [1] * 20, covariates={"vent": list("ab") * 10})
    assert compare_groups(lives, "vent").notes == ()
    assert any("Fewer than 10" in note for note in compare_groups(lives.take(np.arange(19)), "vent").notes)


def test_whitening_knows_no_unit():
    """A variance c^2 times as large gives parts c times as small: no threshold is fixed."""
    variance = np.array([[2.0, -2.0], [-2.0, 2.0]])
    for contrast in (None, np.array([1.0, 2.0])):
        small = whitening(1e-20 * variance, contrast)
        assert small.shape == (2, 1)
        assert np.abs(small) * 1e-10 == pytest.approx(np.abs(whitening(variance, contrast)))


def test_chi_square_without_degrees_of_freedom_is_nan():
    assert np.isnan(chi_square(3.84, 0))
    assert chi_square(3.841458820694124, 1) == pytest.approx(0.05)  # the usual table


def test_trend_has_the_score_of_a_straight_line():
    """With two levels the trend is the plain test, whatever the scores; with three it has one degree of freedom."""
    lives = six()
    plain = compare_groups(lives, "vent")
    trend = compare_trend(lives, "vent", scores=[5, 9])

    assert trend.statistic == pytest.approx(plain.statistic)
    assert trend.z == pytest.approx(-np.sqrt(plain.statistic)) or trend.z == pytest.approx(np.sqrt(plain.statistic))
    excess = plain.table["failures"] - plain.table["expected"]
    assert np.sign(trend.z) == np.sign(excess[1])
    three = compare_trend(simulated(10), "seal")
    assert three.degrees_of_freedom == 1
    assert three.p_value == pytest.approx(chi2.sf(three.z**2, 1))
    assert three.table["score"].tolist() == [1.0, 2.0, 3.0]
    assert three.pairwise.empty


def test_trend_by_permutation_agrees_roughly():
    lives = simulated(11, n=150)
    drawn = compare_trend(lives, "seal", method="permutation", resamples=3000).p_value
    assert drawn == pytest.approx(compare_trend(lives, "seal").p_value, abs=0.04)


@pytest.mark.parametrize("weight", ["sun", "finkelstein"])
@pytest.mark.parametrize("method", ["asymptotic", "permutation"])
def test_pairs_of_interval_lives_are_compared_in_the_strata_that_hold_them(weight, method):
    """Stratum z holds group c alone, and x no c: each pair is what the two groups by themselves give."""
    rng = np.random.default_rng(4)
    lower = rng.integers(0, 60, 60).astype(float)
    upper = np.where(rng.random(60) < 0.4, np.inf, lower + 14)
    seal = np.array(["a", "b", "c"] * 20)
    site = np.where(seal == "c", np.where(np.arange(60) < 30, "y", "z"), np.where(np.arange(60) < 30, "x", "y"))
    lives = Lives.from_arrays(lower=lower, upper=upper, covariates=pd.DataFrame({"seal": seal, "site": site}))
    options = {"within": "site", "weight": weight, "method": method, "resamples": 99}
    pairs = compare_groups(lives, "seal", **options).pairwise
    for row in pairs.itertuples():
        two = lives.take(np.flatnonzero(np.isin(seal, [row.group_a, row.group_b])))
        alone = compare_groups(two, "seal", **options)
        assert (row.statistic, row.p_value) == (pytest.approx(alone.statistic), pytest.approx(alone.p_value))


def test_groups_that_never_share_a_stratum_are_not_compared_and_that_is_said():
    lives = Lives.from_arrays(
        lower=[0, 10, 20, 0, 10, 30] * 3,
        upper=[10, 20, np.inf, 14, 28, np.inf] * 3,
        covariates=pd.DataFrame({"site": np.repeat(["a", "b", "c"], 6), "place": np.repeat(["p", "q", "r"], 6)}),
    )
    test = compare_groups(lives, "site", within="place")
    assert np.isnan(test.statistic) and test.pairwise["p_value"].isna().all()
    assert any("nothing can be compared" in note for note in test.notes)
