"""Damaged logs: each is read, or refused in one sentence; no row is lost and every address named exists."""

import zipfile

import pytest

from tests.damage import ODS_HEAD, ODS_TAIL, SECONDS_A_FILE, examine, time_limit, write_damaged
from tests.log.builders import row, write_xlsx
from workbench.errors import LogError, UsageError
from workbench.log.marked import write_marked
from workbench.log.reading import read_log

LOGS, AT_ONCE = 160, 8
ONCE_BROKEN = (2676, 3346, 3379, 20453)


@pytest.mark.parametrize("first", range(0, LOGS, AT_ONCE))
def test_a_damaged_log_is_read_or_refused_in_a_sentence_and_loses_no_row(tmp_path, first):
    """Seeds from 0; thousands more on demand by tests/studies/damage.py."""
    verdicts = []
    for seed in range(first, first + AT_ONCE):
        path, _ = write_damaged(seed, tmp_path)
        with time_limit(SECONDS_A_FILE):
            verdicts.append(examine(path, seed, whole=seed % 4 == 0))
    assert set(verdicts) <= {"read", "unusable", "refused"} and len(verdicts) == AT_ONCE


@pytest.mark.parametrize("seed", ONCE_BROKEN)
def test_a_log_that_once_led_to_a_traceback_does_no_more(tmp_path, seed):
    path, _ = write_damaged(seed, tmp_path)
    with time_limit(SECONDS_A_FILE):
        assert examine(path, seed) in ("read", "unusable", "refused")


def test_the_same_seed_spoils_the_same_way(tmp_path):
    first, second = tmp_path / "one", tmp_path / "two"
    first.mkdir()
    second.mkdir()
    for seed in range(30):
        (one, done), (two, again) = write_damaged(seed, first), write_damaged(seed, second)
        if one.suffix == ".csv":
            assert one.read_bytes() == two.read_bytes() and done == again


@pytest.mark.parametrize(
    "part",
    [
        b'<mergeCells count="1"><mergeCell ref="A1:XFD1048576"/></mergeCells>',
        b"<mergeCells count='1'><mergeCell ref='G2:G900000'/></mergeCells>",
        b'<hyperlinks><hyperlink display="x" ref="A1:XFD1048576" location="x"/></hyperlinks>',
    ],
)
def test_ranges_that_cover_a_whole_sheet_are_refused_at_once(tmp_path, part):
    path = write_xlsx(tmp_path / "log.xlsx", [row("A")])
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    parts[sheet] = parts[sheet].replace(b"</sheetData>", b"</sheetData>" + part)
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    with time_limit(5), pytest.raises(LogError, match=r"log\.xlsx: merged cells or links such as .* unmerge"):
        read_log(path)


def test_a_marked_copy_wider_than_a_workbook_is_refused_in_a_sentence(tmp_path):
    path = tmp_path / "wide.csv"
    path.write_text(
        f"unit_id,deployed_on,outcome,found_on{',x' * 17_000}\nA,2025-03-01,working,2025-09-01{',' * 17_000}\n"
    )
    with pytest.raises(UsageError, match=r"wide\.csv has 2 rows and 17,004 columns, more than a workbook holds"):
        write_marked(path, read_log(path), tmp_path / "marked.xlsx")


def test_an_opendocument_row_past_the_last_column_is_refused_at_once(tmp_path):
    blanks = '<table:table-cell table:number-columns-repeated="20000"/>' * 5000
    head = "".join(
        f'<table:table-cell office:value-type="string"><text:p>{h}</text:p></table:table-cell>'
        for h in ("unit_id", "deployed_on", "outcome", "found_on")
    )
    path = tmp_path / "wide.ods"
    for last, refused in (("<table:table-cell/>", False), (head, True)):
        rows = f"<table:table-row>{head}{blanks}{last}</table:table-row>"
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("content.xml", f"{ODS_HEAD}{rows}{ODS_TAIL}")
        with time_limit(5), pytest.raises(LogError) as caught:
            read_log(path)
        assert ("past column 16,384" in str(caught.value)) == refused
