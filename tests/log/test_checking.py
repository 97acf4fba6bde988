"""Checks within a row and across rows, each with the cells that take part."""

import datetime as dt
import itertools

import pandas as pd
import pytest

from tests.log.builders import TODAY, row, write_csv
from workbench.log.dictionary.columns import log_columns
from workbench.log.dictionary.settings import read_settings
from workbench.log.rules import spellings
from workbench.log.rules.spellings import notes_on_levels
from workbench.log.season_log.reading import read_log


def check(tmp_path, *rows, **settings):
    return read_log(write_csv(tmp_path / "log.csv", rows), settings, today=TODAY)


def only(log):
    (problem,) = log.all_problems
    return problem


@pytest.mark.parametrize(
    ("changes", "field", "reason"),
    [
        ({"unit_id": ""}, "unit_id", "unit_id is empty"),
        ({"unit_id": "-"}, "unit_id", "unit_id is empty"),
        ({"deployed_on": ""}, "deployed_on", "deployed_on is empty"),
        ({"outcome": ""}, "outcome", "outcome is empty"),
        ({"last_good_on": "2025-06-02"}, "found_on", "2025-06-01 (row 2, column 'found_on') is before last_good_on"),
        ({"failed_on": "2025-04-30"}, "failed_on", "2025-04-30 (row 2, column 'failed_on') is before last_good_on"),
        ({"failed_on": "2025-06-02"}, "found_on", "is before failed_on 2025-06-02"),
        ({"deployed_on": "2025-05-02"}, "last_good_on", "is before deployed_on 2025-05-02"),
        ({"observed_from": "2025-02-01"}, "observed_from", "is before deployed_on 2025-03-01"),
        ({"observed_from": "2025-06-01"}, "observed_from", "failed by day 92, and came under observation only"),
        ({"found_on": "2026-02-01"}, "found_on", "found_on 2026-02-01 is later than today (2026-01-31)"),
        ({"found_on": ""}, "last_good_on", "the unit failed after last_good_on, but nothing says by when"),
        ({"outcome": "working", "failed_on": "2025-05-15"}, "failed_on", "(row 2, column 'outcome'), but failed_on"),
        ({"outcome": "missing", "failed_on": "2025-05-15"}, "failed_on", "outcome is missing"),
        ({"outcome": "working", "last_good_on": "", "found_on": ""}, "outcome", "a working unit without a date"),
        ({"outcome": "working", "observed_from": "2025-07-01"}, "found_on", "the spell, is before observed_from"),
        ({"time_basis": "telepathy"}, "time_basis", "is no word for time_basis"),
    ],
)  # fmt: skip
def test_what_is_wrong_within_a_row_sets_it_aside(tmp_path, changes, field, reason):
    log = check(tmp_path, row("A", observed_from="", time_basis="") | changes)
    problem = only(log)
    assert (problem.field, problem.scope, problem.row) == (field, "row", 2) and reason in problem.reason
    assert log.used == 0 and problem.advice


def test_an_empty_outcome_asks_whether_the_unit_is_still_out(tmp_path):
    assert only(check(tmp_path, row(outcome=""))).advice.startswith("still out? write working and last_good_on")


def test_two_swapped_dates_name_both_cells(tmp_path):
    problem = only(check(tmp_path, row(last_good_on="2025-07-01")))
    assert problem.column == "found_on" and [o.column for o in problem.others] == ["last_good_on"]


@pytest.mark.parametrize("outcome", ["working", "withdrawn"])
def test_a_unit_seen_working_and_heard_of_later_is_followed_to_the_later_day(tmp_path, outcome):
    log = check(tmp_path, row(outcome=outcome, last_good_on="2025-07-01", found_on="2025-06-01"))
    assert log.problems.empty and log.ledger.loc[0, ["lower", "kind"]].tolist() == [122, "suspended"]


def test_a_missing_unit_known_to_work_after_it_was_missed_is_set_aside(tmp_path):
    problem = only(check(tmp_path, row(outcome="missing", last_good_on="2025-07-01", found_on="2025-06-01")))
    assert problem.field == "found_on" and "is before last_good_on" in problem.reason


def test_a_guess_is_not_held_against_the_other_dates(tmp_path):
    log = check(tmp_path, row(failed_on="2025-08-01", time_basis="guess"))
    assert log.used == 1 and log.problems.empty and "guessed failed_on is not used" in log.ledger["rule"][0]


def test_the_window_replaces_today_and_binds_every_date(tmp_path):
    window = ["2025-03-01", "2025-05-31"]
    problem = only(check(tmp_path, row(), window=window))
    assert "found_on 2025-06-01 is outside the season's window 2025-03-01 to 2025-05-31" in problem.reason
    assert check(tmp_path, row(), window=["2025-03-01", "2025-06-01"]).used == 1
    assert check(tmp_path, row(found_on="2030-01-01"), window=["2025-01-01", "2030-12-31"]).used == 1


