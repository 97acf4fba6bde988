"""Settings found beside a log, the reference of all keys, and what refusals offer to write into them."""

import re
import tomllib

import pandas as pd
import pytest

from workbench.cli import main
from workbench.errors import LogError, SettingsError, UsageError
from workbench.log.dictionary import NO_SETTINGS, log_columns, near_word, quoted, setting_keys, settings_reference
from workbench.log.dictionary.setting_values import (
    ACTION_KEYS,
    LEVEL_KEYS,
    PLAN_KEYS,
    QUESTION_KEYS,
    READERS,
    ROLE_NAMES,
    TIME_KEYS,
)
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log import read_log
from workbench.report.making import season_data

COLUMNS = {c.name: c for c in log_columns()}
HEAD = "unit_id,deployed_on,found_on,outcome,lid_seal\n"
ROWS = HEAD + "A,03/04/2025,13/09/2025,failed,cord\nB,03/04/2025,14/09/2025,working,cord\n"


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(ROWS)
    return path


def test_settings_beside_the_log_are_used_and_said(log, capsys):
    assert main(["check", str(log)]) == 1
    capsys.readouterr()
    (log.parent / "season.toml").write_text('date_format = "%d/%m/%Y"\n')
    assert main(["check", str(log)]) == 0
    assert "season.toml ('--settings none' ignores it)" in capsys.readouterr().err
    assert read_log(log).used == read_log(log.parent).used == 2
    assert read_log(log, NO_SETTINGS).used == 0 and main(["check", str(log), "--settings", "none"]) == 1
    main(["teardown", str(log)])
    assert capsys.readouterr().err.startswith("settings: ")


def test_settings_of_the_log_s_own_name_come_first(log):
    (log.parent / "season.toml").write_text('date_format = "%Y/%m/%d"\n')
    log.with_suffix(".toml").write_text('date_format = "%d/%m/%Y"\n')
    assert read_log(log).used == 2


def test_settings_given_with_a_log_read_without_them_are_an_error(log):
    form = {"date_format": "%d/%m/%Y"}
    read = read_log(log, form)
    assert season_data(read, settings=form, mission=90).log is read
    with pytest.raises(UsageError, match="given with a log that was read with other settings"):
        season_data(read, settings={**form, "mission_days": 90})


def test_every_key_is_in_the_reference_and_every_example_reads():
    keys = [k.key for k in setting_keys()]
    tables = ("roles", "reference", "levels", "thresholds", "time", "plan", "records", "question")
    wanted = {key for key in READERS if key not in tables} | {"reference.COLUMN", "thresholds.NAME"}
    for table, names in {"roles": ROLE_NAMES, "time": TIME_KEYS, "plan": PLAN_KEYS, "question": QUESTION_KEYS}.items():
        wanted |= {f"{table}.{name}" for name in names}
    wanted |= {f"levels.COLUMN.{k}" for k in LEVEL_KEYS}
    wanted |= {"records.file_name", "records.time_format", "records.COLUMN"}
    assert len(keys) == len(set(keys)) and set(keys) == wanted
    for key in setting_keys():
        assert read_settings(tomllib.loads(key.example)) != read_settings(None), key.key
        assert key.meaning.endswith(".") and key.key in settings_reference()
    assert all(word in next(k.meaning for k in setting_keys() if k.key == "action") for word in ACTION_KEYS)


def test_the_command_prints_the_reference(capsys):
    assert main(["settings", "--all"]) == 0
    assert capsys.readouterr().out == settings_reference()
    assert main(["settings", "decimal"]) == 0
    assert 'Example: decimal = ","' in capsys.readouterr().out
    assert main(["settings"]) == 0
    short = capsys.readouterr().out
    assert all(f"\n{key.key} " in short for key in setting_keys() if not key.key.startswith("plan."))
    assert "\nplan.… " in short
    assert main(["settings", "plan"]) == 0
    whole = capsys.readouterr().out
    assert all(f"\n{key.key}\n" in whole for key in setting_keys() if key.key.startswith("plan."))


@pytest.mark.parametrize(
    ("time", "message"),
    [
        ({"last_good_is": "last record"}, None),
        ({"last_good_is": "last contact", "every_days": 3}, None),
        ({"zone": "Etc/GMT-1"}, None),
        ({"last_good_is": "Last record"}, "must be one of"),
        ({"last_good_is": "last contact"}, "add every_days = 1"),
        ({"last_good_is": "visit", "every_days": 3}, "take it out"),
        ({"last_good_is": "last contact", "every_days": 0}, "whole number of days"),
        ({"zone": "Nowhere/Land"}, "must be a time zone"),
        ({"zon": "UTC"}, "did you mean 'zone'"),
    ],
)
def test_what_the_last_good_day_means_is_declared(time, message):
    if message is None:
        settings = read_settings({"time": time})
        assert settings.last_good_is == time.get("last_good_is") and settings.zone == time.get("zone", "UTC")
        assert read_settings(settings.as_dict()) == settings
    else:
        with pytest.raises(SettingsError, match=message):
            read_settings({"time": time})


