"""Mean cumulative count: a case by hand, laws, awkward histories and errors."""

import numpy as np
import pandas as pd
import pytest

from workbench.errors import EstimateError, LivesError, UsageError
from workbench.estimate.curves.recurrence import mean_cumulative_count


def _rows(*rows, **more):
    return pd.DataFrame(rows, columns=["unit", "time", "event"]).assign(**more)


def _fleet(n=60, seed=1):
    rng = np.random.default_rng(seed)
    rows = []
    for unit in range(n):
        end = float(rng.integers(50, 200))
        rows += [(unit, float(t), True) for t in np.sort(rng.integers(1, end, rng.poisson(end / 60)))]
        rows.append((unit, end, False))
    return _rows(*rows)


def test_two_units_by_hand():
    table = mean_cumulative_count(_rows(("a", 3, True), ("a", 9, False), ("b", 5, True), ("b", 7, False))).table
    names = ["group", "time", "at_risk", "events", "mean_count", "std_error", "lower", "upper"]
    assert table.columns.tolist() == names
    assert table.time.tolist() == [3, 5, 7, 9] and table.at_risk.tolist() == [2, 2, 2, 1]
    np.testing.assert_allclose(table.mean_count, [0.5, 1.0, 1.0, 1.0])
    # day 3: (1 - 1/2)/2 for a, (0 - 1/2)/2 for b: two squares of 1/4; day 5 brings both back to 0
    np.testing.assert_allclose(table.std_error, [np.sqrt(1 / 8), np.nan, np.nan, np.nan])
    width = np.exp(1.959963984540054 * np.sqrt(1 / 8) / 0.5)
    np.testing.assert_allclose([table.lower[0], table.upper[0]], [0.5 / width, 0.5 * width])


