"""Settings for somebody's own headings: valid TOML, guesses marked, nothing decided silently, nothing injected."""

import json
import os
import tomllib

import openpyxl
import pytest

from tests.log.builders import TODAY, write_theirs
from workbench.cli import main
from workbench.errors import LogError, SettingsError, UsageError
from workbench.log.adoption import adopt_log, answer_to, default_target, prompt_text, question_text, starter_settings
from workbench.log.adoption.date_forms import forms_of
from workbench.log.adoption.questions import Query
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log.reading import read_log

THEIRS = """Season 2025;;;;;;
Logger No;Put out on;State at end;Seal fitted;Retrieval date;Altitude;Colour
00123;03/04/2025;dead;O-Ring;13/09/2025;12,5;red
00124;03/04/2025;alive;flat;13/10/2025;13,5;blue
"""
OURS = "unit_id,deployed_on,outcome,found_on\nA,2025-03-01,failed,2025-04-01\n"


def test_the_starter_settings_read_their_log(tmp_path):
    path = write_theirs(tmp_path, THEIRS)
    values = tomllib.loads(starter_settings(path))
    assert values["rename"] == {"Logger No": "unit_id", "State at end": "outcome", "Seal fitted": "lid_seal"}
    assert (values["season"], values["date_format"], values["decimal"]) == ("2025", ["%d/%m/%Y"], ",")
    log = read_log(path, read_settings(values), today=TODAY)
    assert log.used == 2 and log.problems.empty
    assert log.records[["unit_id", "outcome", "lid_seal"]].to_numpy().tolist() == [
        ["00123", "failed", "o_ring"],
        ["00124", "working", "flat_gasket"],
    ]


def test_every_line_that_was_guessed_says_so(tmp_path):
    lines = starter_settings(write_theirs(tmp_path, THEIRS)).splitlines()
    active = [line for line in lines if line and not line.startswith(("#", "["))]
    assert active and all("# guess: confirm or correct" in line for line in active)
    assert any("without a role" in line and "'Colour'" in line for line in lines)


def test_dates_that_fit_two_forms_are_left_to_the_person(tmp_path):
    path = write_theirs(tmp_path, THEIRS.replace("13/09", "11/09").replace("13/10", "12/10"))
    text = starter_settings(path)
    assert "date_format" not in tomllib.loads(text)
    assert "day and month cannot be told apart: date_format = '%d/%m/%Y' or '%m/%d/%Y'" in text

    def second(question):
        return answer_to(question, "2" if "cannot be told apart" in question.about else "")

    assert tomllib.loads(adopt_log(path, second).text)["date_format"] == ["%m/%d/%Y"]


@pytest.mark.parametrize(
    ("cells", "sure", "pairs"),
    [
        (["25/3/25", "3/4/2025"], ("%d/%m/%y", "%d/%m/%Y"), ()),
        (["3/25/25", "3.4.2025"], ("%m/%d/%y",), (("%d.%m.%Y", "%m.%d.%Y"),)),
        (["3/4/25", "2025-04-03", "5 Apr 2025", "mid March"], ("%d %b %Y",), (("%d/%m/%y", "%m/%d/%y"),)),
        (["25/3/25", "3/25/25"], ("%d/%m/%y", "%m/%d/%y"), ()),  # two hands: with both, 3/4/25 is set aside
        (["20250314", "14-Mar-2025", "2025/3/14"], ("%Y%m%d", "%d-%b-%Y", "%Y/%m/%d"), ()),
        ([*(f"2025-04-{d:02d}" for d in range(1, 10)), "5/4/2025", "7/4/2025"], ("%d/%m/%Y",), ()),  # its neighbours
    ],
)
def test_day_and_month_are_told_apart_by_the_cells_or_not_at_all(cells, sure, pairs):
    assert forms_of([cells]) == (sure, pairs)


def test_a_log_with_our_headings_needs_little(tmp_path):
    assert tomllib.loads(starter_settings(write_theirs(tmp_path, OURS))) == {"season": "2025"}


