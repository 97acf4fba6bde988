"""Scores that comparisons rest on: interval lives, by hand and by law, and what a comparison refuses."""

import numpy as np
import pytest

from tests.estimate.rank_tests.test_comparisons import interval_lives, simulated, six
from workbench import EstimateError, Lives, UsageError, compare_groups
from workbench.estimate.rank_tests.comparisons import compare_trend
from workbench.estimate.turnbull.interval_scores import interval_scores


def test_sun_scores_of_exact_lives_are_log_rank_scores():
    lives = simulated(12)
    plain = compare_groups(lives, "seal", method="permutation", resamples=99)
    sun = compare_groups(lives, "seal", weight="sun", method="permutation", resamples=99)
    assert sun.statistic == pytest.approx(plain.statistic, rel=1e-6)


def test_scores_of_intervals_by_hand():
    """Two lives, (0, 2] and (2, 4]: half the mass each. Sun: 1 - 1/2, and 1 - 1/2 - 1; Finkelstein: log 2 by parts."""
    lives = Lives.from_arrays(lower=[0, 2], upper=[2, 4])
    assert interval_scores(lives, "sun") == pytest.approx([0.5, -0.5], abs=1e-7)
    assert interval_scores(lives, "finkelstein") == pytest.approx([np.log(2), -np.log(2)], abs=1e-6)


@pytest.mark.parametrize("kind", ["sun", "finkelstein"])
def test_lives_that_never_met_are_scored_apart(kind):
    """All of the first fleet has failed before the second enters: scores of both together are those of each alone."""
    first = ([0, 2, 3, 5], [4, 5, 8, 10], [0.0] * 4)
    second = ([20, 22, 24, 25], [24, 26, 30, np.inf], [20.0] * 4)
    alone = [interval_scores(Lives.from_arrays(lower=a, upper=b, entry=e), kind) for a, b, e in (first, second)]
    together = Lives.from_arrays(lower=first[0] + second[0], upper=first[1] + second[1], entry=first[2] + second[2])
    assert interval_scores(together, kind) == pytest.approx(np.concatenate(alone), abs=1e-6)


@pytest.mark.parametrize("kind", ["sun", "finkelstein"])
@pytest.mark.parametrize("entry", [False, True])
def test_scores_sum_to_zero(kind, entry):
    lives = interval_lives()
    if entry:
        late = np.where(np.arange(60) % 3 == 0, np.floor(lives.lower / 2), 0.0)
        lives = lives.replace(entry=late)
    assert interval_scores(lives, kind).sum() == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize("weight", ["logrank", "sun", "finkelstein"])
def test_interval_lives_find_the_longer_lived_group(weight):
    test = compare_groups(interval_lives(), "vent", weight=weight)
    assert test.p_value < 0.05
    assert test.table["failures"][0] > test.table["expected"][0]
    assert test.weight == ("sun" if weight == "logrank" else weight)
    drawn = compare_groups(interval_lives(), "vent", weight=weight, method="permutation", resamples=2000)
    assert drawn.statistic == pytest.approx(test.statistic)
    assert drawn.p_value == pytest.approx(test.p_value, abs=0.02)


def test_interval_lives_with_late_entry_are_compared_and_it_is_said():
    lives = interval_lives()
    late = np.where(np.arange(60) % 3 == 0, np.floor(lives.lower / 2), 0.0)
    test = compare_groups(lives.replace(entry=late), "vent")
    assert np.isfinite(test.statistic)
    assert any("entered late" in note for note in test.notes)


@pytest.mark.parametrize(
    ("arguments", "error", "message"),
    [
        ({"by": "vant"}, UsageError, "unknown covariate 'vant'; did you mean 'vent'"),
        ({"weight": "wilcoxon"}, UsageError, "weight must be one of logrank, gehan"),
        ({"method": "exat"}, UsageError, "method must be one of asymptotic, permutation, exact; got 'exat'"),
        ({"resamples": 0}, UsageError, "resamples must be a whole number of at least 1; got 0"),
        ({"rho": -1, "weight": "fleming-harrington"}, UsageError, "rho must be a finite number of at least 0; got -1"),
        ({"rho": 1}, UsageError, "rho and gamma belong to weight='fleming-harrington'; got weight='logrank'"),
        ({"reference": "c"}, UsageError, "reference must be one of a, b; got 'c'"),
    ],
)
def test_wrong_arguments_are_named(arguments, error, message):
    with pytest.raises(error, match=message):
        compare_groups(six(), **({"by": "vent"} | arguments))


def test_one_group_cannot_be_compared():
    with pytest.raises(EstimateError, match=r"at least two groups of 'vent'; there are 1 \(only 'a'\)"):
        compare_groups(six("aaaaaa"), "vent")


def test_a_group_that_disappears_with_its_missing_strata_is_not_counted():
    frame = {"vent": list("abababcc"), "site": ["x"] * 6 + [None, None]}
    lives = Lives.from_arrays(range(1, 9), [1] * 8, covariates=frame)
    test = compare_groups(lives, "vent", within="site")
    assert test.table["group"].tolist() == ["a", "b"]
    assert test.notes[0] == "2 of 8 units have no value of site and are left out here."


@pytest.mark.parametrize("method", ["permutation", "exact"])
def test_late_entry_cannot_change_places(method):
    lives = six().replace(entry=[0, 0, 1, 0, 0, 0])
    with pytest.raises(EstimateError, match=r"row 2 entered late \(at 1\); use method='asymptotic'"):
        compare_groups(lives, "vent", method=method)


def test_a_cluster_in_two_groups_cannot_change_places():
    lives = six().replace(cluster=["u1", "u2", "u1", "u3", "u4", "u5"])
    with pytest.raises(EstimateError, match=r"cluster 'u1' has rows in two groups \(a and b\)"):
        compare_groups(lives, "vent", method="permutation")


def test_a_cluster_in_two_strata_cannot_change_places():
    lives = six().replace(cluster=["u1", "u1", "u2", "u3", "u4", "u5"])
    lives = lives.replace(covariates=lives.covariates.assign(site=list("xyxyxy")))
    with pytest.raises(EstimateError, match="cluster 'u1' has rows in two strata"):
        compare_groups(lives, "vent", method="exact", within="site")


def test_too_many_arrangements_are_refused_with_advice():
    with pytest.raises(EstimateError, match="more than 1,000,000; use method='permutation'"):
        compare_groups(simulated(13), "seal", method="exact")
    lives = Lives.from_arrays(range(1, 25), [1] * 24, covariates={"vent": list("ab") * 12})
    with pytest.raises(EstimateError, match=r"would need 2\.7e\+06 arrangements"):  # 24 over 12 = 2,704,156
        compare_groups(lives, "vent", method="exact")


def test_other_weights_do_not_exist_for_intervals():
    with pytest.raises(EstimateError, match="weight 'gehan' does not exist for interval-censored lives; use 'sun'"):
        compare_groups(interval_lives(), "vent", weight="gehan")


@pytest.mark.parametrize("scores", [[1, 2, 3], [1, 1], [1, np.nan]])
def test_scores_must_fit_the_levels(scores):
    with pytest.raises(UsageError, match="scores must be 2 numbers that are not all equal, one for each of a, b"):
        compare_trend(six(), "vent", scores=scores)
