"""Settings for somebody's own headings: valid TOML, guesses marked, nothing decided silently, nothing injected."""

import json
import os
import re
import tomllib

import openpyxl
import pytest

from tests.log.builders import TODAY
from workbench.cli import main
from workbench.errors import LogError, SettingsError, UsageError
from workbench.log.adoption import adopt_log, answer_to, default_target, question_text, starter_settings
from workbench.log.adoption.date_forms import forms_of
from workbench.log.adoption.fields import guess_fields
from workbench.log.adoption.hints import guessed_word
from workbench.log.adoption.questions import Query
from workbench.log.dictionary import log_columns
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log.reading import read_log

THEIRS = """Season 2025;;;;;;
Logger No;Put out on;State at end;Seal fitted;Retrieval date;Altitude;Colour
00123;03/04/2025;dead;O-Ring;13/09/2025;12,5;red
00124;03/04/2025;alive;flat;13/10/2025;13,5;blue
"""
OURS = "unit_id,deployed_on,outcome,found_on\nA,2025-03-01,failed,2025-04-01\n"


def write(tmp_path, text, name="theirs.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_the_starter_settings_read_their_log(tmp_path):
    path = write(tmp_path, THEIRS)
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
    lines = starter_settings(write(tmp_path, THEIRS)).splitlines()
    active = [line for line in lines if line and not line.startswith(("#", "["))]
    assert active and all("# guess: confirm or correct" in line for line in active)
    assert any("without a role" in line and "'Colour'" in line for line in lines)


def test_dates_that_fit_two_forms_are_left_to_the_person(tmp_path):
    path = write(tmp_path, THEIRS.replace("13/09", "11/09").replace("13/10", "12/10"))
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
    assert tomllib.loads(starter_settings(write(tmp_path, OURS))) == {"season": "2025"}


def test_headings_that_nothing_is_known_of(tmp_path):
    head = ",".join(f"h{i} \\ odd" for i in range(50))
    text = starter_settings(write(tmp_path, head + "\n" + ",".join("x" * 50) + "\n"))
    assert "rename" not in tomllib.loads(text) and '[rename] "your heading" = "unit_id"' in text


def test_columns_are_told_by_their_cells(tmp_path):
    """No heading says anything: the earliest day, the latest, one only dead units have, words of ends, unique names."""
    rows = [
        f"n{i},2025-03-{1 + i:02d},{'dead' if i % 2 else 'ok'},2025-09-{1 + i:02d},{'2025-06-05' if i % 2 else ''}\n"
        for i in range(12)
    ]
    values = tomllib.loads(starter_settings(write(tmp_path, "aa,bb,cc,dd,ee\n" + "".join(rows))))
    fields = ["unit_id", "deployed_on", "outcome", "found_on", "failed_on"]
    assert values["rename"] == dict(zip(("aa", "bb", "cc", "dd", "ee"), fields, strict=True))


@pytest.mark.parametrize("heading", ["Found dead", "dead, noticed on", "tot gefunden"])
def test_the_day_a_dead_unit_was_found_is_not_the_day_it_died(tmp_path, heading):
    rows = [
        f"n{i},2025-03-{1 + i:02d},2025-05-{1 + i:02d},{'2025-06-05' if i % 2 else ''},{'dead' if i % 2 else 'ok'}\n"
        for i in range(12)
    ]
    head = f'unit,Put out,Last seen ok,"{heading}",state\n'
    values = tomllib.loads(starter_settings(write(tmp_path, head + "".join(rows))))
    assert values["rename"][heading] == "found_on"


def test_what_is_known_only_of_dead_units_is_no_choice(tmp_path):
    rows = [
        f"n{i},2025-03-01,{'dead' if i % 2 else 'ok'},2025-09-01,{'y' if i % 2 else ''},{'y' if i % 3 else 'n'},y\n"
        for i in range(12)
    ]
    head = "unit,deployed,outcome,found,Ants,Taped,Wet inside\n"
    values = tomllib.loads(starter_settings(write(tmp_path, head + "".join(rows))))
    assert values["roles"] == {"protection": ["Taped"]}
    assert values["levels"] == {"taped": {"words": {"y": "yes", "n": "no"}}}


def test_headings_with_quotes_and_control_characters_make_valid_toml(tmp_path):
    text = starter_settings(
        write(
            tmp_path,
            'unit_id,deployed_on,outcome,found_on,"Seal ""x""\x7f\t fitted"\nA,2025-03-01,dead,2025-04-01,cord\n',
        )
    )
    assert tomllib.loads(text)["rename"] == {'Seal "x" fitted': "lid_seal"}


@pytest.mark.skipif(os.name == "nt", reason="Windows knows no file names with a line break")
def test_a_line_break_in_a_file_name_or_a_cell_injects_nothing(tmp_path):
    path = write(tmp_path, OURS.replace("failed", '"zap\nseason = 1"'), 'a\nmission_days = 3 # "x".csv')
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
        starter_settings(write(tmp_path, ""))
    with pytest.raises(SettingsError, match="no valid TOML"):
        adopt_log(write(tmp_path, OURS), lambda question: None, before="season = ")
    assert default_target(tmp_path / "theirs.csv") == default_target(tmp_path) == tmp_path / "season.toml"


def test_enter_takes_a_number_picks_and_s_skips():
    question = Query(about="Column 'End' (dead, ok)", proposal="outcome", options=("site", "outcome", "notes"))
    assert question_text(question).splitlines()[1:] == [
        "    1\u00a0outcome  2\u00a0site  3\u00a0notes",  # a number stays beside its choice
        "  [Enter: outcome] ",
    ]
    typed = {"": "outcome", " ": "outcome", "2": "site", "notes": "notes", "s": None, "skip": None}
    assert {text: answer_to(question, text).value for text in typed} == typed
    assert answer_to(question, "9") is None and answer_to(question, "nots") is None


def test_a_folder_gets_nothing_unasked(tmp_path, capsys):
    write(tmp_path, THEIRS)
    write(tmp_path, OURS, "ours.csv")
    assert main(["adopt", str(tmp_path)]) == 0
    streams = capsys.readouterr()
    assert not (tmp_path / "season.toml").exists() and "give --yes" in streams.err
    assert tomllib.loads(streams.out)["rename"]["Logger No"] == "unit_id"
    assert main(["adopt", str(tmp_path), "--yes"]) == 0
    assert "3 of 3 rows can be used" in capsys.readouterr().out and read_log(tmp_path, today=TODAY).used == 3


def test_adopting_again_says_what_changed(tmp_path, capsys):
    path = write(tmp_path, THEIRS)
    assert main(["adopt", str(path)]) == 0 and main(["adopt", str(path)]) == 0
    assert "Nothing changed." in capsys.readouterr().out
    write(tmp_path, THEIRS.replace("State at end", "How did it go"))
    assert main(["adopt", str(path)]) == 0
    assert "  rename, How did it go: outcome (new)" in capsys.readouterr().out
    assert main(["adopt", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["used"] == 2


@pytest.mark.parametrize(
    ("text", "column", "word"),
    [
        ("flat rubber", "lid_seal", "flat_gasket"),
        ("corc", "lid_seal", "cord"),
        ("cord and foam", "lid_seal", None),
        ("not cord", "lid_seal", None),
        ("fine", "outcome", "working"),
        ("battery", "outcome", "failed"),
        ("moved", "outcome", "withdrawn"),
        ("stolen", "outcome", "missing"),
        ("ok until August", "outcome", None),
        ("not dead", "outcome", None),
    ],
)
def test_what_a_foreign_word_probably_means(text, column, word):
    assert guessed_word(text, next(c for c in log_columns() if c.name == column)) == word


@pytest.mark.parametrize(
    ("words", "heading", "means"),
    [
        (("Batt dead", "still logging ok"), "Status", ("failed", "working")),
        (("Y", "N"), "Still alive?", ("working", "failed")),
        (("yes", "no"), "Dead?", ("failed", "working")),
        (("j", "n"), "Ausgefallen", ("failed", "working")),
        (("almost dead", "was working"), "Status", (None, None)),
        (("working until May", "not dead"), "Status", (None, None)),
        (("dead battery ok", "signal lost there"), "Status", (None, None)),
        (("Y", "N"), "Not working?", (None, None)),
    ],
)
def test_outcomes_said_in_two_words_or_as_an_answer_are_proposed_and_no_turned_meaning_is(words, heading, means):
    outcome = next(c for c in log_columns() if c.name == "outcome")
    assert tuple(guessed_word(word, outcome, heading=heading) for word in words) == means


@pytest.mark.parametrize(
    ("typed", "day"),
    [
        ("3. März 2025", "2025-03-03"),
        ("1er avril 2025", "2025-04-01"),
        ("12-dic-2024", "2024-12-12"),
        ("28. Aug. 2025 14:05 Uhr", "2025-08-28"),
        ("Mai 3, 2025", "2025-05-03"),
        ("2 de octubre de 2025", "2025-10-02"),
        ("3rd Sept 2025", "2025-09-03"),
        ("30.02.2025", None),
    ],
)
def test_dates_in_many_tongues_are_told_and_then_read(typed, day, tmp_path):
    """Names of months by the common locale data of each language, from memory."""
    others = [f"{n}.03.2025" for n in (13, 14, 15, 28)]
    lines = [f"{unit};{out};working;2025-11-01" for unit, out in enumerate([typed, *others], start=1)]
    path = write(tmp_path, "\n".join(["unit_id;deployed_on;outcome;found_on", *lines]))
    log = read_log(path, tomllib.loads(starter_settings(path)))
    first = [str(d.date()) for u, d in zip(log.records["unit_id"], log.records["deployed_on"], strict=True) if u == "1"]
    assert first == ([day] if day else []) and log.used == 4 + bool(day)


def test_counted_days_are_dates_only_when_declared_and_proposed_only_among_dates(tmp_path):
    """45,730 days after 1899-12-30 is 2025-03-14, as spreadsheet programs count (ECMA-376 part 1, 18.17.4.1)."""
    rows = [f"{n};45{730 + n};working;2025-09-0{n}" for n in range(1, 6)]
    path = write(tmp_path, "\n".join(["unit_id;deployed_on;outcome;found_on", *rows]))
    assert read_log(path).used == 0
    settings = tomllib.loads(starter_settings(path))
    assert settings["date_format"] == ["spreadsheet day"]
    assert str(read_log(path, settings).records["deployed_on"][0].date()) == "2025-03-15"
    early = [row.replace("2025-09", "2010-09") for row in rows]
    far = write(tmp_path, "\n".join(["unit_id;deployed_on;outcome;found_on", *early]))
    assert "date_format" not in tomllib.loads(starter_settings(far))


def test_sheets_with_nearly_the_same_headings_are_proposed_together(tmp_path):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, more in (("Marsh", []), ("Hill", ["batch"]), ("Visits", None)):
        sheet = book.create_sheet(name)
        sheet.append(
            ["unit_id", "visited_on", "state"]
            if more is None
            else ["unit_id", "deployed_on", "outcome", "found_on", *more]
        )
        sheet.append([f"{name} 1", "2025-03-01", "working"] + ["2025-09-01"] * (more is not None))
    path = tmp_path / "log.xlsx"
    book.save(path)
    settings = tomllib.loads(starter_settings(path))
    assert settings["sheet"] == ["Marsh", "Hill"]
    assert read_log(path, settings).records["site"].tolist() == ["Marsh", "Hill"]
    assert (
        tomllib.loads(adopt_log(path, lambda q: answer_to(q, "Hill" if "sheet" in q.about else "")).text)["sheet"]
        == "Hill"
    )


@pytest.mark.parametrize(("basis", "days"), [("telemetry", 1), ("", None)])
def test_mixed_asks_for_the_days_between_contacts_where_rows_are_known_by_radio(basis, days, tmp_path):
    head = "unit_id,deployed_on,outcome,last_good_on,found_on,time_basis"
    rows = [f"{n},2025-03-01,failed,2025-05-0{n},2025-09-01,{basis}" for n in range(1, 6)]
    path = write(tmp_path, "\n".join([head, *rows]))
    adoption = adopt_log(path, lambda q: answer_to(q, "4" if q.about.startswith("What is the day") else ""))
    assert tomllib.loads(adoption.text)["time"].get("every_days") == days


@pytest.mark.parametrize(("typed", "mission"), [("", 30), ("2", 90), ("120", 120), ("s", None)])
def test_the_mission_is_asked_with_the_assumed_one_as_default_and_is_no_guess(typed, mission, tmp_path):
    path = write(tmp_path, OURS.replace("failed,2025-04-01", "working,2025-04-20"))
    adoption = adopt_log(path, lambda q: answer_to(q, typed if "mission" in q.about else ""))
    assert tomllib.loads(adoption.text).get("mission_days") == mission
    assert "mission_days" not in tomllib.loads(starter_settings(path))


HEARD = """Logger no.,Put out,Box,Last heard,Collected,Condition on return,What we think happened,Who
1,2025-04-21,IP65,2025-05-07,2025-10-08,DEAD,water in box,AB
2,2025-04-27,ip 67,2025-07-25,2025-10-12,DEAD,no idea,JT
3,2025-04-19,IP67,2025-06-16,2025-10-10,dead,flat battery,AB
4,2025-04-25,IP67,2025-09-16,2025-10-19,dead,corroded contacts,JT
5,2025-04-04,IP67,2025-10-03,2025-10-05,fine,,AB
6,2025-04-04,IP67,2025-10-04,2025-10-06,fine,,AB
7,2025-04-04,IP67,2025-10-05,2025-10-07,fine,,AB
8,2025-04-05,IP65,2025-10-05,2025-10-08,fine,,JT
9,2025-04-05,IP65,2025-10-06,2025-10-08,fine,,JT
"""


def test_cells_tell_what_headings_do_not(tmp_path):
    """Enclosure codes, what people think happened, and how often units were heard, by those found working."""
    path = write(tmp_path, HEARD)
    asked = []

    def enter(question):
        asked.append(question)
        return answer_to(question, "")

    values = tomllib.loads(adopt_log(path, enter).text)
    assert values["rename"]["Box"] == "enclosure_rating"
    assert values["rename"]["What we think happened"] == "mechanism"
    assert values["time"] == {"last_good_is": "last contact", "every_days": 3}
    assert not any(q.proposal is None and "photo_1" in q.options for q in asked)
    log = read_log(path, read_settings(values), today=TODAY)
    assert log.records["mechanism"].dropna().tolist() == [
        "water_ingress", "undetermined", "battery_exhausted", "corrosion_contacts",
    ]  # fmt: skip
    assert log.ledger.loc[0, ["lower", "upper"]].tolist() == [16, 19]


def test_days_between_contacts_are_not_guessed_from_nothing(tmp_path):
    lines = HEARD.splitlines()
    values = tomllib.loads(starter_settings(write(tmp_path, "\n".join([*lines[:5], *lines[5:8]]))))
    assert "time" not in values


def test_of_many_words_the_likeliest_are_listed_and_any_may_be_typed():
    question = Query(about="Word", proposal="a", options=("a", "b"), also=("c",))
    assert "3" not in question_text(question) and "type another word" in question_text(question)
    assert answer_to(question, "c").value == "c" and answer_to(question, "d") is None


def test_dates_typed_both_ways_round_are_declared_both_and_what_reads_both_ways_is_set_aside(tmp_path):
    rows = [f"{i},3/{i}/2025,{i}/9/2025,ok" for i in range(1, 31)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["box,out,back,state", *rows]), encoding="utf-8")
    asked = []

    def ask(question):
        asked.append(question.about)
        return answer_to(question, "")

    log = read_log(path, tomllib.loads(adopt_log(path, ask).text))
    said = next(about for about in asked if about.startswith("Dates typed as text"))
    assert "Some have the day first and some the month" in said and "3/13/2025 = 13 March 2025" in said
    # the 9th of September reads one way only when typed 9/9; the 3rd of March likewise
    certain = [i for i in range(1, 31) if (i > 12 or i == 3) and (i > 12 or i == 9)]
    assert [record["unit_id"] for record in log.records.to_dict("records")] == list(map(str, certain))
    assert all("can be" in problem.reason for problem in log.all_problems)


@pytest.mark.parametrize(
    ("heading", "said"),
    [
        (
            "box,12 Apr,10 May,7 Jun,13 Sep",
            "4 of the headings are days ('12 Apr' to '13 Sep'), and one column per visit",
        ),
        (
            "box,state,days lasted",
            "'days lasted' seems to count days, and lives are counted from dates: add deployed_on",
        ),
        ("box,out,state", "every heading there has another meaning: add found_on"),
        ("1,2025-03-02,2025-07-30,dead", "so the line of headings seems to be missing"),
    ],
)
def test_a_log_without_what_it_needs_is_told_what_helps(heading, said, tmp_path):
    """After every question is answered with Enter, the refusal names what no renaming can mend."""
    cells = {"box": "{}", "out": "2025-03-{:02d}", "state": "ok", "days lasted": "1{}", "dead": "dead"}
    row = ",".join(cells.get(name, "ok") for name in heading.split(","))
    path = tmp_path / "log.csv"
    path.write_text("\n".join([heading, *(row.format(*[i] * 4) for i in range(1, 9))]), encoding="utf-8")
    settings = tomllib.loads(adopt_log(path, lambda question: answer_to(question, "")).text)
    with pytest.raises(LogError, match=re.escape(said)):
        read_log(path, settings)


def test_a_day_of_a_visit_is_no_outcome_and_is_not_asked_about(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(
        "box,site,lid seal,12 Apr,2025-05-10\n1,a,flat,ok,dead\n2,a,cord,ok,ok\n3,b,flat,dead,\n4,b,cord,ok,ok\n",
        encoding="utf-8",
    )
    asked = []
    adopt_log(path, lambda question: (asked.append(question.about), answer_to(question, ""))[1])
    assert [about for about in asked if about.startswith("Column")] == ["Column 'box' (1, 2, 3, 4)"]


def test_units_that_go_out_again_are_still_units():
    cells = {"Kasten": ("K1", "K2", "K3", "K1", "K2", "K4"), "Zustand": ("ok", "tot", "ok", "ok", "ok", "tot")}
    assert guess_fields(cells, {})["Kasten"] == "unit_id"


def test_a_column_that_is_empty_is_told_by_its_heading():
    cells = {"box": ("1", "2"), "out": ("2025-03-01", "2025-03-02"), "back": (None, None), "state": ("lost", "lost")}
    assert guess_fields(cells, {"state": "outcome"}) == {"box": "unit_id", "out": "deployed_on", "back": "found_on"}


def _adopted(tmp_path, head, rows):
    path = tmp_path / "log.csv"
    path.write_text("\n".join([head, *rows]), encoding="utf-8")
    return read_log(path, tomllib.loads(adopt_log(path, lambda question: answer_to(question, "")).text))


def test_pictures_are_words(tmp_path):
    rows = [f"{i},2025-03-{i:02d},2025-08-01,{'💀' if i % 2 else '✅'}" for i in range(1, 9)]
    assert list(_adopted(tmp_path, "box,out,back,state", rows).records["outcome"]) == ["failed", "working"] * 4


def test_yes_and_no_where_a_kind_is_asked_for_are_two_levels(tmp_path):
    rows = [f"{i},2025-03-{i:02d},2025-08-01,ok,{('y', 'Yes', 'n', 'no')[i % 4]}" for i in range(1, 9)]
    log = _adopted(tmp_path, "box,out,back,state,coating", rows)
    assert set(log.records["board_protection"]) == {"yes", "none"}


def test_adoption_says_by_which_pattern_data_files_are_matched_and_how_many_are(tmp_path, capsys):
    log = write(tmp_path, OURS)
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
