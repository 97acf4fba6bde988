"""Data files of simulated units against the truth they were made from, and what a careful person refuses."""

import numpy as np
import pandas as pd
import pytest

from workbench.cli import main
from workbench.errors import UsageError
from workbench.log.season_log.reading import read_log
from workbench.records import survey_records
from workbench.records.courses import days_above
from workbench.records.early_warning import early_warnings
from workbench.simulate import simulate_records, simulate_season

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """A season of 120 units with its data files, and the truth about them."""
    folder = tmp_path_factory.mktemp("season")
    log, truth = simulate_season(120, seed=4, redeployed_share=0.05, telemetry_share=0.1)
    made, known = simulate_records(log, truth, seed=1, every_hours=6)
    log.to_csv(folder / "log.csv", index=False)
    long = [table.assign(unit=unit) for (unit, _), table in made.items()]
    pd.concat(long).to_csv(folder / "all.tsv", index=False, sep="\t")
    return folder, pd.DataFrame(known).set_index(["unit_id", "deployment"]), made


@pytest.fixture(scope="module")
def survey(season):
    return survey_records(season[0] / "log.csv", season[0] / "all.tsv")


def test_last_readings_gaps_and_clocks_are_those_of_the_truth(survey, season):
    known = season[1]
    table = survey.spells.set_index(["unit", "deployment"])
    truth = known.loc[table.index]
    lost = truth["clock_lost_at"].notna()

    assert len(table) > 90 and lost.sum() >= 2 and set(table.index[table["clock_lost"]]) == set(table.index[lost])
    assert (table["last"][~lost] == pd.to_datetime(truth["last_record"])[~lost]).all()
    assert (table["readings"][~lost] == truth["records_kept"][~lost]).all()
    expected = truth["records_missing"] / (truth["records_missing"] + truth["records_kept"])
    assert table["missing_percent"][~lost].to_numpy() == pytest.approx(100 * expected[~lost].to_numpy(), abs=0.4)
    assert survey.readings == known["records_kept"].sum() and not survey.merged.rows_set_aside


def test_failures_become_known_to_the_day_and_none_is_moved_out_of_its_truth(survey, season):
    table = survey.spells[survey.spells["outcome"] == "failed"]
    told = table[~table["runs_on"]]

    assert survey.narrowed > 15 and told["days_before"].median() > 14 > 1 == told["days_after"].median()
    ledger = survey.merged.ledger.set_index(["unit_id", "deployment"])
    for row in told.itertuples():
        life, dies = ledger.loc[(row.unit, row.deployment)], season[1].loc[(row.unit, row.deployment), "failure_day"]
        assert life.lower - (life.kind == "exact") < dies <= life.upper, row.unit


def test_signs_of_damp_low_cells_and_a_lost_clock_follow_the_truth(survey, season):
    """Damp shows before most moisture failures and cells run down before they are empty; other ends show neither."""
    told = survey.additions.set_index(["unit_id", "deployment"]).join(season[1])
    failed = told[told["failed"]]
    damp, dry = failed[failed["damp_from"].notna()], failed[failed["damp_from"].isna()]
    empty, other = (
        failed[failed["mechanism"] == "battery_exhausted"],
        failed[failed["mechanism"] != "battery_exhausted"],
    )

    assert (damp["data_fade_before_end"] == "yes").mean() > 0.9 and (dry["data_fade_before_end"] == "yes").mean() < 0.05
    assert (empty["voltage_falls_before_end"] == "yes").mean() > 0.7
    assert (other["voltage_falls_before_end"] == "yes").mean() < 0.05
    assert ((told["clock_at_factory_date"] == "yes") == told["clock_lost_at"].notna()).all()
    assert told.loc[~told["failed"], ["data_fade_before_end", "voltage_falls_before_end"]].isna().all(axis=None)


