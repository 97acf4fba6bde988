"""What last_good_on means: by the settings for the season, by time_basis for a row; what is left open."""

import datetime as dt

import numpy as np
import pytest

from tests.report.last_records import MISSION, last_record_season
from workbench.errors import SettingsError
from workbench.log.dictionary import read_settings
from workbench.log.rules import LifeRefusal, life_of
from workbench.log.season_log import read_log, unsaid_gaps

START = dt.date(2025, 3, 1)


def ends(meaning=None, *, basis=None, good=20, found=90, failed=None, every=None):
    days = {"last_good_on": good, "found_on": found, "failed_on": failed}
    row = {k: START + dt.timedelta(v) for k, v in days.items() if v is not None}
    row |= {"outcome": "failed", "deployed_on": START} | ({"time_basis": basis} if basis else {})
    time = {k: v for k, v in (("last_good_is", meaning), ("every_days", every)) if v is not None}
    life = life_of(row, read_settings({"time": time}))
    return life if isinstance(life, LifeRefusal) else (life.lower, life.upper)


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        (dict(meaning="last record"), (20, 21)),
        (dict(meaning="last record", found=None), (20, 21)),
        (dict(meaning="last contact", every=7), (20, 27)),
        (dict(meaning="last contact", every=7, found=24), (20, 24)),
        (dict(meaning="last contact", every=7, found=None), (20, 27)),
        (dict(meaning="visit"), (20, 90)),
        (dict(meaning="mixed"), (20, 90)),
        (dict(), (20, 90)),
        (dict(meaning="visit", basis="last_record"), (20, 21)),
        (dict(meaning="last record", basis="visit"), (20, 90)),
        (dict(meaning="last contact", every=7, basis="visit"), (20, 90)),
        (dict(meaning="last record", basis="guess"), (20, 90)),
        (dict(meaning="mixed", every=3, basis="telemetry"), (20, 23)),
        (dict(meaning="last record", failed=50), (50, 50)),
        (dict(meaning="last record", good=None), (0, 90)),
        (dict(basis="telemetry"), (20, 90)),
    ],
)
def test_the_life_follows_what_the_season_or_the_row_says_of_its_last_good_day(asked, expected):
    assert ends(**asked) == expected


def test_telemetry_without_days_between_contacts_and_without_a_day_found_asks_for_them():
    assert "every_days" in ends(basis="telemetry", found=None).refusal.advice


@pytest.mark.parametrize(
    ("time", "said"),
    [
        ({"last_good_is": "Last record"}, "must be one of"),
        ({"last_good_is": "last contact"}, "add every_days = 1"),
        ({"last_good_is": "visit", "every_days": 3}, "take it out"),
        ({"last_good_is": "last contact", "every_days": 0}, "whole number of days"),
        ({"last_good": "visit"}, "did you mean"),
    ],
)
def test_a_wrong_value_is_refused_by_its_key(time, said):
    with pytest.raises(SettingsError, match=said):
        read_settings({"time": time})


def test_a_log_without_a_word_on_it_is_open_for_its_failed_units_only():
    frame = last_record_season()
    gaps = unsaid_gaps(read_log(frame))
    assert np.isfinite(gaps).sum() == 24 and np.nanmin(gaps) == 19
    for settled in (
        unsaid_gaps(read_log(frame, {"time": {"last_good_is": "visit"}})),
        unsaid_gaps(read_log(frame.assign(time_basis="visit"))),
    ):
        assert not np.isfinite(settled).any()


def test_what_a_visits_sheet_says_is_a_visit_whatever_the_season_says(tmp_path):
    (tmp_path / "log.csv").write_text(
        "unit_id,deployed_on,outcome,last_good_on,found_on\n"
        "A,2025-03-01,failed,,\nB,2025-03-01,failed,2025-03-21,2025-06-01\n"
    )
    (tmp_path / "visits.csv").write_text("unit_id,visited_on,state\nA,2025-03-31,working\nA,2025-05-30,failed\n")
    log = read_log(tmp_path, {"time": {"last_good_is": "last record"}})
    lives = log.lives()
    assert sorted(zip(lives.lower, lives.upper, strict=True)) == [(20, 21), (30, 90)]


def test_telemetry_rows_without_every_days_are_said_with_the_line_to_add():
    frame = last_record_season().assign(time_basis="telemetry")
    assert any("every_days = 1" in note for note in read_log(frame).notes)
    settled = read_log(frame, {"mission_days": MISSION, "time": {"last_good_is": "mixed", "every_days": 2}})
    assert not any("every_days" in note for note in settled.notes)
    lives = settled.lives()
    assert set(lives.upper[lives.failed] - lives.lower[lives.failed]) == {2.0}