def test_headings_that_nothing_is_known_of(tmp_path):
    head = ",".join(f"h{i} \\ odd" for i in range(50))
    text = starter_settings(write_theirs(tmp_path, head + "\n" + ",".join("x" * 50) + "\n"))
    assert "rename" not in tomllib.loads(text) and '[rename] "your heading" = "unit_id"' in text


def test_words_of_a_language_that_is_half_known_are_levels_and_no_day_is_taken_for_that_of_a_failure(tmp_path):
    places, ends = ("kust", "hei", "veen"), ("kapot", "werkt nog", "kwijt")
    rows = [
        f"K{i};{places[i % 3]};{1 + i} mrt 2025;{'' if i % 3 == 1 else f'{1 + i} jun 2025'};"
        f"{'' if i % 3 == 2 else f'{1 + i} okt 2025'};{ends[i % 3]};{'platte pakking' if i % 2 else 'rubber'}\n"
        for i in range(18)
    ]
    head = "Kastje;Omgeving;Uitgezet;Laatst goed gezien;Gecontroleerd;Toestand;Afdichting\n"
    values = tomllib.loads(starter_settings(write_theirs(tmp_path, head + "".join(rows))))
    fields = ["unit_id", "environment", "deployed_on", "last_good_on", "found_on", "outcome", "lid_seal"]
    assert values["rename"] == dict(zip(head.strip().split(";"), fields, strict=True))
    assert values["levels"]["outcome"]["words"] == dict(zip(ends, ("failed", "working", "missing"), strict=True))
    assert values["levels"]["lid_seal"]["words"] == {"platte pakking": "flat_gasket"}


def test_columns_are_told_by_their_cells(tmp_path):
    """No heading says anything: the earliest day, the latest, one only dead units have, words of ends, unique names."""
    rows = [
        f"n{i},2025-03-{1 + i:02d},{'dead' if i % 2 else 'ok'},2025-09-{1 + i:02d},{'2025-06-05' if i % 2 else ''}\n"
        for i in range(12)
    ]
    values = tomllib.loads(starter_settings(write_theirs(tmp_path, "aa,bb,cc,dd,ee\n" + "".join(rows))))
    fields = ["unit_id", "deployed_on", "outcome", "found_on", "last_good_on"]
    assert values["rename"] == dict(zip(("aa", "bb", "cc", "dd", "ee"), fields, strict=True))


@pytest.mark.parametrize("heading", ["Found dead", "dead, noticed on", "tot gefunden"])
def test_the_day_a_dead_unit_was_found_is_not_the_day_it_died(tmp_path, heading):
    rows = [
        f"n{i},2025-03-{1 + i:02d},2025-05-{1 + i:02d},{'2025-06-05' if i % 2 else ''},{'dead' if i % 2 else 'ok'}\n"
        for i in range(12)
    ]
    head = f'unit,Put out,Last seen ok,"{heading}",state\n'
    values = tomllib.loads(starter_settings(write_theirs(tmp_path, head + "".join(rows))))
    assert values["rename"][heading] == "found_on"


def test_what_is_known_only_of_dead_units_is_no_choice(tmp_path):
    rows = [
        f"n{i},2025-03-01,{'dead' if i % 2 else 'ok'},2025-09-01,{'y' if i % 2 else ''},{'y' if i % 3 else 'n'},y\n"
        for i in range(12)
    ]
    head = "unit,deployed,outcome,found,Ants,Taped,Wet inside\n"
    values = tomllib.loads(starter_settings(write_theirs(tmp_path, head + "".join(rows))))
    assert values["roles"] == {"protection": ["Taped"]}
    assert values["levels"] == {"taped": {"words": {"y": "yes", "n": "no"}}}


def test_headings_with_quotes_and_control_characters_make_valid_toml(tmp_path):
    text = starter_settings(
        write_theirs(
            tmp_path,
            'unit_id,deployed_on,outcome,found_on,"Seal ""x""\x7f\t fitted"\nA,2025-03-01,dead,2025-04-01,cord\n',
        )
    )
    assert tomllib.loads(text)["rename"] == {'Seal "x" fitted': "lid_seal"}


