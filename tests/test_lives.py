"""Lives: what no unit can have is refused with row and value; what is kept cannot be changed from outside."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from workbench.errors import LivesError
from workbench.estimate.curves.curves import survival_curve
from workbench.lives import UNDETERMINED, Lives

INF = float("inf")
NAN = float("nan")


@pytest.mark.parametrize(
    ("arrays", "row", "value"),
    [
        ({"time": [3, -1, 4], "failed": [1, 1, 0]}, 1, "-1"),
        ({"time": [3, 4, NAN], "failed": [1, 1, 0]}, 2, "nan"),
        ({"time": [3, INF], "failed": [1, 0]}, 1, "inf"),
        ({"time": ["soon", 4], "failed": [1, 0]}, 0, "soon"),
        ({"time": [3, 4, 5], "failed": [2, 1, 2]}, 0, "2"),
        ({"time": [3, 4, 5], "failed": [1, NAN, 0]}, 1, "nan"),
        ({"time": [3, 4], "failed": pd.Series([1, None], dtype="Int64")}, 1, "nan"),
        ({"time": [3, 4], "failed": ["yes", "no"]}, 0, "yes"),
        ({"time": [3, 4], "failed": ["1", "0"]}, 0, "'1'"),
        ({"time": [3, 4, 5], "failed": [True, None, False]}, 1, "None"),
        ({"time": [3, 4, 5], "failed": [True, NAN, False]}, 1, "nan"),
        ({"time": [3, 4], "failed": pd.array([True, None], dtype="boolean")}, 1, "<NA>"),
        ({"time": [3, 4, 5], "failed": np.array([1, 2, 1], dtype=object)}, 1, "2; only True and False"),
        ({"time": [3, 4, 5], "failed": np.array([True, NAN, False], dtype=object)}, 1, "nan"),
        ({"time": [3, 4], "failed": np.array([True, "x"], dtype=object)}, 1, "'x'"),
        ({"time": ["3", "4"], "failed": [1, 0]}, 0, "'3', which is no number"),
        ({"time": np.array([3, None], dtype=object), "failed": [1, 0]}, 1, "nan"),
        ({"time": [3, 4], "failed": [1, 0], "weight": [1, 1e19]}, 1, "1e+19"),
        ({"time": [3, 4], "failed": [1, 0], "weight": [2**52, 2**53]}, 1, "9,007,199,254,740,992 units"),
        ({"time": [3, 4], "failed": [1, 0], "weight": ["2", "1"]}, 0, "'2'"),
        ({"time": [3, 4], "failed": [1, 0], "entry": [0, 4]}, 1, "4"),
        ({"time": [3, 4], "failed": [1, 0], "entry": [5, 0]}, 0, "5"),
        ({"time": [3, 4], "failed": [1, 0], "entry": [-2, 0]}, 0, "-2"),
        ({"time": [3, 4], "failed": [1, 0], "entry": [NAN, 0]}, 0, "nan"),
        ({"time": [3, 4], "failed": [1, 0], "weight": [1, 0]}, 1, "0"),
        ({"time": [3, 4], "failed": [1, 0], "weight": [1, 1.5]}, 1, "1.5"),
        ({"time": [3, 4], "failed": [1, 0], "weight": [NAN, 1]}, 0, "nan"),
        ({"time": [3, 4], "failed": [1, 0], "cause": ["water", "bite"]}, 1, "bite"),
        ({"time": [3, 4], "failed": [1, 0], "cluster": ["a", None]}, None, "None"),
        ({"lower": [3, 5], "upper": [4, 4]}, 1, "upper is 4, before lower 5"),
        ({"lower": [0, -5], "upper": [4, 4]}, 1, "-5"),
        ({"lower": [0, 2], "upper": [4, NAN]}, 1, "NaN"),
        ({"lower": [0, INF], "upper": [4, INF]}, 1, "inf"),
        ({"lower": [0, 2], "upper": [4, 5], "entry": [4, 0]}, 0, "4"),
    ],
)
def test_what_no_unit_can_have_is_refused_with_row_and_value(arrays, row, value):
    with pytest.raises(LivesError) as caught:
        Lives.from_arrays(**arrays)
    message = str(caught.value)
    assert value in message and "\n" not in message
    assert row is None or f"row {row}" in message


@pytest.mark.parametrize("kind", ["datetime64[ns]", "timedelta64[ns]"])
def test_dates_are_not_read_as_numbers(kind):
    with pytest.raises(LivesError, match="dates or spans of time"):
        Lives.from_arrays(pd.Series([1, 2]).astype(kind), [1, 0])


@pytest.mark.parametrize("arrays", [{}, {"time": [1]}, {"lower": [1]}, {"time": [1], "failed": [1], "lower": [1]}])
def test_either_time_and_failed_or_lower_and_upper(arrays):
    with pytest.raises(LivesError, match="either time and failed, or lower and upper"):
        Lives.from_arrays(**arrays)


@pytest.mark.parametrize(
    "failed",
    [
        [True, False],
        np.array([1, 0]),
        np.array([1.0, 0.0]),
        pd.Series([1, 0], dtype="Int64"),
        np.array([True, 0], object),
    ],
)
def test_events_are_booleans_or_ones_and_noughts(failed):
    assert Lives.from_arrays([3, 4], failed).failed.tolist() == [True, False]


def test_rows_are_matched_by_position_whatever_the_index():
    covariates = pd.DataFrame({"seal": ["a", "b", "c"]}, index=[5, 1, 9])
    lives = Lives.from_arrays(pd.Series([5, 8, 8], index=[7, 8, 9]), [1, 0, 1], covariates=covariates)
    assert lives.covariates["seal"].tolist() == ["a", "b", "c"] and lives.covariates.index.tolist() == [0, 1, 2]


def test_a_lower_end_before_entry_is_raised_to_it():
    lives = Lives.from_arrays(lower=[3, 0], upper=[9, 4], entry=[5, 0])
    assert lives.lower.tolist() == [5, 0] and lives.weight.dtype == np.int64


def test_day_nought_is_allowed_and_entry_nought_is_none():
    lives = Lives.from_arrays([0, 0, 5], [1, 0, 1], entry=[0, 0, 0])
    table = survival_curve(lives).table
    assert table.loc[0, ["time", "at_risk", "failures", "censored"]].tolist() == [0, 3, 1, 1]


def test_a_failure_nobody_could_name_is_a_class_of_its_own():
    lives = Lives.from_arrays([3, 4, 5], [1, 1, 0], cause=["water", None, NAN])
    assert lives.cause.tolist() == ["water", UNDETERMINED, ""]


def test_lives_do_not_change_with_what_they_were_made_of_or_what_they_hand_out():
    time, covariates = np.array([5.0, 8.0, 9.0]), pd.DataFrame({"seal": ["a", "b", "a"]})
    lives = Lives.from_arrays(time, [1, 0, 1], covariates=covariates)
    before = survival_curve(lives, "seal").table
    time[0], covariates["seal"] = 99.0, "z"
    handed = lives.covariates
    handed["seal"], handed["more"] = "z", 1
    with pytest.raises(ValueError, match="read-only"):
        lives.lower[0] = 1.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        lives.unit = "hours"
    assert lives.lower.tolist() == [5, 8, 9] and lives.covariates.columns.tolist() == ["seal"]
    pd.testing.assert_frame_equal(survival_curve(lives, "seal").table, before)


FRAME = {
    "number": [1.0, 2.0, 3.0],
    "text": ["a", "b", "a"],
    "level": pd.Categorical(["a", "b", "a"]),
    "day": pd.to_datetime(["2025-01-01"] * 3),
    "whole": pd.array([1, 2, None], dtype="Int64"),
    "string": pd.array(["a", "b", None], dtype="string"),
}
OTHERS = {"number": 9.0, "text": "z", "level": "b", "day": pd.Timestamp("2026-01-01"), "whole": 7, "string": "z"}


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("column", FRAME)
@pytest.mark.parametrize("way", ["loc", "iloc", "at", "chained", "values", "whole column", "caller's frame"])
def test_nothing_done_to_the_covariates_reaches_the_lives(column, way):
    given, value = pd.DataFrame(FRAME), OTHERS[column]
    lives = Lives.from_arrays([5, 8, 9], [1, 0, 1], covariates=given)
    some = lives.take([0, 1, 2])
    for kept in (lives, some):
        frame = given if way == "caller's frame" else kept.covariates
        place = list(frame.columns).index(column)
        try:
            if way in ("loc", "caller's frame"):
                frame.loc[0, column] = value
            elif way == "iloc":
                frame.iloc[0, place] = value
            elif way == "at":
                frame.at[0, column] = value
            elif way == "chained":
                frame[column][0] = value
            elif way == "values":
                frame[column].array[0] = value
            else:
                frame.loc[:, column] = [value] * 3
        except ValueError as error:
            assert "read-only" in str(error)
        pd.testing.assert_frame_equal(kept.covariates, pd.DataFrame(FRAME))
    changed = lives.covariates.copy()
    changed.loc[0, column] = value
    assert lives.replace(covariates=changed).covariates.loc[0, column] == value


@pytest.mark.parametrize("labels", [[1, 2, 3], ["a", "b", "c"]])
@pytest.mark.parametrize("kind", [None, object])
def test_the_callers_cluster_labels_do_not_reach_the_lives(labels, kind):
    cluster = np.array(labels, dtype=kind)
    lives = Lives.from_arrays([5, 8, 9], [1, 0, 1], cluster=cluster)
    cluster[0] = cluster[1]
    assert lives.cluster.tolist() == labels and lives.units_among() == 3


def test_as_many_units_as_can_be_counted_one_by_one_are_taken():
    lives = Lives.from_arrays([5, 8], [1, 0], weight=[2**53 - 1, 1])
    assert lives.units == 2**53 and lives.failures == 2**53 - 1


def test_other_causes_become_suspensions_on_the_last_day_known_alive():
    lives = Lives.from_arrays(lower=[3, 2, 7], upper=[3, 6, INF], cause=["bite", "water", ""])
    only = lives.for_causes("water")
    assert only.lower.tolist() == [3, 2, 7] and only.upper.tolist() == [INF, 6, INF]
    assert only.cause.tolist() == ["", "water", ""] and lives.failures == 2
    with pytest.raises(LivesError, match="there are: bite, water"):
        lives.for_causes("salt")


@pytest.mark.parametrize(
    ("arrays", "words"),
    [
        ({"time": [3, 4], "failed": [True]}, "failed has 1 values for 2 times"),
        ({"time": [3], "failed": [True, False]}, "failed has 2 values for 1 times"),
        ({"time": [3, 4], "failed": [[True], [False]]}, "failed has 2 values for 2 times"),
        ({"time": [3, 4], "failed": [True, False], "cause": ["water"]}, "cause has 1 values for 2 lives"),
        ({"time": [3], "failed": [True], "cause": ["water", ""]}, "cause has 2 values for 1 lives"),
    ],
)
def test_arrays_of_another_length_are_refused_with_both_counts(arrays, words):
    with pytest.raises(LivesError, match=words):
        Lives.from_arrays(**arrays)


def test_a_column_given_twice_is_named():
    frame = pd.DataFrame([[1, 2, 3]], columns=["vent", "seal", "seal"])
    with pytest.raises(LivesError, match="covariates has the column 'seal' twice"):
        Lives.from_arrays(time=[3], failed=[True], covariates=frame)


def test_units_are_clusters_and_without_clusters_weights():
    counted = Lives.from_arrays([1, 2, 3], [1, 0, 1], weight=[5, 7, 1])
    assert counted.units_among() == 13 and counted.units_among(np.array([True, False, True])) == 6
    told = Lives.from_arrays([1, 2, 3], [1, 0, 1], cluster=["A", "B", "A"])
    assert told.units_among() == 2 and told.units_among([0, 2]) == 1
