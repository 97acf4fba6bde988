"""Tables beside a log fill its empty cells, never replace what a person wrote, and name both places of a difference."""

import pandas as pd
import pytest

from workbench.errors import LogError
from workbench.log.season_log.reading import read_log

LOG = """unit_id,deployment,deployed_on,last_good_on,found_on,outcome,tooth_marks,time_basis
A,1,2025-03-01,2025-04-01,2025-05-01,failed,,visit
B,1,2025-03-01,2025-04-01,2025-05-01,failed,no,visit
C,1,2025-03-01,,2025-05-01,working,not_checked,
C,2,2025-06-01,,2025-09-01,working,,
"""


@pytest.fixture
def season(tmp_path):
    (tmp_path / "season.csv").write_text(LOG)

    def reading(name, text, folder=False):
        (tmp_path / name).write_text(text)
        return read_log(tmp_path if folder else tmp_path / "season.csv", "none")

    return reading


@pytest.mark.parametrize("folder", [False, True])
def test_the_last_record_narrows_the_span_of_a_failure_to_a_day(season, folder):
    log = season("records.csv", "unit_id,deployment,last_record_on\nA,1,2025-04-11\n", folder)

    (life,) = log.ledger[log.ledger.unit_id == "A"].itertuples()
    assert (life.lower, life.upper) == (41, 42) and "last_record_on" in life.rule
    assert log.ledger[log.ledger.unit_id == "B"][["lower", "upper"]].to_numpy().tolist() == [[31, 61]]
    assert log.records["last_good_on"][0] == pd.Timestamp("2025-04-01")  # what a person wrote stays
    assert log.address(0, "last_record_on").full == "records.csv, row 2, column 'last_record_on'"
    assert log.rows == log.used == 4 and {name for name, _ in log.files} == {"season.csv", "records.csv"}


@pytest.mark.parametrize(
    ("unit", "day", "words"),
    [
        ("A,1", "2025-03-20", "is before last_good_on 2025-04-01 (row 2, column 'last_good_on')"),
        ("A,1", "2025-05-20", "is after found_on 2025-05-01"),
        ("C,1", "2025-04-10", "is 21 days before found_on 2025-05-01"),
        ("C,2", "2025-05-10", "is before deployed_on 2025-06-01"),
    ],
)
def test_a_day_that_disagrees_is_set_aside_with_both_sources_named(season, unit, day, words):
    log = season("records.csv", f"unit_id,deployment,last_record_on\n{unit},{day}\n")

    (problem,) = log.problems.itertuples()
    assert words in problem.reason and "records.csv, row 2" in problem.reason and problem.scope == "value"
    plain = read_log(pd.read_csv(pd.io.common.StringIO(LOG), dtype=str), "none")
    assert log.ledger[["lower", "upper"]].equals(plain.ledger[["lower", "upper"]])


def test_signs_fill_what_was_not_looked_for_and_contradict_what_was(season):
    log = season(
        "teardowns.csv", "unit_id,deployment,tooth_marks,photo_1\nA,1,yes,a.jpg\nB,1,yes,\nC,1,yes,\nC,2,not_checked,\n"
    )

    assert log.records["tooth_marks"].astype(object).tolist()[:3] == ["yes", "no", "yes"]
    (problem,) = log.problems.itertuples()
    assert (problem.source, problem.row, problem.field) == ("teardowns.csv", 3, "tooth_marks")
    assert "differs from no in season.csv, row 3" in problem.reason
    assert log.records["photo_1"][0] == "a.jpg" and log.used == 4


def test_what_a_table_beside_fills_is_no_word_of_the_log_read_as_another(season):
    log = season("teardowns.csv", "unit_id,deployment,tooth_marks\nA,1,y\nB,1,no\nC,1,yes\n")

    assert list(log.records["tooth_marks"])[:3] == ["yes", "no", "yes"]
    assert log.translations == ()  # nobody wrote '' or not_checked and meant yes


def test_rows_that_are_about_no_deployment_of_the_log_are_named(season):
    log = season("teardowns.csv", "unit_id,deployment,tooth_marks\nX,1,yes\nC,,yes\nC,3,yes\n,1,yes\n")

    assert log.problems["reason"].tolist() == [
        "the log has no unit X, so this row is not used",
        "the log has 2 deployments of unit C, so this row is not used",
        "the log has no such deployment of unit C, so this row is not used",
        "unit_id is empty",
    ]
    assert log.used == 4 and (log.problems["scope"] == "value").all()


def test_two_rows_beside_the_log_that_differ_keep_the_first(season):
    log = season("teardowns.csv", "unit_id,deployment,photo_1\nA,1,a.jpg\nA,1,b.jpg\n")

    assert log.records["photo_1"][0] == "a.jpg"
    assert "differs from a.jpg in teardowns.csv, row 2" in log.problems["reason"][0]


def test_a_table_beside_is_no_log_and_a_log_of_that_name_is_one(season, tmp_path):
    (tmp_path / "alone").mkdir()
    (tmp_path / "alone" / "teardowns.csv").write_text("unit_id,deployment,tooth_marks\nA,1,yes\n")
    with pytest.raises(LogError, match="holds teardowns but no log"):
        read_log(tmp_path / "alone")
    (tmp_path / "alone" / "teardowns.csv").write_text(LOG)
    assert read_log(tmp_path / "alone", "none").used == 4