@pytest.mark.parametrize(
    ("changes", "field", "reason"),
    [
        ({"opened_on": "2025-05-30"}, "opened_on", "is before found_on 2025-06-01"),
        ({"opened_on": "2026-03-01"}, "opened_on", "is later than today"),
        ({"opened_on": "later"}, "opened_on", "'later' is no date"),
        ({"outcome": "working", "mechanism": "overheat"}, "mechanism", "but a mechanism of failure is given"),
        ({"outcome": "working", "time_basis": "telepathy"}, "time_basis", "is no word for time_basis"),
        ({"enclosure_rating": "IP99"}, "enclosure_rating", "is no IP code"),
        ({"corrosivity": "C9"}, "corrosivity", "is no word for corrosivity"),
        ({"latitude": "95"}, "latitude", "outside what latitude can be (-90 to 90 degrees)"),
    ],
)
def test_what_does_not_touch_the_life_leaves_the_row_in_use(tmp_path, changes, field, reason):
    log = check(tmp_path, row() | changes)
    problem = only(log)
    assert (problem.field, problem.scope) == (field, "value") and reason in problem.reason
    assert log.used == 1 and log.set_aside.empty


def test_a_missing_unit_may_carry_a_mechanism_such_as_theft(tmp_path):
    log = check(tmp_path, row("A", "missing", mechanism="theft_vandalism"))
    assert log.problems.empty and log.lives().cause.tolist() == [""]


def test_no_cause_found_counts_as_undetermined(tmp_path):
    log = check(
        tmp_path, row("A", mechanism="no_cause_found"), row("B", mechanism="overheat"), row("C", mechanism="unknown")
    )
    assert log.lives().cause.tolist() == ["undetermined", "overheat", "undetermined"]


def test_exact_duplicates_keep_the_first(tmp_path):
    log = check(tmp_path, row("A"), row("A"), row("B"), row("A"))
    assert log.ledger["row"].tolist() == [2, 4] and log.set_aside["row"].tolist() == [3, 5]
    assert "equal in every cell to log.csv, row 2, which is kept" in log.all_problems[0].reason


def test_one_deployment_told_twice_sets_both_aside_naming_each_other(tmp_path):
    log = check(
        tmp_path, row("A", deployment="1"), row("A", deployment="1", outcome="working"), row("B", deployment="1")
    )
    assert log.ledger["row"].tolist() == [4]
    first, second = log.all_problems
    assert "deployment 1 of unit A also stands, with other values, in log.csv, row 3" in first.reason
    assert "in log.csv, row 2" in second.reason and second.others[0].row == 2


def test_deployments_of_two_seasons_may_share_a_number(tmp_path):
    early = row("A", "working", deployment="1", season="2024", deployed_on="2024-03-01", found_on="2024-09-01")
    assert check(tmp_path, early, row("A", deployment="1", season="2025")).used == 2


def test_overlapping_spells_set_all_aside(tmp_path):
    rows = [
        row("A", "working", deployment="1", found_on="2025-05-01"),
        row("A", "working", deployment="2", deployed_on="2025-04-30", found_on="2025-08-01"),
        row("A", "working", deployment="3", deployed_on="2025-08-01", found_on="2025-09-01"),
    ]
    log = check(tmp_path, *rows)
    assert log.ledger["row"].tolist() == [4] and log.set_aside["row"].tolist() == [2, 3]
    assert "entered twice for the same days: 2025-03-01 to 2025-05-01 here" in log.all_problems[0].reason


def test_one_unit_at_two_sites_at_once_sets_both_aside(tmp_path):
    log = check(tmp_path, row("A", site="Upper Tarn"), row("A", site="Hollow Wood"))
    assert log.used == 0 and all("at two sites at once" in p.reason for p in log.all_problems)


def test_a_unit_may_be_moved_on_the_day_its_spell_ends(tmp_path):
    rows = [
        row("A", "working", found_on="2025-05-01", site="Upper Tarn"),
        row("A", "working", deployed_on="2025-05-01", site="Hollow Wood"),
    ]
    assert check(tmp_path, *rows).used == 2


def test_two_equal_spells_of_no_length_overlap(tmp_path):
    rows = [row("A", last_good_on="", found_on="2025-03-01", notes=n) for n in ("x", "y")]
    assert check(tmp_path, *rows).used == 0


def test_a_missing_unit_that_turned_up_may_be_out_again(tmp_path):
    rows = [row("A", "missing"), row("A", "working", deployed_on="2025-06-01")]
    assert check(tmp_path, *rows).used == 2