def test_courses_warn_where_they_tell_and_not_where_outcomes_are_shuffled(survey, season):
    sites = pd.read_csv(season[0] / "log.csv", index_col=["unit_id", "deployment"])["site"]
    place = [sites.loc[(row.unit, row.deployment)] for row in survey.spells.itertuples()]
    told = survey.warnings
    assert told.has_skill and told.failures > 20 and told.warned / told.failures > 3 * told.false_alarms / told.working
    assert f"{told.false_alarms} of {told.working} that work" in told.sentences()[0]

    assert len(told.lead_days) == told.warned
    assert f"stood {np.median(told.lead_days):.0f} days before the last reading" in told.sentences()[1]

    rng = np.random.default_rng(0)
    skilled = 0
    for _ in range(20):
        mixed = survey.spells.assign(outcome=rng.permutation(survey.spells["outcome"]))
        skilled += early_warnings(mixed, place).has_skill
    assert skilled <= 1
    fine = (survey.spells["outcome"] != "failed").to_numpy()
    few = early_warnings(survey.spells[fine], np.array(place, dtype=object)[fine])
    assert few.sentences()[0].startswith("No warning can be learnt from no failures")


def test_a_warning_counts_from_the_first_of_the_days_that_stood_above_the_limit_to_the_end():
    days = pd.DataFrame(
        {"day": pd.date_range("2025-03-01", periods=30), "battery_v_mean": 3.0, "humidity_inside_mean": 60.0}
    )
    days.loc[5, "humidity_inside_mean"] = 99.0  # a day long before, and above again from the 25th day on
    days.loc[24:, "humidity_inside_mean"] = 95.0
    days.loc[27:, "battery_v_mean"] = 2.7  # a tenth lower on the last three days

    assert days_above(days, "humidity_end_percent", 90.0) == 5
    assert days_above(days, "battery_fall_percent", 6.0) == 2
    assert np.isnan(days_above(days, "humidity_end_percent", 96.0))
    assert days_above(days.drop(index=26), "humidity_end_percent", 90.0) == 5  # a day without readings is no break


def test_one_file_per_unit_in_any_form_says_the_same(survey, season, tmp_path):
    _, _, made = season
    units = [key for key in made if key[1] == 1 and (key[0], 2) not in made][:12]
    for number, (unit, deployment) in enumerate(units):
        table = made[unit, deployment].rename(columns={"battery_v": "Vbat", "time": "Logged at"})
        if number % 3 == 0:
            table.assign(**{"Logged at": pd.to_datetime(table["Logged at"])}).to_parquet(
                tmp_path / f"dump_{unit}_x.parquet"
            )
        elif number % 3 == 1:
            table.to_csv(tmp_path / f"dump_{unit}_x.csv", index=False, sep=";", decimal=".")
        else:
            table.to_csv(tmp_path / f"dump_{unit}_x.txt", index=False, sep="\t", encoding="utf-16")
    settings = {"records": {"file_name": "dump_{unit}_*", "time": "Logged at", "battery": "Vbat"}}
    apart = survey_records(season[0] / "log.csv", tmp_path, settings)

    both = apart.spells.merge(survey.spells, on=["unit", "deployment"])
    assert len(both) == len(units) and all(said.startswith("records.csv") for said in apart.troubles)
    for name in ("last", "readings", "battery_fall_percent", "humidity_end_percent", "days_after"):
        assert both[f"{name}_x"].equals(both[f"{name}_y"]), name


def _written(folder, unit, days, *, start="2025-03-12", name=None, text=""):
    time = pd.date_range(start, periods=24 * days, freq="h").strftime("%Y-%m-%d %H:%M")
    level = 10 + np.sin(np.arange(24 * days))
    pd.DataFrame({"time": time, "temperature_inside": level}).to_csv(folder / (name or f"{unit}.csv"), index=False)
    if text:
        with (folder / (name or f"{unit}.csv")).open("a") as more:
            more.write(text)


LOG = """unit_id,deployed_on,last_good_on,found_on,outcome
A1,2025-03-12,2025-03-20,2025-05-01,failed
A2,2025-03-12,2025-03-20,2025-05-01,failed
A3,2025-03-12,,2025-05-01,working
A4,2025-03-12,2025-03-20,2025-05-01,failed
A5,2025-03-12,2025-03-20,2025-05-01,failed
A6,2025-03-12,2025-03-20,2025-05-01,failed
"""


