"""Fleets: the same lives and the same words as from a field log; counts, rounding to steps, estimates on the counts."""

import datetime as dt
import re
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pytest
from lifelines import KaplanMeierFitter

from tests.benchmarks.fleet_rows import fleet_rows
from tests.fleet.fleets import counted, first_problems
from tests.log.builders import TODAY, row
from workbench.errors import LogError, UsageError
from workbench.estimate.aft.time_ratios import fit_time_ratios
from workbench.estimate.cox.hazard_ratios import fit_hazard_ratios
from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.rank_tests.comparisons import compare_groups
from workbench.fleet.fleet_counts import rounded_to
from workbench.fleet.fleets import read_fleet
from workbench.lives import Lives
from workbench.log.season_log.reading import read_log
from workbench.ranking.choices.rank import rank_choices
from workbench.simulate import simulate_season

SAMPLES = Path(__file__).parents[2] / "sample_data"
CHOICES = ["lid_seal", "vent", "board_protection"]
KEPT = [*CHOICES, "environment", "site", "season"]


def frame_of(rows):
    """Rows (dicts of text) as a table of text."""
    return pl.DataFrame(pd.DataFrame(rows).astype(object).where(lambda f: f.notna(), None).to_dict("list"))


def both(rows, settings=None, **options):
    """The same rows read as a log and as a fleet."""
    frame = frame_of(rows)
    return (
        read_log(frame.to_pandas(), settings, today=TODAY),
        read_fleet(frame, settings, today=TODAY, **options),
    )


def fleet_problems(fleet):
    counts = fleet.set_aside.groupby("field")["rows"].sum()
    return counts[counts > 0].to_dict()


@pytest.mark.slow
@pytest.mark.parametrize("season", ["2024", "2025"])
def test_the_sample_season_gives_the_same_lives_as_a_log(season):
    path, settings = SAMPLES / f"lantern_moor_{season}.csv", SAMPLES / f"lantern_moor_{season}.toml"
    log, fleet = read_log(path, settings), read_fleet(path, settings)
    assert (fleet.rows, fleet.used) == (log.rows, log.used)
    pd.testing.assert_frame_equal(counted(fleet.lives()), counted(log.lives()))
    assert fleet_problems(fleet) == first_problems(log)
    assert fleet.set_aside["rows"].sum() == fleet.rows_set_aside == log.rows_set_aside
    values = log.problems[log.problems["scope"] == "value"]["field"].value_counts().to_dict()
    assert dict(fleet.problems.groupby("field")["rows"].sum()) == values
    assert fleet.files == log.files
    assert fleet.mission() == log.mission()


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_a_dirty_season_gives_the_same_lives_as_a_log(seed):
    frame, _ = simulate_season(250, seed=seed, refit_share=0.1, redeployed_share=0.1)
    frame = frame.astype(object).where(frame.notna(), None)
    rng = np.random.default_rng(seed)
    for column, dirt in {
        "outcome": ["faild", "DEAD ", None, "?"],
        "found_on": ["31/02/2025", "2025-02-31", "2062-01-01", "45000", "2025-06-01T10:30", "soon"],
        "deployed_on": [None, "03.04.25", "2026-02-01", " 2025-04-01 "],
        "last_good_on": ["2024-01-01", "n/a"],
        "time_basis": ["rumour", "guess"],
        "lid_seal": ["O-Ring", "round  cord", "wax", "-"],
        "site": ["hollow wood", None],
        "unit_id": [None, "Total", "EXAMPLE-1", "LM-001", " LM-002"],
        "observed_from": ["2025-05-01", "2024-01-01"],
    }.items():
        place = frame.columns.get_loc(column)
        for at in rng.choice(len(frame), 3 * len(dirt), replace=False):
            frame.iat[at, place] = dirt[at % len(dirt)]
    frame = pd.concat([frame, frame.iloc[[3, 5]]], ignore_index=True)
    settings = {"window": ["2025-03-01", "2025-12-31"], "season": "2025"}
    log = read_log(frame, settings)
    fleet = read_fleet(pl.DataFrame(frame.to_dict("list"), strict=False, infer_schema_length=None), settings)
    assert (fleet.rows, fleet.used) == (log.rows, log.used)
    assert 20 < fleet.rows_set_aside < 150
    pd.testing.assert_frame_equal(counted(fleet.lives()), counted(log.lives()))
    assert fleet.set_aside["rows"].sum() == fleet.rows_set_aside
    assert fleet_problems(fleet) == first_problems(log)