def test_dead_on_arrival_is_counted(tmp_path):
    log = check(tmp_path, row("A", last_good_on="", failed_on="2025-03-01"))
    lives = log.lives()
    assert (lives.lower[0], lives.upper[0]) == (0, 1) and "dead on arrival" in log.ledger["rule"][0]


def test_today_is_the_day_of_the_call_unless_given(tmp_path):
    ahead = (dt.date.today() + dt.timedelta(days=2)).isoformat()
    path = write_csv(tmp_path / "log.csv", [row("A", found_on=ahead)])
    assert read_log(path).used == 0
    assert read_log(path, today=dt.date.today() + dt.timedelta(days=3)).used == 1


def test_state_found_never_overrides_the_outcome(tmp_path):
    log = check(tmp_path, row("A", "working", state_found="dead"))
    assert log.used == 1 and log.lives().upper.tolist() == [float("inf")]


def test_levels_are_one_whatever_their_spelling_and_odd_ones_are_said(tmp_path):
    seals = ["Foam Tape 3", "foam tape-3", "Foam Tape 3", "flat gaskit", "", "cord", "cord"]
    sites = ["Gannet Flats", "gannet  flats", "Gannet Flats", "Ganet Flats", "Weir 1", "Weir 2", "Weir 2"]
    rows = [row(f"U{i}", lid_seal=s, site=p) for i, (s, p) in enumerate(zip(seals, sites, strict=True))]
    log = check(tmp_path, *rows)
    assert set(log.records["lid_seal"].dropna()) == {"Foam Tape 3", "flat gaskit", "cord"}
    assert set(log.records["site"]) == {"Gannet Flats", "Ganet Flats", "Weir 1", "Weir 2"}
    notes = "\n".join(log.notes)
    assert "lid_seal: 'foam tape-3' as 'Foam Tape 3' (spellings that differ only in case" in notes
    assert "lid_seal: 'flat gaskit' (1 row, first log.csv, row 5, column 'lid_seal') is not in the dictionary" in notes
    assert "did you mean 'flat_gasket'? Then add to the settings: [levels.lid_seal] words = " in notes
    assert "site: 'Ganet Flats' and 'Gannet Flats' are kept apart (1 row and 3 rows); are they the same?" in notes
    assert "'Weir 1' and 'Weir 2'" not in notes


@pytest.mark.parametrize(("words", "last"), [(5, None), (6, "1 further word is"), (7, "2 further words are")])
def test_at_most_five_unknown_words_of_a_column_are_listed_and_the_rest_counted(words, last):
    (column,) = [c for c in log_columns() if c.name == "lid_seal"]
    notes = notes_on_levels(column, {f"{a}{a}{a}{a}{a}": 1 for a in "qwxyzjk"[:words]}, read_settings(None))
    assert len(notes) == min(words, 5) + (last is not None)
    assert last is None or notes[-1] == f"lid_seal: {last} not in the dictionary."


def test_units_that_differ_only_in_case_are_said(tmp_path):
    assert any(
        "'LM-1' and 'lm-1' are read as different units" in n for n in check(tmp_path, row("LM-1"), row("lm-1")).notes
    )


def test_words_are_compared_with_the_dictionary_only_for_what_is_said(monkeypatch):
    asked = []
    monkeypatch.setattr(spellings, "near_word", lambda word, column: asked.append(word))
    rows = [row(f"LM-{n:05}", "working", lid_seal=f"seal {n:05}") for n in range(2_000)]
    log = read_log(pd.DataFrame(rows), today=TODAY)
    assert len(asked) <= 5 and "lid_seal: 1,995 further words are not in the dictionary." in log.notes


@pytest.mark.parametrize("name", ["site {:05}", "{}"], ids=["numbered", "words"])
def test_names_are_compared_for_misspellings_only_while_they_are_few(monkeypatch, name):
    compared = []
    near = spellings.get_close_matches
    monkeypatch.setattr(
        spellings, "get_close_matches", lambda word, words, **kw: compared.append(len(words)) or near(word, words, **kw)
    )
    words = ["".join(letters) for letters in itertools.product("abcdef", repeat=4)]
    sites = [name.format(n if "site" in name else words[n]) for n in range(1_200)]
    rows = [row(f"LM-{n:05}", "working", site=site) for n, site in enumerate([*sites, *sites[:600]])]
    log = read_log(pd.DataFrame(rows), today=TODAY)
    assert sum(compared) <= spellings._MOST_PAIRS
    said = "site: 1,200 different names are too many to be compared for misspellings."
    assert (said in log.notes) == (name == "{}")
