"""Headings: found below titles, in other spellings, on one line only, each column once."""

import pytest

from tests.log.builders import HEAD, TODAY, row, write_csv
from workbench.errors import LogError, SettingsError
from workbench.log.dictionary.headings import log_vocabulary
from workbench.log.dictionary.settings import Settings
from workbench.log.season_log.reading import read_log


def read_lines(tmp_path, *lines, **settings):
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_log(path, settings, today=TODAY)


@pytest.mark.parametrize(
    ("heading", "field"),
    [
        ("Unit ID", "unit_id"),
        ("UNIT-ID:", "unit_id"),
        ("Serial no.", "unit_id"),
        ("Deployed On", "deployed_on"),
        ("deployed on (yyyy-mm-dd)", "deployed_on"),
        ("Deployment date", "deployed_on"),
        ("last known good", "last_good_on"),
        ("Elevation (m)", "elevation_m"),
        ("elevation (ft)", ""),
        ("Distance to salt water [m]", "distance_to_salt_water_m"),
        ("IP rating", "enclosure_rating"),
        ("Tide line", "tide_line"),
        ("colour", ""),
        ("", ""),
    ],
)
def test_headings_in_other_spellings(heading, field):
    assert log_vocabulary(Settings()).field_of(heading) == field


def test_needed_columns_are_named_with_what_stands_there_instead(tmp_path):
    said = r"no column for deployed_on, outcome among the headings.*; is it 'deplyd_on'\?.*known: 'deplyd_on', 'shape'"
    with pytest.raises(LogError, match=said):
        read_lines(tmp_path, "unit_id,deplyd_on,found_on,shape", "A,2025-03-01,2025-04-01,round")
    with pytest.raises(LogError, match="no column for one of found_on, last_good_on and failed_on"):
        read_lines(tmp_path, "unit_id,deployed_on,outcome", "A,2025-03-01,working")


def test_two_columns_that_mean_the_same_are_refused_until_one_is_ignored(tmp_path):
    lines = ("unit_id,deployed_on,outcome,found_on,Retrieved on", "A,2025-03-01,working,2025-04-01,2025-05-01")
    with pytest.raises(LogError, match=r"columns D \('found_on'\) and E \('Retrieved on'\) both mean found_on"):
        read_lines(tmp_path, *lines)
    assert read_lines(tmp_path, *lines, roles={"ignore": ["Retrieved on"]}).ledger["lower"].tolist() == [31]


def test_the_same_unknown_heading_twice_keeps_the_first(tmp_path):
    log = read_lines(tmp_path, "unit_id,deployed_on,outcome,found_on,x,x", "A,2025-03-01,working,2025-04-01,1,2")
    assert log.used == 1 and list(log.records.columns).count("x") == 1


def test_headings_on_two_lines_are_joined_and_said(tmp_path):
    log = read_lines(
        tmp_path,
        "unit,deployed,outcome,last,found,lid",
        "id,on,,good on,on,seal",
        "A,2025-03-01,working,,2025-04-01,cord",
    )
    assert (log.rows, log.used) == (1, 1) and log.records["lid_seal"].tolist() == ["cord"]
    assert any("stand on two lines, the second in row 2" in note for note in log.notes)


def test_a_heading_said_twice_is_told_apart_by_the_group_above_it(tmp_path):
    log = read_lines(
        tmp_path,
        "Unit,Out,Back,,Lid",
        "unit_id,date,date,outcome,lid_seal",
        "A,2025-03-01,2025-04-01,working,cord",
        rename={"Out date": "deployed_on", "Back date": "found_on"},
    )
    assert log.used == 1 and log.ledger["lower"].tolist() == [31]


def test_a_second_line_of_units_is_set_aside_and_named(tmp_path):
    log = read_lines(
        tmp_path, ",".join(HEAD), "text,yyyy-mm-dd,word,date,date,date,,", "A,2025-03-01,working,,,2025-04-01,x,cord"
    )
    assert (log.rows, log.used) == (2, 1) and "second line of headings" in log.all_problems[0].reason


@pytest.mark.parametrize("label", ["Total", "TOTALS", "Sum:", "Total units", "Average"])
def test_a_row_of_totals_is_set_aside_and_named(tmp_path, label):
    log = read_lines(
        tmp_path, "unit_id,deployed_on,outcome,found_on,unit_cost", "A,2025-03-01,working,2025-04-01,5", f"{label},,,,5"
    )
    assert (log.rows, log.used) == (2, 1) and "looks like a row of totals" in log.all_problems[0].reason


def test_values_without_a_heading_are_said(tmp_path):
    log = read_lines(
        tmp_path, "unit_id,deployed_on,outcome,found_on,,lid_seal", "A,2025-03-01,working,2025-04-01,odd,cord"
    )
    assert any("column E has values but no heading" in n for n in log.notes) and log.records["lid_seal"].tolist() == [
        "cord"
    ]


def test_columns_that_the_log_lacks_are_named(tmp_path):
    log = read_log(write_csv(tmp_path / "log.csv", [row()]), today=TODAY)
    (note,) = [n for n in log.notes if n.startswith("The log has no column for")]
    assert "vent" in note and "lid_seal" not in note


def test_a_role_for_a_column_that_no_file_has_is_wrong(tmp_path):
    with pytest.raises(
        SettingsError, match="roles names the column 'lid color', which no file has; did you mean 'lid_colour'"
    ):
        read_log(
            write_csv(tmp_path / "log.csv", [row(lid_colour="red")]),
            {"roles": {"protection": ["lid color"]}},
            today=TODAY,
        )