def test_every_way_from_record_to_life_is_that_of_a_log():
    rows = [
        row("A", failed_on="2025-05-10", last_good_on=None, found_on=None),
        row("B", failed_on="2025-05-10", time_basis="guess"),
        row("C", time_basis="last_record", found_on=None),
        row("D"),
        row("E", last_good_on=None),
        row("F", last_good_on="2025-06-01"),
        row("G", last_good_on=None, found_on="2025-03-01"),
        row("H", "working"),
        row("I", "working", last_good_on="2025-10-01", found_on=None),
        row("J", "missing"),
        row("K", "missing", last_good_on=None),
        row("L", "withdrawn", observed_from="2025-04-01"),
        row("M", observed_from="2025-05-20", last_good_on="2025-05-01", found_on="2025-06-01"),
        row("N", "working", mechanism="lid leak"),
        row("O", mechanism="lid leak"),
        row("P", "working", opened_on="2025-08-01"),
    ]
    log, fleet = both(rows)
    assert fleet.used == len(rows)
    pd.testing.assert_frame_equal(counted(fleet.lives()), counted(log.lives()))
    assert set(fleet.problems["field"]) == {"mechanism", "opened_on"} == set(log.problems["field"])


def test_reasons_and_examples_are_those_of_a_log():
    rows = [
        row("A"),
        row("B", found_on="2025-02-01"),
        row("C", found_on="2025-02-03"),
        row("D", outcome="faild"),
        row("E", deployed_on="01/03/25"),
        row("F", last_good_on="2027-01-01"),
        row("G", failed_on="2025-05-10", outcome="working"),
        row("H", found_on=None),
        row("I", observed_from="2025-07-01"),
        row("J") | {"outcome": None},
        row("", "working"),
        row("TOTAL", "working", deployed_on=None, found_on=None) | {"outcome": None},
    ]
    log, fleet = both(rows)
    assert fleet.used == log.used == 1
    aside = fleet.set_aside.set_index(["field", "reason"])
    swapped = aside.loc[("found_on", "found_on is before deployed_on and last_good_on")]
    assert swapped["rows"] == 2
    assert swapped["unit_id"] == "B"
    assert swapped["value"] == "2025-02-01"
    plain = {(p.field, p.value): p.reason for p in log.all_problems}
    for (field, _), line in aside.iterrows():
        wanted = plain[field, line["value"]]
        for number in range(1, len(rows) + 1):
            wanted = wanted.replace(f"(row {number}, ", "(")
        assert line["example"] == wanted
    assert all(any(p.advice == advice for p in log.all_problems) for advice in aside["advice"])
    assert fleet.set_aside["also"].sum() == len(log.set_aside) - log.rows_set_aside


@pytest.mark.parametrize("at_once", [20_000, 1, 3])
def test_units_told_of_twice(at_once, monkeypatch):
    monkeypatch.setattr("workbench.fleet.fleet_repeats._AT_ONCE", at_once)
    again = {"deployed_on": "2025-06-01", "last_good_on": "2025-07-01", "found_on": "2025-08-01"}
    rows = [
        row("A"),
        row("A"),  # repeated
        row("B", deployment="1"),
        row("B", deployment="1", found_on="2025-06-09"),  # told twice
        row("C"),
        row("C", **(again | {"deployed_on": "2025-05-20"})),  # overlapping days
        row("D"),
        row("D", **again),  # the next spell begins on the day that this one ends
        row("E", "withdrawn", found_on="2025-04-01", deployment="1"),
        row("E", deployment="1", observed_from="2025-04-01"),  # a refit
        row(" F "),
        row("F", deployed_on=None),  # one of them cannot be used
    ]
    log, fleet = both(rows)
    assert (fleet.rows, fleet.used) == (log.rows, log.used) == (12, 6)
    pd.testing.assert_frame_equal(counted(fleet.lives()), counted(log.lives()))
    reasons = dict(zip(fleet.set_aside["reason"], fleet.set_aside["rows"], strict=True))
    assert reasons["equal in every cell to another row, which is kept"] == 1
    assert reasons["a unit is entered twice for the same days: a date to a date here, and another row"] == 2
    assert any("12 rows belong to units with further rows" in note for note in fleet.notes)


def test_blank_rows_do_not_count():
    nothing = dict.fromkeys(row(), None)
    log, fleet = both([row("A"), nothing, nothing | {"site": "  "}, nothing | {"site": "Hollow Wood"}])
    assert (fleet.rows, fleet.used) == (log.rows, log.used) == (2, 1)