@pytest.fixture
def odd(tmp_path):
    """A folder of files of which nearly each has something wrong."""
    (tmp_path / "log.csv").write_text(LOG)
    files = tmp_path / "records"
    files.mkdir()
    _written(files, "A1", 15, text="half past nine,11\n,\n")
    _written(files, "A2", 20)
    _written(files, "A2", 20, name="copy of A2.csv")
    _written(files, "A3", 10)
    _written(files, "A4", 20, start="2025-02-20")
    _written(files, "A5", 20, start="2000-01-01")
    _written(files, "A6", 5)
    _written(files, "Z9", 5)
    (files / "A7.parquet").write_bytes(b"PAR1 and nothing else")
    (files / "A6_level.csv").write_text("level,pressure\n1,2\n")
    return tmp_path


def test_what_cannot_be_used_is_named_with_file_and_row_and_the_rest_is_used(odd):
    survey = survey_records(odd / "log.csv", odd / "records", "none")
    said = "\n".join(survey.troubles)

    for words in (
        "A1.csv: 2 of 362 readings have no time that can be read, the first in row 362",
        "A2.csv and copy of A2.csv hold readings of unit A2, deployment 1, and none is used: keep one",
        "is 41 days before found_on 2025-05-01",
        "A4.csv: 480 readings of unit A4 lie outside the days on which the log has it out (2025-02-20 to 2025-03-11",
        "A5.csv: the clock of unit A5 was years off from the start, row 2;",
        "last_record_on 2025-03-16 (records.csv, row",
        "is before last_good_on 2025-03-20",
        "Z9.csv: the log has no unit 'Z9'",
        "A7.parquet is no whole Parquet file",
        "A6_level.csv: no column of times",
    ):
        assert words in said, words
    assert survey.spells["unit"].tolist() == ["A1", "A3", "A6"]
    assert survey.narrowed == 1 and survey.merged.used == 6


def test_still_and_impossible_readings_are_a_sign(odd):
    time = pd.date_range("2025-03-12", periods=240, freq="h").strftime("%Y-%m-%d %H:%M")
    for unit, level in (
        ("A1", np.repeat(7.0, 240)),
        ("A6", np.where(np.arange(240) % 9, 5.0 + np.arange(240) % 3, 999.0)),
    ):
        pd.DataFrame({"time": time, "temperature_inside": level}).to_csv(odd / "records" / f"{unit}.csv", index=False)
    told = survey_records(odd / "log.csv", odd / "records", "none").additions.set_index("unit_id")

    assert told["readings_stuck_or_wrong"].to_dict() == {"A1": "yes", "A3": "no", "A6": "yes"}


def test_the_command_writes_a_table_that_is_read_with_the_log(odd, capsys):
    target = odd / "records.csv"
    arguments = ["records", str(odd / "log.csv"), "--write", str(target)]
    assert main(arguments) == 0
    out, err = capsys.readouterr()
    assert "failures are known to the day" in out
    assert f"table written: {target}" in err and "Traceback" not in err
    before = target.read_bytes()
    assert main(arguments) == 0 and target.read_bytes() == before  # its own table, read with the log, changes nothing

    log = read_log(odd / "log.csv")
    assert log.ledger["upper"].iloc[0] - log.ledger["lower"].iloc[0] == 1
    target.write_text("mine")
    assert main(arguments) == 2 and "was changed since" in capsys.readouterr().err
    assert main(["records", str(odd / "log.csv"), "--write", str(odd / "records" / "A1.csv"), "--replace"]) == 2
    assert "is read by this command and is never replaced" in capsys.readouterr().err


def test_a_folder_without_data_files_is_refused(odd):
    (odd / "empty").mkdir()
    with pytest.raises(UsageError, match="holds no data file"):
        survey_records(odd / "log.csv", odd / "empty", "none")
    with pytest.raises(UsageError, match="cannot be opened"):
        survey_records(odd / "log.csv", odd / "nowhere", "none")
