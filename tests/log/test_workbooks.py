"""Workbooks: true values, formulas, merged and hidden cells, the sheet that fits, and files that are something else."""

import datetime as dt
import re
import zipfile

import openpyxl
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from tests.log.builders import HEAD, TODAY, row, write_xlsx
from workbench.errors import LogError, SettingsError
from workbench.log.season_log.reading import read_log
from workbench.log.sources import workbooks


def true_row(unit="LM-001", outcome="failed", **more):
    plain = {k: dt.date.fromisoformat(v) if k.endswith("_on") and v else v for k, v in row(unit, outcome).items()}
    return plain | more


def read(path, **settings):
    return read_log(path, settings, today=TODAY)


def test_true_dates_and_cells_by_their_names(tmp_path):
    rows = [
        true_row("A"),
        true_row("B", found_on="31/02/2026"),
        true_row("C", last_good_on=dt.datetime(2025, 5, 1, 14, 30)),
    ]
    log = read(write_xlsx(tmp_path / "log.xlsx", rows))
    assert log.ledger["lower"].tolist() == [61, 61] and log.ledger["row"].tolist() == [2, 4]
    (problem,) = log.all_problems
    assert (problem.sheet, problem.cell, problem.column, problem.value) == ("Log", "F3", "found_on", "31/02/2026")
    assert any("time of day dropped in 'last_good_on' (1 cell)" in n for n in log.notes)


def test_a_bare_number_in_a_date_column_is_not_a_date(tmp_path):
    log = read(write_xlsx(tmp_path / "log.xlsx", [true_row("A", found_on=46000), true_row("B")]))
    assert log.used == 1 and "is a bare number" in log.all_problems[0].reason and log.all_problems[0].cell == "F2"


def test_dates_counted_from_1904_are_right_and_said(tmp_path):
    book = openpyxl.Workbook()
    book.epoch = CALENDAR_MAC_1904
    log = read(write_xlsx(tmp_path / "log.xlsx", [true_row("A"), true_row("B", found_on=44538)], book=book))
    assert log.ledger["lower"].tolist() == [61] and any("counts dates from 1904" in n for n in log.notes)
    assert "is a bare number" in log.all_problems[0].reason


def test_numbers_keep_the_zeros_that_their_format_shows(tmp_path):
    def zeros(sheet):
        sheet["A2"].number_format = "00000"

    log = read(write_xlsx(tmp_path / "log.xlsx", [true_row(123), true_row(124.0, "working")], change=zeros))
    assert log.records["unit_id"].tolist() == ["00123", "124"]


def test_a_formula_without_a_stored_value_is_missing_and_named(tmp_path):
    rows = [true_row("A", found_on="=D2+30"), true_row("B", elevation_m="=1+1"), true_row("C")]
    log = read(write_xlsx(tmp_path / "log.xlsx", rows))
    assert [(p.cell, p.scope) for p in log.all_problems] == [("F2", "row"), ("I3", "value")]
    assert all("is a formula without a stored value" in p.reason for p in log.all_problems)
    assert log.all_problems[0].value == "=D2+30"


def test_a_formula_with_a_stored_value_is_that_value(tmp_path):
    path = write_xlsx(tmp_path / "log.xlsx", [true_row("A", lid_seal="=T(1)")])
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    parts[sheet] = re.sub(
        rb'<c r="H2"><f>T\(1\)</f><v ?(/>|></v>)', b'<c r="H2" t="str"><f>T(1)</f><v>cord</v>', parts[sheet]
    )
    assert b"<v>cord</v>" in parts[sheet]
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    log = read(path)
    assert log.used == 1 and log.records["lid_seal"].tolist() == ["cord"] and log.problems.empty


def test_error_values_are_named(tmp_path):
    def broken(sheet):
        sheet["F2"].value, sheet["F2"].data_type = "#REF!", "e"

    log = read(write_xlsx(tmp_path / "log.xlsx", [true_row("A"), true_row("B")], change=broken))
    assert "holds the error value #REF!" in log.all_problems[0].reason and log.used == 1


def test_a_merged_cells_value_holds_for_all_it_covers_and_is_said(tmp_path):
    def merge(sheet):
        sheet.merge_cells("G2:G4")

    rows = [true_row("A", site="Upper Tarn"), true_row("B", site=None), true_row("C", site=None)]
    log = read(write_xlsx(tmp_path / "log.xlsx", rows, change=merge))
    assert log.records["site"].tolist() == ["Upper Tarn"] * 3
    assert any("merged cells G2:G4; the value holds for every cell" in n for n in log.notes)


@pytest.mark.slow
def test_a_range_merged_far_past_the_log_makes_no_rows(tmp_path):
    def merge(sheet):
        sheet.merge_cells("G2:G50000")

    log = read(
        write_xlsx(tmp_path / "log.xlsx", [true_row("A", site="Upper Tarn"), true_row("B", site=None)], change=merge)
    )
    assert log.rows == 2 and log.records["site"].tolist() == ["Upper Tarn"] * 2


def test_hidden_rows_are_used_and_said(tmp_path):
    def hide(sheet):
        sheet.row_dimensions[3].hidden = True

    log = read(write_xlsx(tmp_path / "log.xlsx", [true_row("A"), true_row("B")], change=hide))
    assert log.used == 2 and any("1 hidden row was read like the others" in n for n in log.notes)


def test_titles_above_the_headings_and_a_stray_format_far_below(tmp_path):
    def stray(sheet):
        sheet["A1048576"].number_format = "0.00"

    path = write_xlsx(
        tmp_path / "log.xlsx",
        [true_row("A")],
        above=[["Season 2025"], [], ["put together by three people"]],
        change=stray,
    )
    log = read(path)
    assert log.ledger["row"].tolist() == [5] and log.rows == 1


