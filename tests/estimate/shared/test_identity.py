"""Labels are only labels: groups and levels are known by what they are, and no word of a user is taken for a code."""

import numpy as np
import pandas as pd
import pytest

from workbench import Lives, compare_groups, fit_time_ratios, mean_cumulative_count, rank_choices, restricted_mean
from workbench.estimate.curves import survival_curve
from workbench.estimate.shared import distinct_labels, terms_of
from workbench.ranking.model import build_design


def lives_of(seed=0, n=80, **columns):
    rng = np.random.default_rng(seed)
    time = np.ceil(rng.weibull(1.4, n) * 100)
    covariates = pd.DataFrame({name: pd.Series(values, dtype=object) for name, values in columns.items()})
    return Lives.from_arrays(np.minimum(time, 150), time < 150, covariates=covariates)


def test_the_number_1_and_the_text_1_are_two_groups():
    lives = lives_of(kind=[1, "1"] * 40)
    plain = lives_of(kind=["a", "b"] * 40)
    mean, as_words = restricted_mean(lives, 120, by="kind"), restricted_mean(plain, 120, by="kind")
    assert mean.table["group"].tolist() == ["1 (number)", "1 (text)"]
    np.testing.assert_array_equal(mean.table["restricted_mean"], as_words.table["restricted_mean"])
    assert len(mean.difference) == 1
    np.testing.assert_array_equal(mean.difference["difference"], as_words.difference["difference"])
    curve = survival_curve(lives, by="kind")
    assert curve.at([50])["group"].is_unique


def test_words_that_join_alike_are_two_groups():
    lives = lives_of(a=["x / y", "x"] * 40, b=["z", "y / z"] * 40)
    plain = lives_of(a=["1", "0"] * 40, b=["2", "3"] * 40)
    mean, as_words = restricted_mean(lives, 120, by=["a", "b"]), restricted_mean(plain, 120, by=["a", "b"])
    assert mean.table["group"].tolist() == ["'x' / 'y / z'", "'x / y' / 'z'"]
    np.testing.assert_array_equal(mean.difference["difference"], as_words.difference["difference"])
    assert compare_groups(lives, by=["a", "b"]).p_value == compare_groups(plain, by=["a", "b"]).p_value


def test_histories_join_words_by_the_same_rule():
    histories = pd.DataFrame(
        {"unit": list("aabb"), "time": [3.0, 9, 5, 9], "event": [True, False] * 2}
        | {"a": ["x / y"] * 2 + ["x"] * 2, "b": ["z"] * 2 + ["y / z"] * 2}
    )
    assert mean_cumulative_count(histories, by=["a", "b"]).table["group"].nunique() == 2


def test_labels_are_made_distinct_whatever_they_are():
    assert distinct_labels(["a", "b"], ["A", "B"]) == ("a", "b")
    assert distinct_labels(["a", "a", "c"], ["A", "B", "C"]) == ("A", "B", "c")
    assert len(set(distinct_labels(["a", "a", "A", "A (2)"], ["A", "A", "x", "y"]))) == 4


def test_a_level_that_a_user_calls_not_recorded_is_not_the_blank_one():
    words = ["not recorded", "cord", None, "cord"] * 20
    term = terms_of(lives_of(seal=words), "seal")[0]
    assert term.levels == ("cord", "not recorded", "not recorded (blank)") and term.blank == 2
    other = [{"not recorded": "zinc"}.get(w, w) for w in words]
    asked, plain = (fit_time_ratios(lives_of(seal=w), "seal").table for w in (words, other))
    np.testing.assert_array_equal(asked["log_time_ratio"], plain["log_time_ratio"])


@pytest.mark.parametrize("word", ["other", "not recorded", "all", "undetermined", "other (pooled)"])
def test_the_ranking_does_not_depend_on_what_a_level_is_called(word):
    def seals(name):
        return [name, "cord", "gasket", None] * 19 + ["glue", "wax", "tape", "tin"]

    asked, plain = (
        rank_choices(lives_of(seal=seals(name)), ["seal"], mission=100, resamples=40) for name in (word, "putty")
    )
    levels = ["putty" if level == word else level for level in asked.table["level"]]
    assert word in set(asked.table["level"]) and levels == plain.table["level"].tolist()
    for name in ("units", "mission_survival", "survival_gain", "lower", "upper", "p_value"):
        np.testing.assert_array_equal(asked.table[name], plain.table[name])


def test_levels_of_a_choice_that_are_numbers_stay_apart():
    lives = lives_of(lot=[1000001, 1000002] * 40)
    lives = lives.replace(covariates=lives.covariates.astype({"lot": float}))
    assert set(build_design(lives, ["lot"]).block("lot").levels) == {"1000001", "1000002"}
