"""A second sheet of visits: both dates follow from it, and it is held against the log."""

import pytest

from tests.log.builders import TODAY, row, write_csv
from workbench.errors import LogError
from workbench.log.season_log.reading import read_log

LOG_HEAD = ("unit_id", "deployed_on", "outcome", "site", "last_good_on", "found_on", "observed_from")


def read(tmp_path, rows, visits):
    bare = [{k: v for k, v in r.items() if k in LOG_HEAD} for r in rows]
    log = write_csv(tmp_path / "log.csv", bare, head=LOG_HEAD)
    named = [dict(zip(("unit_id", "visited_on", "state"), v, strict=True)) for v in visits]
    looks = write_csv(tmp_path / "visits.csv", named, head=("unit_id", "visited_on", "state", "by", "notes"))
    return read_log([log, looks], today=TODAY)


def blank(unit="A", outcome="failed", **more):
    return row(unit, outcome) | {"last_good_on": "", "found_on": ""} | more


def test_last_good_and_found_follow_from_the_visits(tmp_path):
    visits = [
        ("A", "2025-04-01", "working"),
        ("A", "2025-05-01", "ok"),
        ("A", "2025-06-01", "dead"),
        ("A", "2025-07-01", "failed"),
        ("B", "2025-08-01", "working"),
        ("C", "2025-05-01", "working"),
        ("C", "2025-06-01", "not checked"),
        ("C", "2025-07-01", "gone"),
    ]
    log = read(tmp_path, [blank("A"), blank("B", "working"), blank("C", "missing")], visits)
    assert log.rows == log.used == 3 and log.problems.empty
    assert log.ledger[["lower", "upper"]].to_numpy().tolist() == [[61, 92], [153, float("inf")], [61, float("inf")]]
    assert log.records["found_on"].dt.strftime("%Y-%m-%d").tolist()[2] == "2025-07-01"
    assert log.lives().covariates["followed_to"].tolist() == [153, 153, 153]
    assert any("8 visits; last_good_on and found_on follow from them" in n for n in log.notes)


def test_a_failed_visit_alone_is_a_failure_since_deployment(tmp_path):
    assert read(tmp_path, [blank("A")], [("A", "2025-06-01", "failed")]).ledger["lower"].tolist() == [0]


def test_working_after_failed_sets_both_visits_and_the_row_aside(tmp_path):
    visits = [("A", "2025-05-01", "failed"), ("A", "2025-06-01", "working"), ("B", "2025-06-01", "working")]
    log = read(tmp_path, [blank("A", "working"), blank("B", "working")], visits)
    assert log.used == 1 and [(p.source, p.row, p.scope) for p in log.all_problems] == [
        ("log.csv", 2, "row"),
        ("visits.csv", 2, "value"),
        ("visits.csv", 3, "value"),
    ]
    assert all("seen failed (visited_on 2025-05-01" in p.reason for p in log.all_problems)
    others = [[(a.source, a.row) for a in p.others] for p in log.all_problems]
    assert others == [[("visits.csv", 2), ("visits.csv", 3)], [("visits.csv", 3)], [("visits.csv", 2)]]


@pytest.mark.parametrize("missing", ["unit_id", "deployed_on"])
def test_a_row_that_cannot_be_used_takes_no_visits_and_is_named_as_without_them(tmp_path, missing):
    visits = [("A", "2025-05-01", "working"), ("A", "2025-06-01", "failed")]
    log = read(tmp_path, [blank("A"), blank("A", deployed_on="2026-01-01") | {missing: ""}], visits)
    assert log.used == 1
    assert [(p.row, p.field) for p in log.all_problems if p.scope == "row"] == [(3, missing)]


def test_dates_that_differ_from_the_visits_set_the_row_aside_with_both_cells(tmp_path):
    visits = [("A", "2025-05-01", "working"), ("A", "2025-06-01", "failed")]
    log = read(tmp_path, [blank("A", last_good_on="2025-05-02"), blank("B", found_on="2025-06-01")], visits)
    (problem,) = log.all_problems
    assert problem.field == "last_good_on" and "differs from the visits sheet" in problem.reason and log.used == 1
    assert problem.others[0].source == "visits.csv" and problem.others[0].row == 2
    assert read(tmp_path, [blank("A", last_good_on="2025-05-01", found_on="2025-06-01")], visits).used == 1


def test_an_outcome_that_the_visits_deny_sets_the_row_aside(tmp_path):
    log = read(tmp_path, [blank("A", "working")], [("A", "2025-05-01", "working"), ("A", "2025-06-01", "failed")])
    assert "outcome is working, but the unit was seen failed" in log.all_problems[0].reason and log.used == 0


def test_visits_belong_to_the_spell_in_which_they_lie(tmp_path):
    rows = [blank("A", "withdrawn"), blank("A", "failed", observed_from="2025-05-01")]
    visits = [("A", "2025-05-01", "refit"), ("A", "2025-06-01", "working"), ("A", "2025-07-01", "failed")]
    log = read(tmp_path, rows, visits)
    assert log.ledger[["entry", "lower", "upper"]].to_numpy().tolist() == [[0, 61, float("inf")], [61, 92, 122]]


def test_visits_that_cannot_be_used_are_named_and_the_rows_stay(tmp_path):
    visits = [
        ("A", "2025-05-01", "working"),
        ("A", "soon", "failed"),
        ("A", "2025-06-01", ""),
        ("Z", "2025-05-01", "working"),
        ("A", "2025-02-01", "working"),
        ("", "2025-05-01", "working"),
        ("A", "2025-05-09", "sleepy"),
    ]
    log = read(tmp_path, [blank("A", "working")], visits)
    assert log.used == log.rows == 1 and log.ledger["lower"].tolist() == [61]
    assert {(p.row, p.scope) for p in log.all_problems} == {(n, "value") for n in (3, 4, 5, 6, 7, 8)}
    texts = " ".join(p.reason for p in log.all_problems)
    assert (
        "unit Z was not out on 2025-05-01 by the log" in texts and "state is empty, so the visit is not used" in texts
    )


def test_visits_without_a_log_are_refused(tmp_path):
    path = write_csv(tmp_path / "visits.csv", [{"unit_id": "A", "visited_on": "2025-05-01", "state": "working"}],
                     head=("unit_id", "visited_on", "state"))  # fmt: skip
    with pytest.raises(LogError, match=r"visits\.csv holds visits but no log"):
        read_log(path)


def test_an_empty_visits_sheet_is_no_matter(tmp_path):
    assert read(tmp_path, [row("A")], []).used == 1