def test_the_sheet_that_fits_best_is_taken_and_said(tmp_path):
    book = openpyxl.Workbook()
    book.create_sheet("Read me").append(["How to fill in the log"])
    costs = book.create_sheet("Costs")
    costs.append(["unit_id", "unit_cost"])
    costs.append(["A", 3])
    log = read(write_xlsx(tmp_path / "log.xlsx", [true_row("A")], book=book))
    assert log.used == 1 and "log.xlsx: the log is on sheet 'Log' (not read: 'Read me', 'Costs')." in log.notes
    book = openpyxl.Workbook()
    book.create_sheet("Read me").append(["How to fill in the log"])
    log = read(write_xlsx(tmp_path / "two.xlsx", [true_row("A")], book=book))
    assert "two.xlsx: the log is on sheet 'Log' (not read: 'Read me')." in log.notes
    assert not any(
        "the log is on sheet" in note for note in read(write_xlsx(tmp_path / "one.xlsx", [true_row("A")])).notes
    )


def test_sheets_that_fit_equally_well_ask_for_one(tmp_path):
    book = openpyxl.Workbook()
    other = book.create_sheet("2024")
    other.append(list(HEAD))
    other.append([true_row("B").get(n) for n in HEAD])
    path = write_xlsx(tmp_path / "log.xlsx", [true_row("A")], title="2025", book=book)
    with pytest.raises(
        LogError,
        match=r"the sheets '2025' and '2024' fit a log equally well; name one in the settings, such as sheet = '2025'",
    ):
        read(path)
    assert read(path, sheet="2024").records["unit_id"].tolist() == ["B"]
    with pytest.raises(
        SettingsError, match=r"has no sheet '2026' with any content; did you mean '202\d'.*there are: 2025, 2024"
    ):
        read(path, sheet="2026")


def test_a_hidden_sheet_is_read_and_said(tmp_path):
    def hide(sheet):
        sheet.parent.create_sheet("Front").append(["hello"])
        sheet.sheet_state = "hidden"

    assert any(
        "sheet 'Log' is hidden and was read" in n
        for n in read(write_xlsx(tmp_path / "log.xlsx", [true_row()], change=hide)).notes
    )


def test_values_to_the_right_of_the_headings_are_said(tmp_path):
    def scribble(sheet):
        sheet["J2"] = "ask about this one"

    log = read(write_xlsx(tmp_path / "log.xlsx", [true_row("A")], change=scribble))
    assert log.used == 1 and any("column J has values but no heading" in n for n in log.notes)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", r"log\.xlsx is empty"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), r"is not what its ending \.xlsx says: it seems to be a picture"),
        (b"\xd0\xcf\x11\xe0" + bytes(100), "a workbook of the old .xls kind, or one protected by a password"),
        (b"unit_id,outcome\n", "it seems to be something else"),
        (b"PK\x03\x04" + bytes(100), "is damaged and cannot be opened as a workbook"),
    ],
)
def test_files_that_are_something_else_are_refused(tmp_path, data, message):
    path = tmp_path / "log.xlsx"
    path.write_bytes(data)
    with pytest.raises(LogError, match=message) as caught:
        read(path)
    assert "\n" not in str(caught.value)


def test_an_archive_without_a_workbook_and_an_empty_workbook_are_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "odd.xlsx", "w") as archive:
        archive.writestr("hello.txt", "hello")
    with pytest.raises(LogError, match="cannot be read as a workbook"):
        read(tmp_path / "odd.xlsx")
    openpyxl.Workbook().save(tmp_path / "empty.xlsx")
    with pytest.raises(LogError, match=r"empty\.xlsx is empty"):
        read(tmp_path / "empty.xlsx")


def test_a_workbook_that_expands_too_far_is_refused(tmp_path, monkeypatch):
    path = write_xlsx(tmp_path / "log.xlsx", [true_row()])
    monkeypatch.setattr(workbooks, "MOST_EXPANDED_BYTES", 2_000)
    with pytest.raises(LogError, match=r"expands to .* MB, over the limit"):
        read(path)


def test_a_workbook_that_expands_as_no_log_does_is_refused(tmp_path):
    with (
        zipfile.ZipFile(tmp_path / "bomb.xlsx", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as part,
    ):
        for _ in range(50_000):
            part.write(b"<row r='1'><c r='A1' t='s'><v>0</v></c></row>" * 10)
    with pytest.raises(LogError, match=r"expands to \d\d MB, \d+ times its size, which no log does; delete empty rows"):
        read(tmp_path / "bomb.xlsx")


def test_a_large_log_of_few_words_expands_as_a_log_does(tmp_path):
    rows = [true_row(f"LM-{number:05}", "working") for number in range(3_000)]
    path = write_xlsx(tmp_path / "log.xlsx", rows)
    with zipfile.ZipFile(path) as archive:
        expanded = sum(info.file_size for info in archive.infolist())
    assert expanded < workbooks._MOST_FOLD / 2 * path.stat().st_size


def test_the_limit_is_100_megabytes(tmp_path):
    with (
        zipfile.ZipFile(tmp_path / "bomb.xlsx", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
        archive.open("xl/workbook.xml", "w", force_zip64=True) as part,
    ):
        for _ in range(101):
            part.write(bytes(1_000_000))
    assert (tmp_path / "bomb.xlsx").stat().st_size < 2_000_000
    with pytest.raises(LogError, match=r"bomb\.xlsx expands to 101 MB, over the limit of 100 MB"):
        read(tmp_path / "bomb.xlsx")