def test_robust_variance_equals_the_plain_double_loop():
    rows = _fleet(25)
    table = mean_cumulative_count(rows).table
    ends = rows[~rows.event.astype(bool)].set_index("unit")["time"]
    for index in (5, len(table) // 2, len(table) - 1):
        total = 0.0
        for unit, end in ends.items():
            mine = rows[(rows.unit == unit) & rows.event]["time"]
            drift = 0.0
            for line in table.iloc[: index + 1].itertuples():
                if line.time <= end:
                    drift += ((mine == line.time).sum() - line.events / line.at_risk) / line.at_risk
            total += drift**2
        assert table.std_error[index] == pytest.approx(np.sqrt(total), rel=1e-9)


def test_events_of_single_units_match_the_cumulative_hazard():
    rows = _rows(("a", 4, True), ("a", 4, False), ("b", 6, False), ("c", 8, True), ("c", 8, False))
    np.testing.assert_allclose(mean_cumulative_count(rows).at([4, 8])["mean_count"], [1 / 3, 1 / 3 + 1])


def test_doubling_the_fleet_halves_the_variance_and_order_does_not_matter():
    rows = _fleet()
    base = mean_cumulative_count(rows).table
    twin = pd.concat([rows, rows.assign(unit=rows["unit"] + 1000)])
    double = mean_cumulative_count(twin.sample(frac=1.0, random_state=3)).table
    np.testing.assert_allclose(double.mean_count, base.mean_count)
    np.testing.assert_allclose(double.std_error, base.std_error / np.sqrt(2), rtol=1e-9)


def test_groups_in_chunks_and_units_without_a_group(monkeypatch):
    rows = _fleet()
    rows["seal"] = np.where(rows["unit"] % 3 == 0, "cord", "ring")
    rows.loc[rows["unit"] == 7, "seal"] = None
    whole = mean_cumulative_count(rows, "seal")
    assert whole.labels == ("cord", "ring")
    assert any("1 of 60 units have no value of seal" in note for note in whole.notes)
    monkeypatch.setattr("workbench.estimate.curves.recurrence.CHUNK_CELLS", 500)
    pd.testing.assert_frame_equal(whole.table, mean_cumulative_count(rows, "seal").table)
    alone = mean_cumulative_count(rows[rows["seal"] == "cord"]).table
    np.testing.assert_allclose(alone.mean_count, whole.table[whole.table.group == "cord"].mean_count)
    both = mean_cumulative_count(rows.dropna().assign(site="bog"), ["seal", "site"])
    assert both.labels == ("cord / bog", "ring / bog")


def test_limits_before_the_first_event_and_look_ups():
    rows = _rows(("a", 2, False), ("b", 5, True), ("b", 9, False), ("c", 9, False))
    result = mean_cumulative_count(rows)
    first = result.table.iloc[0]
    assert (first.mean_count, first.lower) == (0.0, 0.0) and first.upper == pytest.approx(-np.log(0.025) / 3)
    found = result.at([1, 5, 10])
    assert found["mean_count"].tolist()[:2] == [0.0, 0.5] and np.isnan(found["mean_count"][2])


def test_day_zero_and_times_below_one_are_times_like_others():
    """Half a year watched, one event on the first day: 1/2 from 0 on, unknown after the last end, in any unit."""
    result = mean_cumulative_count(_rows(("a", 0, True), ("a", 0.5, False), ("b", 0.4, False)))
    np.testing.assert_allclose(result.at([0, 0.5, 0.6])["mean_count"], [0.5, 0.5, np.nan])
    before = mean_cumulative_count(_rows(("a", 3, True), ("a", 9, False), ("b", 9, False))).at([0, 2])
    assert before["mean_count"].tolist() == before["std_error"].tolist() == [0, 0]


def test_units_without_a_group_are_counted_and_said_only_where_there_are_any():
    rows = _rows(("a", 3, True), ("a", 9, False), ("b", 9, False), ("c", 9, False), seal=["x", "x", "y", None])
    notes = mean_cumulative_count(rows, "seal").notes
    assert any(note.startswith("1 of 3 units have no value of seal") for note in notes)
    assert not any("no value" in note for note in mean_cumulative_count(rows.iloc[:3], "seal").notes)


def test_one_unit_has_no_standard_error_and_a_missing_end_is_said():
    result = mean_cumulative_count(_rows(("a", 2, True), ("a", 5, True)))
    assert np.isnan(result.columns["std_error"]).all() and np.isnan(result.columns["upper"]).all()
    assert any("no end of observation" in note for note in result.notes)
    assert any("no standard error" in note for note in result.notes)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (_rows(("a", -1, True)), "row 0: time is -1; give a number of at least 0"),
        (_rows(("a", "soon", True)), "row 0: time is 'soon'"),
        (_rows(("a", 1, 2)), "row 0: event is 2; give True"),
        (_rows((None, 1, True)), "row 0: unit is empty"),
        (_rows(("a", 1, False), ("a", 2, False)), "unit 'a' has 2 rows with event False"),
        (_rows(("a", 5, True), ("a", 2, False)), "row 0: unit 'a' has an event at 5, after its end at 2"),
    ],
)
def test_impossible_histories_name_row_and_value(rows, message):
    with pytest.raises(LivesError) as caught:
        mean_cumulative_count(rows)
    assert message in str(caught.value)


def test_wrong_columns_groups_and_confidence():
    rows = _fleet(5)
    with pytest.raises(UsageError, match="unknown column of histories 'event'"):
        mean_cumulative_count(rows.drop(columns="event"))
    with pytest.raises(UsageError, match="by names no column"):
        mean_cumulative_count(rows, [])
    with pytest.raises(UsageError, match="unknown column of histories 'seal'"):
        mean_cumulative_count(rows, "seal")
    with pytest.raises(LivesError, match="changes its value of seal"):
        mean_cumulative_count(rows.assign(seal=["a", "b"] * (len(rows) // 2) + ["a"] * (len(rows) % 2)), "seal")
    with pytest.raises(EstimateError, match="no row has a value of seal"):
        mean_cumulative_count(rows.assign(seal=None), "seal")
    with pytest.raises(EstimateError, match="no rows"):
        mean_cumulative_count(rows.iloc[:0])
    with pytest.raises(UsageError, match="confidence"):
        mean_cumulative_count(rows, confidence=0)
    with pytest.raises(UsageError, match="times must be"):
        mean_cumulative_count(rows).at(-3)