def test_a_year_names_the_season_that_nothing_else_names():
    rows = [row("A"), row("B", deployed_on="2024-12-31", last_good_on="2025-01-05", season=None), row("C", season="S")]
    log, fleet = both(rows)
    assert sorted(fleet.lives().covariates["season"].astype(str)) == ["2024", "2025", "S"]
    pd.testing.assert_frame_equal(counted(fleet.lives()), counted(log.lives()))


def test_covariates_can_be_fewer_or_come_from_the_settings():
    rows = [row("A", crate="7"), row("B", crate="8"), row("C", crate="8")]
    settings = {"roles": {"exposure": ["crate"]}, "reference": {"lid_seal": "cord"}}
    log, fleet = both(rows, settings, covariates=["Seal", "crate"])
    assert list(fleet.lives().covariates) == ["lid_seal", "crate", "outcome"]
    assert fleet.lives().covariates["crate"].tolist() == [7.0, 8.0]
    assert fleet.lives().weight.tolist() == [1, 2]
    assert counted(log.lives(), ["crate"])["crate"].tolist() == ["7.0", "8.0"]
    assert fleet.columns_of("exposure") == ("crate",)
    with pytest.raises(UsageError, match=r"unknown covariate 'lid_sael'; did you mean 'lid_seal'\?"):
        both(rows, covariates=["lid_sael"])


@pytest.mark.parametrize("size", [1, 7, 30])
def test_rounding_to_steps_says_nothing_but_the_truth(size):
    lives = [
        [0, 45, 45],  # exact
        [0, 29, 61],
        [0, 0, 1],
        [0, 100, np.inf],
        [0, 90, np.inf],
        [14, 45, 45],
        [14, 60, np.inf],
    ]
    rounded, early = rounded_to(np.array(lives, dtype=float), size)
    for (entry, lower, upper), (entry2, lower2, upper2) in zip(lives, rounded, strict=True):
        known = upper - 1 if lower == upper and size > 1 else lower
        assert entry <= entry2 < entry + size
        assert entry2 <= lower2 <= max(known, entry2)
        assert upper <= upper2 < upper + size or upper == upper2 == np.inf
        assert all(value % size == 0 for value in (entry2, lower2, upper2) if np.isfinite(value))
    assert not early.any()
    assert rounded_to(np.array([[14.0, 20.0, 20.0], [14.0, 29.0, np.inf]]), 30)[1].tolist() == [True, True]


def test_a_life_within_the_step_of_its_entry_is_set_aside():
    rows = [row("A"), row("B", "working", observed_from="2025-03-15", found_on="2025-03-20")]
    _, fleet = both(rows, step=30)
    assert (fleet.rows, fleet.used) == (2, 1)
    assert "within the step of days" in fleet.set_aside["reason"][0]


def test_coarser_days_keep_the_curve():
    frame = pl.DataFrame(fleet_rows(6000, dirt=0).query("time_basis == 'telemetry'"))
    days, months = (read_fleet(frame, covariates=["vent"], step=s).lives() for s in (1, 30))
    assert len(months) < len(days) / 5
    fine, coarse = (fit_time_ratios(x, ["vent"]).table["log_time_ratio"].iloc[-1] for x in (days, months))
    assert coarse == pytest.approx(fine, abs=0.01)
    at = [180.0, 360.0, 720.0]  # on the grid nothing is lost
    fine, coarse = (survival_curve(x, by="vent").at(at) for x in (days, months))
    assert fine["group"].tolist() == coarse["group"].tolist()
    assert np.abs(fine["survival"] - coarse["survival"]).max() < 0.005


def test_the_curve_is_that_of_a_general_purpose_library():
    """Product-limit of lifelines on plain arrays of the same rows, made without reading a log."""
    frame = fleet_rows(4000, dirt=0).query("time_basis == 'telemetry'")
    failed = (frame["outcome"] == "failed").to_numpy()
    end = np.where(failed, frame["failed_on"], frame["last_good_on"]).astype("datetime64[D]")
    days = (end - frame["deployed_on"].to_numpy().astype("datetime64[D]")).astype(int)
    lives = read_fleet(pl.DataFrame(frame), covariates=["lid_seal"]).lives()
    curves = survival_curve(lives, by="lid_seal").at([100, 400, 800])
    for seal, rows in frame.assign(days=days, failed=failed).groupby("lid_seal"):
        theirs = KaplanMeierFitter().fit(rows["days"], rows["failed"]).survival_function_at_times([100, 400, 800])
        ours = curves[curves["group"] == seal]["survival"]
        np.testing.assert_allclose(ours, theirs, rtol=1e-12)
    assert len(survival_curve(lives).table) <= days.max()


