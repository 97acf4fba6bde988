"""The marked copy: bad cells filled and commented, the log itself untouched."""

import openpyxl
import pytest

from tests.log.builders import TODAY, row, write_csv, write_xlsx
from workbench.errors import UsageError
from workbench.log.rules.problems import PROBLEM_COLUMNS
from workbench.log.season_log.reading import read_log
from workbench.log.writing.marked import write_marked
from workbench.log.writing.sheetwriting import put


def marked(tmp_path, path, name="marked.xlsx"):
    log = read_log(path, today=TODAY)
    return openpyxl.load_workbook(write_marked(path, log, tmp_path / name)), log


def comments(sheet):
    return {c.coordinate: c.comment.text for line in sheet.iter_rows() for c in line if c.comment}


ROWS = [row("A"), row("B", last_good_on="2025-07-01"), row("C", enclosure_rating="IP99"), row("D", outcome="")]


def test_a_workbook_is_copied_with_bad_cells_filled_and_commented(tmp_path):
    book = openpyxl.Workbook()
    book.create_sheet("Remarks").append(["=1+1", "keep me"])
    path = write_xlsx(tmp_path / "log.xlsx", ROWS, book=book, above=[["Season 2025"]])
    before = path.read_bytes()
    copy, log = marked(tmp_path, path)
    assert copy.sheetnames == ["Log", "Remarks", "Set aside"] and path.read_bytes() == before
    said = comments(copy["Log"])
    assert set(said) == {"F4", "D4", "I5", "C6"}
    assert said["F4"].startswith("found_on 2025-06-01 (F4) is before last_good_on 2025-07-01 (D4). To do: correct")
    assert said["D4"].startswith("See F4: ") and "IP99" in said["I5"] and "still out?" in said["C6"]
    assert copy["Log"]["F4"].fill.start_color.rgb.endswith("F4B6B0") and copy["Log"][
        "I5"
    ].fill.start_color.rgb.endswith("FFE7A3")
    assert copy["Remarks"]["A1"].value == "=1+1" and copy["Log"]["A3"].value == "A"
    listed = list(copy["Set aside"].iter_rows(values_only=True))
    assert listed[0] == PROBLEM_COLUMNS and len(listed) == 1 + len(log.problems)


def test_a_marked_copy_can_be_corrected_and_read_again(tmp_path):
    copy, _ = marked(tmp_path, write_xlsx(tmp_path / "log.xlsx", ROWS))
    sheet = copy["Log"]
    sheet["C5"], sheet["F5"], sheet["D3"], sheet["I4"] = "working", "2025-06-01", "2025-05-01", "IP67"
    copy.save(tmp_path / "marked.xlsx")
    again, log = marked(tmp_path, tmp_path / "marked.xlsx", "twice.xlsx")
    assert log.used == 4 and log.problems.empty and again.sheetnames.count("Set aside") == 1


def test_a_text_log_is_rebuilt_line_by_line_and_text_stays_text(tmp_path):
    path = write_csv(tmp_path / "log.csv", [row("=1+1", notes="@cmd"), *ROWS[1:]], above=["a title", ""])
    copy, _ = marked(tmp_path, path)
    sheet = copy["log.csv"]
    assert set(comments(sheet)) == {"F5", "D5", "J6", "C7"}
    assert sheet["A4"].value == "=1+1" and sheet["A4"].data_type == "s" and sheet["I4"].data_type == "s"


def test_rows_of_a_columnar_file_stand_one_lower(tmp_path):
    import pandas as pd

    pd.DataFrame([row("A"), row("B", outcome="")]).to_parquet(tmp_path / "log.parquet")
    copy, _ = marked(tmp_path, tmp_path / "log.parquet")
    assert list(comments(copy["log.parquet"])) == ["C3"]


def test_several_files_get_a_sheet_each(tmp_path):
    one, two = write_csv(tmp_path / "a.csv", [row("A")]), write_csv(tmp_path / "b.csv", [row("A")])
    log = read_log([one, two], today=TODAY)
    copy = openpyxl.load_workbook(write_marked([one, two], log, tmp_path / "marked.xlsx"))
    assert copy.sheetnames == ["a.csv", "b.csv", "Set aside"] and list(comments(copy["b.csv"])) == ["A2"]


def test_a_problem_in_a_merged_cell_is_marked_on_its_first_cell(tmp_path):
    def merge(sheet):
        sheet.merge_cells("F2:F3")

    path = write_xlsx(tmp_path / "log.xlsx", [row("A", found_on="soon"), row("B")], change=merge)
    copy, log = marked(tmp_path, path)
    assert len(log.problems) == 2 and list(comments(copy["Log"])) == ["F2"]


def test_the_log_itself_is_never_written_over(tmp_path):
    path = write_xlsx(tmp_path / "log.xlsx", ROWS)
    log, before = read_log(path, today=TODAY), path.read_bytes()
    for target in (path, tmp_path / "." / "log.xlsx"):
        with pytest.raises(UsageError, match="is read by this command and is never replaced"):
            write_marked(path, log, target)
    with pytest.raises(UsageError, match=r"must end in \.xlsx"):
        write_marked(path, log, tmp_path / "marked.csv")
    assert path.read_bytes() == before and [p.name for p in tmp_path.iterdir()] == ["log.xlsx"]


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-2", "@SUM(A1)", "=cmd|' /C calc'!A0", "a\x00b\x07", "#REF!", "x" * 40_000]
)
def test_text_is_written_as_text(text):
    cell = openpyxl.Workbook().active["A1"]
    put(cell, text)
    assert cell.data_type == "s" and len(cell.value) <= 32_767 and "\x07" not in cell.value
    put(cell, -2)
    assert cell.data_type == "n"
