"""Starter settings from somebody's own headings: valid TOML, guesses marked, nothing decided silently."""

import tomllib

import openpyxl
import pytest

from tests.log.builders import TODAY
from workbench.errors import LogError, UsageError
from workbench.log.adoption.adopt import default_target, starter_settings
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log.reading import read_log

THEIRS = """Season 2025;;;;;;
Logger No;Put out on;State at end;Seal fitted;Retrieval date;Altitude;Colour
00123;03/04/2025;dead;O-Ring;13/09/2025;12,5;red
00124;03/04/2025;alive;flat;13/10/2025;13,5;blue
"""


def write(tmp_path, text):
    path = tmp_path / "theirs.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_starter_settings_read_their_log(tmp_path):
    path = write(tmp_path, THEIRS)
    text = starter_settings(path)
    values = tomllib.loads(text)
    assert values["rename"] == {"Logger No": "unit_id", "State at end": "outcome", "Seal fitted": "lid_seal"}
    assert (values["season"], values["date_format"], values["decimal"]) == ("2025", "%d/%m/%Y", ",")
    log = read_log(path, read_settings(values), today=TODAY)
    assert log.used == 2 and log.problems.empty
    assert log.records[["unit_id", "outcome", "lid_seal"]].to_numpy().tolist() == [
        ["00123", "failed", "o_ring"],
        ["00124", "working", "flat_gasket"],
    ]


def test_every_line_that_was_guessed_says_so(tmp_path):
    lines = starter_settings(write(tmp_path, THEIRS)).splitlines()
    active = [line for line in lines if line and not line.startswith(("#", "["))]
    assert active and all("# guess: confirm or correct" in line for line in active)
    assert any("without a role so far" in line and '"Colour"' in line for line in lines)


def test_dates_that_fit_two_forms_are_left_to_the_person(tmp_path):
    text = starter_settings(write(tmp_path, THEIRS.replace("13/09", "11/09").replace("13/10", "12/10")))
    assert "date_format" not in tomllib.loads(text)
    assert "Day and month cannot be told apart" in text and '# date_format = "%m/%d/%Y"' in text


def test_dates_that_fit_no_form_are_said(tmp_path):
    text = starter_settings(write(tmp_path, THEIRS.replace("13/09/2025", "mid September")))
    assert "no one form fits all dates typed as text" in text and "date_format" not in tomllib.loads(text)


def test_a_log_with_our_headings_needs_little(tmp_path):
    text = starter_settings(write(tmp_path, "unit_id,deployed_on,outcome,found_on\nA,2025-03-01,failed,2025-04-01\n"))
    assert tomllib.loads(text) == {"season": "2025", "rename": {}, "roles": {}, "reference": {}}
    assert "not needed: dates are true dates or written year-month-day" in text


def test_headings_that_nothing_is_known_of(tmp_path):
    head = ",".join(f"h{i} \\ odd" for i in range(50))
    text = starter_settings(write(tmp_path, head + "\n" + ",".join("x" * 50) + "\n"))
    assert tomllib.loads(text)["rename"] == {} and '# "your heading" = "unit_id"' in text


def test_headings_with_quotes_and_control_characters_make_valid_toml(tmp_path):
    text = starter_settings(
        write(
            tmp_path,
            'unit_id,deployed_on,outcome,found_on,"Seal ""x""\x7f\t fitted"\nA,2025-03-01,dead,2025-04-01,cord\n',
        )
    )
    assert tomllib.loads(text)["rename"] == {'Seal "x" fitted': "lid_seal"}


def test_the_sheet_is_named_when_there_are_several(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["hello"])
    log = book.create_sheet("The log")
    log.append(["unit_id", "deployed_on", "outcome", "found_on"])
    log.append(["A", "2025-03-01", "failed", "2025-04-01"])
    book.save(tmp_path / "log.xlsx")
    assert tomllib.loads(starter_settings(tmp_path / "log.xlsx"))["sheet"] == "The log"


def test_errors_and_the_place_of_the_settings(tmp_path):
    with pytest.raises(UsageError, match="there is no file or folder"):
        starter_settings(tmp_path / "none.csv")
    with pytest.raises(LogError, match="is empty"):
        starter_settings(write(tmp_path, ""))
    assert default_target(tmp_path / "theirs.csv") == default_target(tmp_path) == tmp_path / "season.toml"
