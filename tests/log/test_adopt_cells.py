"""What cells, words and headings of somebody's own tell: dates, outcomes, causes, choices, units."""

import re
import tomllib

import openpyxl
import pytest

from tests.log.builders import TODAY, write_theirs
from workbench.errors import LogError
from workbench.log.adoption import adopt_log, answer_to, question_text, starter_settings
from workbench.log.adoption.fields import guess_fields
from workbench.log.adoption.hints import guessed_word
from workbench.log.adoption.questions import Query
from workbench.log.dictionary import log_columns
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log.reading import read_log

OURS = "unit_id,deployed_on,outcome,found_on\nA,2025-03-01,failed,2025-04-01\n"


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
    path = write_theirs(tmp_path, "\n".join(["unit_id;deployed_on;outcome;found_on", *lines]))
    log = read_log(path, tomllib.loads(starter_settings(path)))
    first = [str(d.date()) for u, d in zip(log.records["unit_id"], log.records["deployed_on"], strict=True) if u == "1"]
    assert first == ([day] if day else []) and log.used == 4 + bool(day)


def test_counted_days_are_dates_only_when_declared_and_proposed_only_among_dates(tmp_path):
    """45,730 days after 1899-12-30 is 2025-03-14, as spreadsheet programs count (ECMA-376 part 1, 18.17.4.1)."""
    rows = [f"{n};45{730 + n};working;2025-09-0{n}" for n in range(1, 6)]
    path = write_theirs(tmp_path, "\n".join(["unit_id;deployed_on;outcome;found_on", *rows]))
    assert read_log(path).used == 0
    settings = tomllib.loads(starter_settings(path))
    assert settings["date_format"] == ["spreadsheet day"]
    assert str(read_log(path, settings).records["deployed_on"][0].date()) == "2025-03-15"
    early = [row.replace("2025-09", "2010-09") for row in rows]
    far = write_theirs(tmp_path, "\n".join(["unit_id;deployed_on;outcome;found_on", *early]))
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
    path = write_theirs(tmp_path, "\n".join([head, *rows]))
    adoption = adopt_log(path, lambda q: answer_to(q, "4" if q.about.startswith("What is the day") else ""))
    assert tomllib.loads(adoption.text)["time"].get("every_days") == days


@pytest.mark.parametrize(("typed", "mission"), [("", 30), ("2", 90), ("120", 120), ("s", None)])
def test_the_mission_is_asked_with_the_assumed_one_as_default_and_is_no_guess(typed, mission, tmp_path):
    path = write_theirs(tmp_path, OURS.replace("failed,2025-04-01", "working,2025-04-20"))
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
    path = write_theirs(tmp_path, HEARD)
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
    values = tomllib.loads(starter_settings(write_theirs(tmp_path, "\n".join([*lines[:5], *lines[5:8]]))))
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