def test_several_date_forms_and_a_text_that_two_of_them_read_differently():
    frame = pd.DataFrame(
        {
            "unit_id": ["A", "B", "C"],
            "deployed_on": ["3/4/25", "03.04.2025", "5/6/2025"],
            "found_on": ["13/9/25", "2025-09-13", "9/9/2025"],
            "outcome": ["failed"] * 3,
        }
    )
    forms = ["%d/%m/%y", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y"]
    log = read_log(frame, {"date_format": forms})
    assert list(log.records["unit_id"]) == ["A", "B"] and list(log.ledger["upper"]) == [163.0, 163.0]
    assert list(log.set_aside["reason"]) == [
        "'5/6/2025' can be 2025-05-06 or 2025-06-05 by the forms that date_format in the settings lists"
    ]


def test_instants_are_put_into_one_zone_before_the_day_is_taken():
    """ISO 8601: 00:10+02:00 is 22:10 UTC of the day before, so the last record is half an hour after the start."""
    frame = pd.DataFrame(
        {
            "unit_id": ["A"],
            "deployed_on": ["2025-03-02T00:10+02:00"],
            "last_good_on": ["2025-03-01T22:40Z"],
            "found_on": ["2025-06-01"],
            "outcome": ["failed"],
        }
    )
    log = read_log(frame)
    assert log.used == 1 and str(log.records["deployed_on"][0].date()) == "2025-03-01"
    there = read_log(frame, {"time": {"zone": "Etc/GMT-2"}})
    assert str(there.records["last_good_on"][0].date()) == "2025-03-02"
    aware = frame.assign(deployed_on=pd.to_datetime(frame["deployed_on"], utc=True))
    assert str(read_log(aware).records["deployed_on"][0].date()) == "2025-03-01"


@pytest.mark.parametrize(
    ("word", "column", "near"),
    [
        ("wroking", "outcome", "working"),
        ("faild", "outcome", "failed"),
        ("not woking", "outcome", "failed"),
        ("fine", "outcome", None),
        ("not dead", "outcome", None),
        ("not lost", "outcome", None),
        ("undead", "outcome", None),
        ("flat gaskit", "lid_seal", "flat_gasket"),
    ],
)
def test_a_near_word_of_opposite_meaning_is_never_offered(word, column, near):
    assert near_word(word, COLUMNS[column]) == near


def test_a_refused_word_names_the_line_to_add(log):
    log.write_text(HEAD + 'A,2025-03-01,2025-06-01,"zap ""ped""",cord\nB,2025-03-01,2025-06-01,ok,cord\n')
    advice = read_log(log).set_aside["advice"][0]
    line = re.search(r"\[levels\.outcome\] (words = \{.*\})", advice)[1]
    again = read_settings(tomllib.loads(f"[levels.outcome]\n{line}"))
    assert read_log(log, again).used == 2 and quoted("a\nb") == '"a b"'


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("Box,deployed_on,found_on,outcome\nA,2025-03-01,2025-06-01,ok\n", '[rename] "your heading" = "unit_id"'),
        ("unit_id,deployed_on,End,outcome\nA,2025-03-01,2025-06-01,ok\n", '[rename] "your heading" = "found_on"'),
        (
            "unit_id,serial,deployed_on,found_on,outcome\nA,1,2025-03-01,2025-06-01,ok\n",
            '[roles] ignore = ["serial"]',
        ),
    ],
)
def test_a_log_that_is_refused_names_the_line_to_add(log, text, line):
    log.write_text(text)
    with pytest.raises(LogError) as caught:
        read_log(log)
    assert line in str(caught.value)


def test_other_refusals_name_the_line_to_add(log):
    log.write_text(
        HEAD + "A,2025-03-01,mid June,ok,cord\nB,2025-03-01,3/6/2025,ok,cord\nC,2024-03-01,2025-06-01,ok,cord\n"
    )
    advice = list(read_log(log, {"window": ["2025-01-01", "2025-12-31"]}).set_aside["advice"])
    for said, line in zip(
        advice, ("missing_words = ", "date_format = ", 'window = ["2024-03-01", "2025-12-31"]'), strict=True
    ):
        assert line in said