@pytest.mark.skipif(os.name == "nt", reason="Windows knows no file names with a line break")
def test_a_line_break_in_a_file_name_or_a_cell_injects_nothing(tmp_path):
    path = write_theirs(tmp_path, OURS.replace("failed", '"zap\nseason = 1"'), 'a\nmission_days = 3 # "x".csv')
    values = tomllib.loads(starter_settings(path))
    assert values == {"season": "2025"}

    def pick(question):
        return answer_to(question, "1" if question.about.startswith("Word") else "")

    assert tomllib.loads(adopt_log(path, pick).text)["levels"]["outcome"]["words"] == {"zap season = 1": "failed"}


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
        starter_settings(write_theirs(tmp_path, ""))
    with pytest.raises(SettingsError, match="no valid TOML"):
        adopt_log(write_theirs(tmp_path, OURS), lambda question: None, before="season = ")
    assert default_target(tmp_path / "theirs.csv") == default_target(tmp_path) == tmp_path / "season.toml"


def test_enter_takes_a_number_picks_and_s_skips():
    question = Query(about="Column 'End' (dead, ok)", proposal="outcome", options=("site", "outcome", "notes"))
    (listed,) = question_text(question).splitlines()[1:]
    assert listed == "    1\u00a0outcome  2\u00a0site  3\u00a0notes"  # a number stays beside its choice
    assert prompt_text(question) == "  [Enter: outcome] "
    typed = {"": "outcome", " ": "outcome", "2": "site", "notes": "notes", "s": None, "skip": None}
    assert {text: answer_to(question, text).value for text in typed} == typed
    assert answer_to(question, "9") is None and answer_to(question, "nots") is None


def test_a_folder_gets_nothing_unasked(tmp_path, capsys):
    write_theirs(tmp_path, THEIRS)
    write_theirs(tmp_path, OURS, "ours.csv")
    assert main(["adopt", str(tmp_path)]) == 0
    streams = capsys.readouterr()
    assert not (tmp_path / "season.toml").exists() and "give --yes" in streams.err
    assert tomllib.loads(streams.out)["rename"]["Logger No"] == "unit_id"
    assert main(["adopt", str(tmp_path), "--yes"]) == 0
    assert "3 of 3 rows can be used" in capsys.readouterr().out and read_log(tmp_path, today=TODAY).used == 3


def test_adopting_again_says_what_changed(tmp_path, capsys):
    path = write_theirs(tmp_path, THEIRS)
    assert main(["adopt", str(path)]) == 0 and main(["adopt", str(path)]) == 0
    assert "Nothing changed." in capsys.readouterr().out
    write_theirs(tmp_path, THEIRS.replace("State at end", "How did it go"))
    assert main(["adopt", str(path)]) == 0
    assert "  rename, How did it go: outcome (new)" in capsys.readouterr().out
    assert main(["adopt", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["used"] == 2


def test_adoption_says_by_which_pattern_data_files_are_matched_and_how_many_are(tmp_path, capsys):
    log = write_theirs(tmp_path, OURS)
    readings = "time,temp\n2025-03-01 00:00,3\n"
    (tmp_path / "records").mkdir()
    for name in ("A.csv", "dump_A_level.csv", "Z9.csv"):
        (tmp_path / "records" / name).write_text(readings)
    (tmp_path / "records" / "all.csv").write_text("unit,time,temp\nA,2025-03-01 00:00,3\n")
    assert main(["adopt", str(log), "--yes"]) == 0
    said = capsys.readouterr().out
    assert "by the pattern '{unit}' (file_name under [records]) 2 of 4 are matched to a unit" in said
    assert "1 name their units in a column" in said and "the log has no unit 'Z9'" in said
    (tmp_path / "season.toml").write_text('[records]\nfile_name = "dump_{unit}_*"\n')
    assert main(["adopt", str(log), "--yes", "--json", "--replace"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["pattern"], told["data_files"], told["matched"]) == ("dump_{unit}_*", 4, 1)