@pytest.mark.slow
def test_estimates_and_ranking_run_on_counts_unchanged():
    frame = fleet_rows(1500, dirt=0).assign(failed_on=lambda f: f["failed_on"].where(f["time_basis"] == "telemetry"))
    counts = read_fleet(pl.DataFrame(frame), covariates=KEPT, step=30).lives()
    rows = counts.take(np.repeat(np.arange(len(counts)), counts.weight)).replace()
    single = Lives.from_arrays(
        lower=rows.lower, upper=rows.upper, entry=rows.entry, cause=rows.cause, covariates=rows.covariates
    )
    assert len(counts) < len(single) == 1500
    np.testing.assert_allclose(
        survival_curve(counts, by="vent").at([180, 720])["survival"],
        survival_curve(single, by="vent").at([180, 720])["survival"],
    )
    p = [compare_groups(x, "lid_seal").p_value for x in (counts, single)]
    assert p[0] == pytest.approx(p[1], rel=1e-6)
    for fit in (fit_time_ratios, fit_hazard_ratios):
        ours, theirs = (fit(x, ["lid_seal", "vent"]).table.iloc[:, 2].to_numpy(dtype=float) for x in (counts, single))
        np.testing.assert_allclose(ours, theirs, atol=1e-5)
    ranking = rank_choices(counts, CHOICES, adjust=["environment"], mission=180, resamples=100)
    best = ranking.table.query("choice == 'lid_seal' and level == 'o_ring'").iloc[0]
    assert best["units"] == frame["lid_seal"].eq("o_ring").sum()
    assert best["time_ratio_lower"] < np.exp(0.55) < best["time_ratio_upper"] or best["reference"] == "o_ring"
    assert best["grade"] == "clear"


def test_odd_words_are_said_as_in_a_log():
    rows = [row("A", lid_seal="wax"), row("B", lid_seal="o_rign"), row("C", site="Holow Wood"), row("D"), row("E")]
    log, fleet = both([*rows, row("F", lid_seal="O-Ring"), row("G", lid_seal="oring", site="hollow wood")])
    strip = re.compile(r", first table, row \d+, column '[^']+'")
    for start, count in (("lid_seal: ", 3), ("site: ", 2)):  # odd words, and the pair alike
        said = {strip.sub("", note) for note in log.notes if note.startswith(start)}
        assert said == {note for note in fleet.notes if note.startswith(start)}
        assert len(said) == count


def test_shuffled_rows_change_nothing():
    frame = pl.DataFrame(fleet_rows(800, dirt=3.0))
    one, other = (read_fleet(f, covariates=KEPT) for f in (frame, frame.sample(fraction=1.0, shuffle=True, seed=3)))
    assert one.set_aside.equals(other.set_aside)
    assert one.lives().covariates.equals(other.lives().covariates)
    for name in ("entry", "lower", "upper", "weight", "cause"):
        assert np.array_equal(getattr(one.lives(), name), getattr(other.lives(), name))


def test_a_fleet_without_a_usable_row_says_why():
    _, fleet = both([row("A") | {"outcome": None}, row("B") | {"outcome": None}])
    with pytest.raises(LogError, match=r"no row of the polars dataframe can be used .*outcome is empty"):
        fleet.lives()


def test_without_a_window_no_day_may_be_later_than_today():
    frame = frame_of([row("A")])
    assert (
        read_fleet(frame, today=dt.date(2025, 5, 15)).set_aside["reason"][0] == "found_on is later than today (a date)"
    )
    assert read_fleet(frame, {"window": ["2025-01-01", "2025-12-31"]}, today=dt.date(2025, 5, 15)).used == 1


def test_the_rank_test_of_counts_needs_no_row_for_each_unit():
    """k times as many of each life give (k n - 1) / (n - 1) times the statistic, by the permutation variance."""
    seals = ["a", "a", "a", "b", "b", "b"]
    spans = {"lower": [0, 30, 60, 30, 60, 90], "upper": [30, 60, 90, 60, 90, np.inf], "covariates": {"seal": seals}}
    weight, times = np.array([5, 3, 2, 2, 3, 9]), 100_000_000
    few = compare_groups(Lives.from_arrays(**spans, weight=weight), "seal").statistic
    many = compare_groups(Lives.from_arrays(**spans, weight=weight * times), "seal").statistic
    units = weight.sum()
    assert many == pytest.approx(few * (units * times - 1) / (units - 1), rel=1e-9)
