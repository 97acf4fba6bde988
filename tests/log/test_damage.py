"""Damaged logs: each is read, or refused in one sentence; no row is lost and every address named exists."""

import re
import zipfile

import numpy as np
import pandas as pd
import pytest

from tests.damage import SECONDS_A_FILE, examine, examine_settings, time_limit
from tests.log.builders import row, write_csv, write_xlsx
from tests.spoiling import SETTINGS_DAMAGE
from tests.spoilt_files import FORMATS, ODS_HEAD, ODS_TAIL, write_damaged, write_damaged_settings
from workbench.errors import LogError, SettingsError, UsageError
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log.reading import read_log
from workbench.log.writing.marked import write_marked

LOGS, AT_ONCE = 500, 25


@pytest.mark.slow
@pytest.mark.parametrize("first", range(0, LOGS, AT_ONCE))
def test_a_damaged_log_is_read_or_refused_in_a_sentence_and_loses_no_row(tmp_path, first):
    """Seeds from 0; thousands more on demand by tests/studies/damage.py. A fifth goes through every output of a log."""
    verdicts = []
    for seed in range(first, first + AT_ONCE):
        path, _ = write_damaged(seed, tmp_path)
        with time_limit(SECONDS_A_FILE):
            verdicts.append(examine(path, seed, whole=seed % 5 == 0))
    assert set(verdicts) <= {"read", "unusable", "refused"} and len(verdicts) == AT_ONCE


@pytest.mark.parametrize("first", range(0, 200, 50))
def test_damaged_settings_are_read_or_refused_in_a_sentence(tmp_path, first):
    for seed in range(first, first + 50):
        with time_limit(5):
            assert examine_settings(write_damaged_settings(seed, tmp_path)) in ("read", "refused")


def test_the_same_seed_spoils_the_same_way_and_every_kind_of_file_occurs(tmp_path):
    first, second = tmp_path / "one", tmp_path / "two"
    first.mkdir()
    second.mkdir()
    kinds = set()
    for seed in range(60):
        (one, done), (two, again) = write_damaged(seed, first), write_damaged(seed, second)
        kinds.add(done.rpartition(" ")[2])
        if one.suffix == ".csv":
            assert one.read_bytes() == two.read_bytes() and done == again
    assert kinds == set(FORMATS)
    chance = np.random.default_rng(0)
    assert all(damage('a = "b"\n[c]', chance).count("\n") >= 1 for damage in SETTINGS_DAMAGE)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("season = " + "[" * 3000, "brackets stand too deep in each other"),
        ("season = " + "9" * 5000, "is no valid TOML: .*digits"),
        ('date_format = "%d/%d/%m/%Y"', "must hold day, month and year in strptime notation"),
        ("mission_days = 0x" + "f" * 5000, "1 to 36,500; got a int too long to show"),
        ("mission_days = 36501", "whole number of days of 1 to 36,500; got 36501"),
        ("season = 0x" + "f" * 5000, "season must be a text in quotes"),
        ("[levels.lid_seal.cost]\ncord = 0x" + "f" * 5000, "money of at most 1,000,000,000,000; got a int too long"),
        ("x" * 5000 + " = 1", r"unknown key 'x{119}…"),
        ('[levels."a\\nb"]\nwords = 1', r"levels, 'a\\nb'.words must be a table"),
    ],
)
def test_settings_that_once_led_to_a_traceback_or_a_page_of_text_are_refused_in_a_sentence(tmp_path, text, message):
    path = tmp_path / "season.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=message) as caught:
        read_settings(path)
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 500


@pytest.mark.parametrize("source", [5, b"season.toml", ["season.toml"], "x" * 5000, "\0.toml"], ids=type)
def test_what_can_be_no_settings_file_is_refused_in_a_sentence(source):
    with pytest.raises(SettingsError):
        read_settings(source)


@pytest.mark.parametrize(
    "settings",
    [
        {"season": "20\ud800"},
        {"missing_words": ["\udfff"]},
        {"levels": {"lid_seal": {"words": {"\ud800": "cord"}}}},
        {"levels": {"lid_seal": {"cost": {"\ud800": 1}}}},
        {"action": [{"what": "\ud83d"}]},
    ],
)
def test_half_a_character_in_settings_is_refused_since_no_output_could_hold_it(settings):
    with pytest.raises(SettingsError, match="half a character"):
        read_settings(settings)


def test_a_name_too_long_for_a_file_is_refused_in_a_sentence():
    with pytest.raises(UsageError, match=r"cannot be opened .*; check the path"):
        read_log("x" * 5000)


def test_a_table_with_half_a_character_or_a_number_of_thousands_of_digits_is_read(tmp_path):
    """No file can hold a lone surrogate, yet a text in memory can."""
    frame = pd.DataFrame([row("A\ud800"), row("B", outcome="\udfff"), row(10**5000)])
    log = read_log(frame)
    assert log.rows == 3 and log.used == 1
    log.set_aside.to_csv(tmp_path / "list.csv")
    assert "far too large" in " ".join(log.set_aside["reason"])


@pytest.mark.parametrize(("typed", "day"), [("20251101", "2025-11-01"), ("2025111", None), ("２０２５１１０１", None)])
def test_digits_in_a_row_are_a_date_only_when_they_can_be_cut_in_one_way(tmp_path, typed, day):
    """With the eighth digit missing, "2025111" may be 1 November or 11 January."""
    frame = pd.DataFrame([row("A", outcome="working", deployed_on=typed, found_on="20251201")])
    log = read_log(frame, {"date_format": "%Y%m%d"})
    assert [str(d)[:10] for d in log.records["deployed_on"]] == ([day] if day else [])


@pytest.mark.parametrize("mark", ["\ufffe", "\uffff"])
def test_what_is_no_character_reaches_no_workbook(tmp_path, mark):
    """XML 1.0, section 2.2: U+FFFE and U+FFFF are no characters; a marked copy with them could not be written."""
    path = write_csv(tmp_path / "log.csv", [row(f"A{mark}"), row("B", outcome=f"x{mark}")])
    for source in (path, pd.read_csv(path)):
        log = read_log(source)
        assert mark not in "".join([*log.records["unit_id"], *log.problems["value"]])
    assert write_marked(path, read_log(path), tmp_path / "marked.xlsx").is_file()


def test_a_workbook_with_a_row_below_the_first_is_damage(tmp_path):
    path = write_xlsx(tmp_path / "log.xlsx", [row("A"), row("B")])
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    parts[sheet] = re.sub(rb' r="[A-Z]+3"', b"", parts[sheet]).replace(b'<row r="3"', b'<row r="-4"')
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    with pytest.raises(LogError, match=r"log\.xlsx is damaged"):
        read_log(path)


@pytest.mark.parametrize("repeat", ["0", "-3", "x"])
@pytest.mark.parametrize("what", ["rows-repeated", "columns-repeated", "rows-spanned", "columns-spanned"])
def test_an_opendocument_count_that_is_none_is_damage(tmp_path, what, repeat):
    tag = "row" if what.startswith("rows-r") else "cell"
    rows = "<table:table-row><table:table-cell/></table:table-row>"
    rows = rows.replace(f"<table:table-{tag}", f'<table:table-{tag} table:number-{what}="{repeat}"', 1)
    path = tmp_path / "log.ods"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("content.xml", f"{ODS_HEAD}{rows}{ODS_TAIL}")
    with pytest.raises(LogError, match=r"log\.ods cannot be read as an OpenDocument spreadsheet \(damaged"):
        read_log(path)


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
