"""Days typed without their year: read when the log tells of which year they are, else set aside, never guessed."""

import csv
import datetime as dt
import tomllib

import pytest

from workbench.errors import SettingsError
from workbench.log.adoption import adopt_log, answer_to
from workbench.log.dictionary import day_in_form
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log import read_log

HEADINGS = ("box", "where", "lid", "out", "back / found", "how is it", "why")
TODAY = dt.date(2026, 3, 31)
ROWS = (
    ("B01", "quarry", "gasket", "08 Mar", "10 May", "RIP", "flat batt", (2025, 3, 8), (2025, 5, 10)),
    ("B02", "saltings", "rtv", "6. März", "09.05.2025", "dead", "wet inside", (2025, 3, 6), (2025, 5, 9)),
    ("B03", "culvert", "Gasket", "4th Mar", "12/10/25", "OK", "", (2025, 3, 4), (2025, 10, 12)),
    ("B04", "roof", "o ring", "12 Mar", "Oct 1", "fine", "", (2025, 3, 12), (2025, 10, 1)),
    ("B05", "quarry", "o-ring", "16/3", "3/10", "MIA", "post snapped", (2025, 3, 16), (2025, 10, 3)),
    ("B06", "quarry", "gasket", "14.3.", "17 May", "Dead!", "water in", (2025, 3, 14), (2025, 5, 17)),
    ("B07", "roof", "o ring", "02 Mar", "25/09/25", "ok", "", (2025, 3, 2), (2025, 9, 25)),
    ("B08", "culvert", "flat", "11 Mar", "30 Sept", "dead", "chewed", (2025, 3, 11), (2025, 9, 30)),
)


def written(path, rows=ROWS, headings=HEADINGS):
    with path.open("w", newline="", encoding="utf-8") as lines:
        csv.writer(lines).writerows([headings, *(row[: len(headings)] for row in rows)])
    return path


def adopted(path, asked=None):
    def press_enter(question):
        if asked is not None:
            asked.append(question)
        return answer_to(question, "")

    text = adopt_log(path, press_enter).text
    return read_log(path, read_settings(tomllib.loads(text)), today=TODAY)


def test_days_without_year_are_of_the_one_year_that_all_others_are_of(tmp_path):
    log = adopted(written(tmp_path / "log.csv"))
    assert (log.rows, log.used) == (8, 8)
    for record, row in zip(log.records.to_dict("records"), ROWS, strict=True):
        assert record["deployed_on"].date() == dt.date(*row[-2])
        assert record["found_on"].date() == dt.date(*row[-1])
    assert list(log.records["outcome"]) == [
        "failed",
        "failed",
        "working",
        "working",
        "missing",
        "failed",
        "working",
        "failed",
    ]
    assert set(log.records["lid_seal"]) == {"flat_gasket", "o_ring", "rtv"}


def test_the_year_may_stand_in_the_name_of_the_file_alone(tmp_path):
    rows = [(*row[:3], "08 Mar", "10 May", *row[5:]) for row in ROWS]
    asked = []
    log = adopted(written(tmp_path / "boxes 2025 final.csv", rows), asked)
    assert log.used == 8 and set(log.records["found_on"].dt.date) == {dt.date(2025, 5, 10)}
    assert [q.proposal for q in asked if "of which year" in q.about] == ["2025"]


@pytest.mark.parametrize("found", ["12.01.2026", ""])
def test_of_two_years_or_none_nothing_is_guessed_and_the_rows_say_what_to_do(found, tmp_path):
    """With January of the next year in it a season has two years; without any year it has none."""
    rows = [(*row[:3], "28.03.2025" if found else "08 Mar", found or "10 May", *row[5:]) for row in ROWS[:4]]
    rows += [(*row[:3], "08 Mar", "10 May", *row[5:]) for row in ROWS[4:]]
    asked = []
    log = adopted(written(tmp_path / "log.csv", rows), asked)
    assert [q.proposal for q in asked if "of which year" in q.about] == [None]
    aside = [p for p in log.all_problems if p.scope == "row"]
    assert log.used == (4 if found else 0) and len({p.row for p in aside}) == 8 - log.used
    assert all("names a day without its year" in p.reason and "in 2025" in p.advice for p in aside)


def test_two_numbers_are_a_day_only_where_the_log_shows_which_is_the_month(tmp_path):
    rows = [(*row[:3], "04/03/2025" if n < 2 else "4/5", "6/7", *row[5:]) for n, row in enumerate(ROWS)]
    asked, headings = [], ("box", "where", "lid", "deployed_on", "found_on", "how is it", "why")
    log = adopted(written(tmp_path / "log.csv", rows, headings), asked)
    assert log.used == 0 and not [q for q in asked if "of which year" in q.about]


def test_a_day_of_the_next_year_typed_without_it_ends_no_life_before_it_began(tmp_path):
    rows = [*ROWS[:7], (*ROWS[7][:4], "12 Jan", *ROWS[7][5:])]
    log = adopted(written(tmp_path / "log.csv", rows))
    assert log.used == 7
    assert [p.row for p in log.all_problems if p.scope == "row"] == [9]


@pytest.mark.parametrize("form", ["%d %b %Y in 2025", "%d %b %y in 2025", "%d in 2025", "%d %b in 25", "%d %b"])
def test_a_form_names_one_year_and_only_where_it_has_none(form):
    with pytest.raises(SettingsError, match="date_format"):
        read_settings({"date_format": form})


def test_a_form_of_one_year_takes_no_day_that_has_its_own():
    assert day_in_form("8 Mar", "%d %b in 2025") == dt.date(2025, 3, 8)
    assert day_in_form("8 Mar 2024", "%d %b in 2025") is None
    assert day_in_form("29 Feb", "%d %b in 2025") is None
    assert read_settings({"date_format": "%d %b in 2025"}).date_format == ("%d %b in 2025",)
