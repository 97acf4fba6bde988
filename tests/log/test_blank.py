"""The blank log: what it offers, and a round trip from blank through filling in to reading."""

import datetime as dt

import openpyxl
import pytest

from tests.log.builders import TODAY
from workbench.errors import UsageError
from workbench.filing import MANIFEST
from workbench.log.dictionary.columns import log_columns
from workbench.log.season_log.reading import read_log
from workbench.log.writing.blank import EXAMPLE, write_blank


def test_blank_has_headings_comments_dropdowns_and_a_frozen_header(tmp_path):
    book = openpyxl.load_workbook(write_blank(tmp_path / "season.xlsx"))
    assert book.sheetnames == ["Log", "Visits", "Columns", "Words"] and book["Words"].sheet_state == "hidden"
    sheet = book["Log"]
    heads = {cell.value: cell for cell in sheet[1]}
    assert list(heads) == [c.name for c in log_columns()] and sheet.freeze_panes == "B2"
    assert "in m." in heads["elevation_m"].comment.text and "in days." in heads["days_wet_before_opening"].comment.text
    assert "Only words: failed, working, missing, withdrawn." in heads["outcome"].comment.text
    assert all(cell.comment for cell in heads.values())
    rules = {str(r.sqref).split("2:")[0]: r for r in sheet.data_validations.dataValidation}
    outcome = rules[heads["outcome"].column_letter]
    assert outcome.showErrorMessage and not rules[heads["lid_seal"].column_letter].showErrorMessage
    first, last = outcome.formula1.removeprefix("=Words!").replace("$", "").split(":")
    assert [c.value for (c,) in book["Words"][first:last]] == ["failed", "working", "missing", "withdrawn"]
    assert rules[heads["found_on"].column_letter].type == "date"


def test_every_column_is_explained(tmp_path):
    book = openpyxl.load_workbook(write_blank(tmp_path / "season.xlsx"))
    explained = {}
    for line in book["Columns"].iter_rows():
        explained.setdefault(line[0].value, line)
    for column in log_columns():
        assert explained[column.name][4].value == column.meaning
    assert "visited_on" in explained


def test_the_example_is_in_the_invented_scenario_and_never_counts(tmp_path):
    path = write_blank(tmp_path / "season.xlsx")
    assert set(EXAMPLE) <= {c.name for c in log_columns()}
    log = read_log(path, today=TODAY)
    assert (log.rows, log.used) == (1, 0)
    assert [p.reason for p in log.all_problems if p.scope == "row"] == ["this is the example row of the blank log"]


def test_the_example_would_be_a_valid_row_were_it_not_marked(tmp_path):
    path = write_blank(tmp_path / "season.xlsx")
    book = openpyxl.load_workbook(path)
    for name in ("Log", "Visits"):
        book[name]["A2"] = "LM-001"
    book.save(path)
    log = read_log(path, today=TODAY)
    assert (log.rows, log.used) == (1, 1) and log.problems.empty
    assert log.ledger[["lower", "upper"]].to_numpy().tolist() == [[80, 109]]  # 14 March to 2 June and to 1 July


def test_blank_filled_in_and_read_back_gives_what_was_typed(tmp_path):
    path = write_blank(tmp_path / "season.xlsx")
    book = openpyxl.load_workbook(path)
    sheet = book["Log"]
    place = {cell.value: cell.column for cell in sheet[1]}
    typed = [
        {"unit_id": "00123", "site": "NA", "outcome": "failed", "found_on": dt.date(2025, 6, 1), "lid_seal": "o_ring",
         "tide_line": "yes"},
        {"unit_id": "LM-2", "site": "Upper Tarn", "outcome": "working", "found_on": dt.date(2025, 9, 1),
         "lid_seal": "home made"},
    ]  # fmt: skip
    for number, one in enumerate(typed, start=3):
        for name, value in (one | {"deployed_on": dt.date(2025, 3, 1), "elevation_m": 2.5}).items():
            sheet.cell(number, place[name], value)
    book.save(path)
    log = read_log(path, today=TODAY)
    assert (log.rows, log.used) == (3, 2) and log.ledger["row"].tolist() == [3, 4]
    records = log.records
    assert records["unit_id"].tolist() == ["00123", "LM-2"] and records["site"].tolist() == ["NA", "Upper Tarn"]
    assert records["lid_seal"].tolist() == ["o_ring", "home made"] and records["elevation_m"].tolist() == [2.5, 2.5]
    assert records["tide_line"].tolist()[0] == "yes" and log.ledger["lower"].tolist() == [0, 184]


def test_settings_add_columns_and_words(tmp_path):
    settings = {
        "roles": {"protection": ["=lid colour"], "ignore": ["firmware"]},
        "levels": {"lid_seal": {"words": {"x": "home_made"}}},
    }
    book = openpyxl.load_workbook(write_blank(tmp_path / "season.xlsx", settings))
    heads = [cell.value for cell in book["Log"][1]]
    assert "lid_colour" in heads and "firmware" not in heads
    assert any("home_made" in str(cell.value) for row in book["Words"].iter_rows() for cell in row)


def test_blank_never_writes_over_a_file_nor_half_a_file(tmp_path):
    path = write_blank(tmp_path / "season.xlsx")
    path.write_bytes(filled := path.read_bytes() + b" ")
    with pytest.raises(UsageError, match="was changed since it was written"):
        write_blank(path)
    assert path.read_bytes() == filled
    with pytest.raises(UsageError, match=r"must end in \.xlsx"):
        write_blank(tmp_path / "season.csv")
    with pytest.raises(UsageError, match="there is no folder"):
        write_blank(tmp_path / "none" / "season.xlsx")
    assert sorted(p.name for p in tmp_path.iterdir()) == [MANIFEST, "season.xlsx"]
