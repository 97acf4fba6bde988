"""read_log: from files to a log that reconciles, whatever was typed."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.log.builders import HEAD, TODAY, reasons, row, write_csv, write_xlsx
from workbench.errors import LogError, UsageError
from workbench.log.rules.problems import PROBLEM_COLUMNS
from workbench.log.season_log.reading import read_log


def read(path, settings=None):
    return read_log(path, settings, today=TODAY)


def reconciles(log):
    aside = {(p.source, p.sheet, p.row) for p in log.all_problems if p.scope == "row"}
    return (
        log.rows == log.used + len(aside) == log.used + log.rows_set_aside
        and len(log.records) == len(log.ledger) == log.used
    )


def test_a_plain_log_gives_records_ledger_and_lives(tmp_path):
    rows = [row("LM-001"), row("LM-002", "working"), row("LM-003", "missing"), row("LM-004", "withdrawn")]
    log = read(write_csv(tmp_path / "log.csv", rows))
    assert (log.rows, log.used, len(log.problems)) == (4, 4, 0) and reconciles(log)
    assert list(log.ledger.columns[:9]) == [
        "row", "unit_id", "deployment", "entry", "lower", "upper", "kind", "rule", "cluster",
    ]  # fmt: skip
    assert log.ledger["row"].tolist() == [2, 3, 4, 5]
    lives = log.lives()
    # 1 March to 1 May is 61 days, to 1 June 92, to 1 September 184, to 1 April 31
    assert lives.lower.tolist() == [61, 184, 31, 184] and lives.upper.tolist() == [92, np.inf, np.inf, np.inf]
    assert lives.cluster.tolist() == ["LM-001", "LM-002", "LM-003", "LM-004"] and lives.cause.tolist() == [
        "undetermined",
        "",
        "",
        "",
    ]
    assert lives.covariates["followed_to"].tolist() == [184, 184, 184, 184]
    assert lives.covariates["outcome"].tolist() == ["failed", "working", "missing", "withdrawn"]
    assert lives.covariates["deployed_on"].dtype.kind == "M" and set(lives.covariates) >= {"lid_seal", "site", "season"}


@pytest.mark.parametrize("suffix", [".csv", ".tsv", ".txt", ".xlsx", ".parquet"])
def test_every_kind_of_file_gives_the_same_lives(tmp_path, suffix):
    rows = [row("00123"), row("00124", "working", site="NA")]
    if suffix in (".csv", ".tsv", ".txt"):
        path = write_csv(tmp_path / f"log{suffix}", rows, delimiter={".csv": ";", ".tsv": "\t", ".txt": "|"}[suffix])
    elif suffix == ".xlsx":
        path = write_xlsx(tmp_path / "log.xlsx", [{k: _true_date(k, v) for k, v in r.items()} for r in rows])
    else:
        frame = pd.DataFrame([{k: _true_date(k, v) for k, v in r.items()} for r in rows])
        path = tmp_path / "log.parquet"
        frame.astype({"lid_seal": "category", "deployed_on": "datetime64[ns]"}).to_parquet(path)
    log = read(path)
    assert log.records["unit_id"].tolist() == ["00123", "00124"] and log.records["site"].tolist() == [
        "Hollow Wood",
        "NA",
    ]
    assert log.ledger[["lower", "upper"]].to_numpy().tolist() == [[61, 92], [184, np.inf]]
    assert len(log.files[0][1]) == 64 and log.files[0][0] == path.name


def _true_date(name, value):
    return dt.date.fromisoformat(value) if name.endswith("_on") else value


def test_a_dataframe_is_read_as_if_it_had_been_a_file():
    log = read(pd.DataFrame([row("A"), row("B", "working")]))
    assert log.used == 2 and log.files == ()


def test_problem_tables_have_exactly_their_columns_even_when_empty(tmp_path):
    log = read(write_csv(tmp_path / "log.csv", [row()]))
    assert tuple(log.problems.columns) == tuple(log.set_aside.columns) == PROBLEM_COLUMNS
    log = read(write_csv(tmp_path / "log.csv", [row(), row("B", outcome="")]))
    assert tuple(log.problems.columns) == PROBLEM_COLUMNS and log.set_aside["row"].tolist() == [3]


def test_tables_are_handed_out_as_copies(tmp_path):
    log = read(write_csv(tmp_path / "log.csv", [row()]))
    records, ledger = log.records, log.ledger
    records.loc[0, "unit_id"] = "changed"
    ledger.loc[0, "lower"] = -1
    assert log.records.loc[0, "unit_id"] == "LM-001" and log.ledger.loc[0, "lower"] == 61


def test_all_problems_are_named_at_once_each_with_its_cell(tmp_path):
    rows = [
        row("A", deployed_on="31/02/2025"),
        row("B", outcome=""),
        row("C", enclosure_rating="IP99", elevation_m="high"),
        row("D", last_good_on="2025-07-01"),
        row("E", found_on="2027-01-01", failed_on="soon"),
        row(""),
    ]
    log = read(write_csv(tmp_path / "log.csv", rows))
    assert [(p.row, p.column, p.scope) for p in log.all_problems] == [
        (2, "deployed_on", "row"),
        (3, "outcome", "row"),
        (4, "enclosure_rating", "value"),
        (4, "elevation_m", "value"),
        (5, "found_on", "row"),
        (6, "failed_on", "row"),
        (6, "found_on", "row"),
        (7, "unit_id", "row"),
    ]
    assert reconciles(log) and log.used == 1
    assert log.records.loc[0, "enclosure_rating"] is np.nan and np.isnan(log.records.loc[0, "elevation_m"])
    assert all(p.reason and p.advice for p in log.all_problems)


@pytest.mark.parametrize("cells", range(1, 6))
def test_lines_cut_off_after_any_cell_are_read_like_lines_with_empty_cells(tmp_path, cells):
    heads, words = ["unit_id", "outcome", "site", "deployed_on", "found_on"], ["text", "", "words", "words", "words"]
    whole = ["LM-001", "failed", "bog", "2025-03-01", "2025-03-11"]
    told = []
    for padding in (0, 5 - cells):
        line = ",".join(words[:cells] + [""] * padding)
        path = tmp_path / f"{padding}.csv"
        path.write_text("\n".join([",".join(heads), ",".join(whole), line]) + "\n", encoding="utf-8")
        log = read(path)
        told.append([(p.row, p.reason) for p in log.all_problems if p.scope == "row" and p.row == 3])
    assert told[0] == told[1] != []


def test_a_log_of_which_no_row_can_be_used_is_read_and_refuses_lives(tmp_path):
    log = read(write_csv(tmp_path / "log.csv", [row(outcome="")]))
    assert (log.rows, log.used) == (1, 0) and log.records.empty and log.ledger.empty
    with pytest.raises(
        LogError, match=r"no row of log.csv can be used \(1 set aside; the first: row 2: outcome is empty"
    ):
        log.lives()


def test_mission_comes_from_the_settings_or_is_said_to_be_assumed(tmp_path):
    path = write_csv(tmp_path / "log.csv", [row(), row("B", "working")])
    assert read(path, {"mission_days": 200}).mission() == (200, "as set in the settings")
    days, note = read(path).mission()
    assert days == 120 and "80 % of the longest life seen, 184 days" in note  # 147.2 rounded down to 30 days
    short = write_csv(tmp_path / "short.csv", [row(outcome="working", found_on="2025-03-11")])
    assert read(short).mission()[0] == 8


def test_reference_comes_first_declared_or_carried_by_most_units(tmp_path):
    seals = ["cord", "cord", "o-ring", "O ring", "oring", "flat gasket"]
    path = write_csv(tmp_path / "log.csv", [row(f"U{i}", lid_seal=s) for i, s in enumerate(seals)])
    assert list(read(path).records["lid_seal"].cat.categories) == ["o_ring", "flat_gasket", "cord"]
    declared = read(path, {"reference": {"lid_seal": "Flat gasket"}})
    assert next(iter(declared.records["lid_seal"].cat.categories)) == "flat_gasket"
    absent = read(path, {"reference": {"lid_seal": "sealant"}})
    assert any("[reference] lid_seal = 'sealant' occurs in no row" in n for n in absent.notes)


def test_a_unit_counts_once_for_its_level_however_often_it_was_out(tmp_path):
    spells = [
        row("A", "working", deployed_on=f"2025-0{m}-01", found_on=f"2025-0{m}-20", lid_seal="cord") for m in (1, 2, 3)
    ]
    path = write_csv(tmp_path / "log.csv", [*spells, row("B", lid_seal="o_ring"), row("C", lid_seal="o_ring")])
    assert list(read(path).records["lid_seal"].cat.categories) == ["o_ring", "cord"]


def test_blank_site_is_not_recorded_and_a_site_called_na_is_a_site(tmp_path):
    log = read(write_csv(tmp_path / "log.csv", [row("A", site=""), row("B", site="NA"), row("C", site="None")]))
    assert log.records["site"].tolist() == ["not recorded", "NA", "None"]


def test_a_site_that_is_called_not_recorded_is_not_the_blank_one(tmp_path):
    path = write_csv(tmp_path / "log.csv", [row("A", site=""), row("B", site="not recorded")])
    log = read(path, {"missing_words": ["-"]})
    assert log.records["site"].tolist() == ["not recorded (blank)", "not recorded"]


def test_repeat_deployments_are_lives_of_one_cluster_numbered_by_date(tmp_path):
    rows = [
        row("A", "working", deployed_on="2025-06-01", found_on="2025-09-01"),
        row("A", "working", deployed_on="2025-03-01", found_on="2025-05-01"),
    ]
    log = read(write_csv(tmp_path / "log.csv", rows))
    assert log.ledger["deployment"].tolist() == [2, 1] and log.lives().cluster.tolist() == ["A", "A"]


def test_a_refit_keeps_the_clock_and_the_unit(tmp_path):
    rows = [
        row("A", "withdrawn", found_on="2025-05-01", lid_seal="cord", withdrawn_reason="refit"),
        row(
            "A",
            "failed",
            observed_from="2025-05-01",
            last_good_on="2025-06-01",
            found_on="2025-07-01",
            lid_seal="o_ring",
        ),
    ]
    log = read(write_csv(tmp_path / "log.csv", rows))
    assert log.used == 2 and log.ledger[["entry", "lower"]].to_numpy().tolist() == [[0, 61], [61, 92]]
    assert len(set(log.ledger["cluster"])) == 1


def test_missing_never_seen_is_kept_at_day_0(tmp_path):
    log = read(write_csv(tmp_path / "log.csv", [row("A", "missing", last_good_on=""), row("B", "working")]))
    lives = log.lives()
    assert log.used == 2 and (lives.lower[0], lives.upper[0]) == (0, np.inf)
    assert lives.covariates["followed_to"].tolist() == [184, 184]


def test_followed_to_looks_at_the_own_site_and_season_only(tmp_path):
    rows = [
        row("A", "missing", last_good_on="2025-04-01", site="Hollow Wood"),
        row("B", "working", found_on="2025-08-01", site="Hollow Wood"),
        row("C", "working", found_on="2025-11-01", site="Upper Tarn"),
        row("D", "working", deployed_on="2024-03-01", found_on="2024-12-01", site="Hollow Wood"),
    ]
    log = read(write_csv(tmp_path / "log.csv", rows))
    assert log.lives().covariates["followed_to"].tolist() == [153, 153, 245, 275]


def test_a_site_written_in_two_ways_is_followed_as_one(tmp_path):
    rows = [
        row("A", "missing", last_good_on="2025-04-01", site="hollow wood"),
        row("B", "working", site="Hollow Wood", found_on="2025-11-01"),
    ]
    log = read(write_csv(tmp_path / "log.csv", rows))
    assert log.lives().covariates["followed_to"].tolist() == [245, 245]


def test_roles_bring_further_columns_in_and_ignore_takes_them_out(tmp_path):
    rows = [row("A", lid_colour="red", slope="3.5", odd="x"), row("B", lid_colour="grey", slope="4", odd="y")]
    path = write_csv(tmp_path / "log.csv", rows)
    plain = read(path)
    assert plain.records["lid_colour"].tolist() == ["red", "grey"] and "lid_colour" not in plain.lives().covariates
    assert any("columns without a role are kept and not used: 'lid_colour'" in n for n in plain.notes)
    log = read(path, {"roles": {"protection": ["Lid colour"], "exposure": ["slope"], "ignore": ["odd"]}})
    assert list(log.records["lid_colour"].cat.categories) == ["grey", "red"]
    assert log.lives().covariates["slope"].tolist() == [3.5, 4.0] and log.columns_of("protection") == (
        "lid_seal",
        "lid_colour",
    )
    assert not any("'odd'" in n for n in log.notes)
    worded = read(write_csv(tmp_path / "w.csv", [row("A", slope="steep")]), {"roles": {"exposure": ["slope"]}})
    assert worded.lives().covariates["slope"].tolist() == ["steep"]


def test_rename_maps_their_heading_to_our_column(tmp_path):
    path = write_csv(
        tmp_path / "log.csv", [row("A") | {"Seal fitted": "O-Ring", "lid_seal": ""}], head=[*HEAD[:-1], "Seal fitted"]
    )
    log = read(path, {"rename": {"Seal  fitted": "lid_seal", "Never there": "vent"}})
    assert log.records["lid_seal"].tolist() == ["o_ring"]
    assert any("[rename] names headings that no file has: 'Never there'" in n for n in log.notes)


def test_season_of_the_settings_or_of_the_year(tmp_path):
    path = write_csv(tmp_path / "log.csv", [row("A"), row("B", season="special")])
    assert read(path).records["season"].tolist() == ["2025", "special"]
    assert read(path, {"season": "wet"}).records["season"].tolist() == ["wet", "special"]


def test_several_files_and_a_folder(tmp_path):
    one = write_csv(tmp_path / "a.csv", [row("A"), row("B")])
    two = write_csv(tmp_path / "b.csv", [row("B"), row("C")], head=[*HEAD[::-1]])
    (tmp_path / "notes.txt").write_text("bring spare screws\nand a ladder\n")
    for path in ([one, two], tmp_path):
        log = read(path)
        assert (log.rows, log.used) == (4, 3) and reconciles(log)
        assert reasons(log)[0][3] == "equal in every cell to a.csv, row 3, which is kept"
        assert log.set_aside["source"].tolist() == ["b.csv"]
    assert "notes.txt has no headings of a log and was not read." in read(tmp_path).notes


def test_paths_that_lead_nowhere_are_wrong_usage(tmp_path):
    with pytest.raises(UsageError, match="there is no file or folder"):
        read(tmp_path / "none.csv")
    with pytest.raises(UsageError, match="holds no log"):
        read(tmp_path)
    for odd in (None, 5, b"log.csv", [None]):
        with pytest.raises(UsageError, match="a log is named by its path"):
            read_log(odd)
    with pytest.raises(UsageError, match="no log was named"):
        read([])
    (tmp_path / "notes.txt").write_text("nothing of a log\n")
    with pytest.raises(UsageError, match=r"none of notes\.txt has the headings of a log"):
        read(tmp_path)


def test_reading_is_quick_and_shuffling_columns_changes_nothing(tmp_path):
    rows = [row(f"U{i:03d}") for i in range(50)]
    one = read(write_csv(tmp_path / "a.csv", rows, head=HEAD))
    two = read(write_csv(tmp_path / "b.csv", rows, head=HEAD[::-1]))
    pd.testing.assert_frame_equal(one.ledger.drop(columns="source"), two.ledger.drop(columns="source"))


TYPED = """
failed|working|missing|withdrawn|dead|fine?|2025-03-01|2025-05-04|2025-09-01|01/02/2025|45719|LM-001|LM-002|telemetry|guess|
last_record|-|Total|1,5|
"""
words = st.sampled_from(TYPED.replace("\n", "").split("|"))
anything = st.one_of(words, words, st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12))
NAMES = [
    *("unit_id", "deployment", "deployed_on", "outcome", "last_good_on", "failed_on", "found_on", "observed_from"),
    *("time_basis", "site", "lid_seal", "enclosure_rating", "elevation_m", "opened_on", "mechanism", "further"),
]


@given(rows=st.lists(st.lists(anything, min_size=len(NAMES), max_size=len(NAMES)), min_size=1, max_size=12))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_whatever_is_typed_rows_read_are_rows_used_plus_rows_set_aside(rows):
    frame = pd.DataFrame(rows, columns=list(NAMES), dtype=object)
    filled = int((frame.map(str.strip) != "").any(axis=1).sum())
    if not filled:
        return
    log = read(frame)
    assert log.rows == filled and reconciles(log)
    if log.used:
        assert len(log.lives()) == log.used


likely = st.fixed_dictionaries(
    {
        "unit_id": st.sampled_from(["A", "B", "C", "D", "E", "F"]),
        "deployed_on": st.sampled_from(["2025-03-01", "2025-03-05", "2025-06-01"]),
        "outcome": st.sampled_from(["failed", "working", "missing", "withdrawn"]),
        "last_good_on": st.sampled_from(["", "2025-04-01", "2025-06-20"]),
        "failed_on": st.sampled_from(["", "", "2025-06-25"]),
        "found_on": st.sampled_from(["", "2025-07-01", "2025-05-01"]),
        "observed_from": st.sampled_from(["", "", "2025-04-20"]),
        "time_basis": st.sampled_from(["", "visit", "guess", "last_record"]),
        "site": st.sampled_from(["x", "y"]),
    }
)


@given(rows=st.lists(likely, min_size=1, max_size=8))
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_likely_rows_reconcile_and_make_possible_lives(rows):
    log = read(pd.DataFrame(rows))
    assert log.rows == len(rows) and reconciles(log)
    if log.used:
        lives = log.lives()
        assert len(lives) == log.used
        assert np.isfinite(lives.lower).all() and (lives.lower <= lives.upper).all()


def test_an_ignored_column_is_neither_kept_nor_a_covariate(tmp_path):
    path = write_csv(tmp_path / "log.csv", [row("A", firmware="1.4", odd="x"), row("B", firmware="1.5", odd="y")])
    assert "firmware" in read(path).lives().covariates
    log = read(path, {"roles": {"ignore": ["Firmware", "odd"]}})
    assert not {"firmware", "odd"} & {*log.records, *log.lives().covariates}


def test_a_further_column_never_hides_the_address_columns(tmp_path):
    log = read(write_csv(tmp_path / "log.csv", [row("A", row="7", source="shed")]))
    assert log.records["row"].tolist() == [2] and log.records["source"].tolist() == ["log.csv"]
    assert log.records["row (as in the file)"].tolist() == ["7"]


def test_a_drain_beside_a_tight_code_is_said_and_both_stay(tmp_path):
    """IEC 60529: a second digit 5 is a test by jets, which an open drain hole cannot pass."""
    rows = [row("A", vent="drain", enclosure_rating="IP65"), row("B", vent="drain", enclosure_rating="IP23")]
    log = read_log(
        write_csv(tmp_path / "log.csv", [*rows, row("C", vent="none", enclosure_rating="IP66/IP67")]), today=TODAY
    )
    (said,) = [n for n in log.notes if "drain" in n]
    assert said.startswith("1 deployment with a drain claimed IP65") and "IP23" not in said
    assert log.records["enclosure_rating"].tolist() == ["IP65", "IP23", "IP66/IP67"]
    assert log.records["vent"].tolist()[0] == "drain" and len(log.problems) == 0
