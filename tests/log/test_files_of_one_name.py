"""Two files of one name in different folders: rows are known by the number of their file."""

import datetime as dt

import openpyxl

from tests.log.builders import row, write_csv, write_xlsx
from tests.log.test_reading import read, reconciles


def test_two_files_of_one_name_keep_their_rows_apart(tmp_path):
    """Rows are known by the number of their file: the name is for reading, told apart by its folder."""
    paths = []
    for folder in ("north", "south"):
        (tmp_path / folder).mkdir()
        mark = folder[0].upper()
        rows = [row(f"{mark}1"), row(f"{mark}2"), row(f"{mark}3", found_on="31/02/2025", last_good_on="")]
        visits = [{"unit_id": f"{mark}{n}", "visited_on": dt.date(2025, 5, 10), "state": "working"} for n in (1, 2)]
        rows[0]["last_good_on"] = rows[1]["last_good_on"] = ""
        book = openpyxl.Workbook()
        sheet = book.create_sheet("Visits")
        for line in [list(visits[0]), *(list(v.values()) for v in visits)]:
            sheet.append(line)
        paths.append(write_xlsx(tmp_path / folder / "log.xlsx", rows, book=book))
    log = read(paths)
    assert log.records["unit_id"].tolist() == ["N1", "N2", "S1", "S2"]
    assert [name for name, _ in log.files] == ["north/log.xlsx", "south/log.xlsx"]
    assert log.records["source"].tolist() == ["north/log.xlsx"] * 2 + ["south/log.xlsx"] * 2
    assert (log.rows, log.used, log.rows_set_aside) == (6, 4, 2) and reconciles(log)
    assert [p.source for p in log.all_problems] == ["north/log.xlsx", "south/log.xlsx"]
    assert log.address(2, "unit_id").full.startswith("south/log.xlsx") and log.address(2, "").row_key == (1, "Log", 2)


def test_a_refused_date_of_opening_touches_its_own_file_only(tmp_path):
    paths = []
    for folder, opened in (("north", "2025-02-01"), ("south", "2025-07-01")):
        (tmp_path / folder).mkdir()
        rows = [row(f"{folder}-1", opened_on=opened, mechanism="water_ingress", condition_found="wet")]
        paths.append(write_csv(tmp_path / folder / "log.csv", rows))
    log = read(paths)
    early = [p.source for p in log.all_problems if p.field == "opened_on"]
    assert early == ["north/log.csv"]
    alone = read(paths[0]).records["opened_on"].notna().tolist()
    assert log.records["opened_on"].notna().tolist() == [*alone, True]
