"""Text files: encodings, delimiters, quoting and line numbers as people's spreadsheet programs write them."""

import pytest

from tests.log.builders import HEAD, TODAY, row, write_csv
from workbench.errors import LogError
from workbench.log.season_log.reading import read_log

LINE = ",".join(HEAD)
GOOD = "LM-001,2025-03-01,failed,2025-05-01,,2025-06-01,Hollow Wood,cord"


def read_text(tmp_path, data, name="log.csv", **settings):
    path = tmp_path / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
    return read_log(path, settings, today=TODAY)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("name", ["log.csv", "log.tsv", "log.txt"])
def test_the_delimiter_whose_headings_fit_wins_whatever_the_ending(tmp_path, delimiter, name):
    log = read_log(write_csv(tmp_path / name, [row()], delimiter=delimiter), today=TODAY)
    word = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}[delimiter]
    assert log.used == 1 and f"{name}: read as UTF-8, columns separated by {word}." in log.notes


@pytest.mark.parametrize(
    ("encoding", "said"), [("utf-8", "UTF-8"), ("utf-8-sig", "UTF-8"), ("cp1252", "cp1252"), ("utf-16", "UTF-16")]
)
def test_encodings_are_tried_and_said(tmp_path, encoding, said):
    log = read_text(tmp_path, f"{LINE}\n{GOOD.replace('Hollow Wood', 'Höhle – Süd')}\n".encode(encoding))
    assert log.records["site"].tolist() == ["Höhle – Süd"] and log.records["unit_id"].tolist() == ["LM-001"]
    assert f"read as {said}" in log.notes[0]


def test_decimal_commas_stand_in_semicolon_files(tmp_path):
    text = "unit_id;deployed_on;outcome;found_on;elevation_m\nA;2025-03-01;working;2025-04-01;12,5\n"
    assert read_text(tmp_path, text, decimal=",").records["elevation_m"].tolist() == [12.5]


def test_rows_are_numbered_as_the_file_numbers_its_lines(tmp_path):
    above = 'Season log\n\n"a title\nover two lines"\n'
    text = f'{above}{LINE}\n\n{GOOD}\n"LM-002",2025-03-01,failed,,,,"Hollow\nWood",cord\n{GOOD}\n'
    log = read_text(tmp_path, text)
    assert log.ledger["row"].tolist() == [7]
    assert [(p.row, p.field) for p in log.all_problems] == [(8, "outcome"), (10, "unit_id")]
    assert "log.csv: the headings were found in row 5; what stands above is not used." in log.notes


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_line_endings_do_not_matter(tmp_path, ending):
    log = read_text(tmp_path, ending.join([LINE, GOOD, GOOD.replace("LM-001", "LM-002")]))
    assert log.ledger["row"].tolist() == [2, 3]


def test_quotes_hold_delimiters_and_double_quotes(tmp_path):
    log = read_text(tmp_path, f'{LINE},notes\n{GOOD},"bolt 3"", loose"\n')
    assert log.records["notes"].tolist() == ['bolt 3", loose']


def test_one_cell_too_many_in_every_row_is_refused_not_shifted(tmp_path):
    for extra in ("x," + GOOD, GOOD + ","):
        with pytest.raises(
            LogError, match=r"log\.csv: the headings \(row 1\) have 8 cells, row 2 has 9.*may be shifted"
        ):
            read_text(tmp_path, f"{LINE}\n{extra}\n{extra}\n")


def test_one_heading_too_many_is_refused(tmp_path):
    with pytest.raises(
        LogError, match=r"have 9 cells, row 2 has 8, and no row has 9; every heading line has a cell too many"
    ):
        read_text(tmp_path, f"{LINE},\n{GOOD}\n{GOOD}\n")


def test_one_cell_too_many_in_some_rows_sets_those_aside(tmp_path):
    log = read_text(tmp_path, f"{LINE}\n{GOOD}\nLM-002,2025-03-01,failed,2025-05-01,,2025-06-01,Hollow, Wood,cord\n")
    assert (log.rows, log.used) == (2, 1)
    (problem,) = log.all_problems
    assert (
        problem.row == 3
        and "the row has 9 cells and the headings 8" in problem.reason
        and "Hollow |  Wood" in problem.value
    )


def test_short_rows_count_as_not_recorded_and_are_said(tmp_path):
    log = read_text(tmp_path, f"{LINE}\n{GOOD}\nLM-002,2025-03-01,working,2025-05-01\n")
    assert log.used == 2 and any("1 row has fewer cells than headings" in n for n in log.notes)


def test_trailing_blank_rows_and_rows_of_delimiters_do_not_count(tmp_path):
    log = read_text(tmp_path, f"{LINE}\n{GOOD}\n,,,,,,,\n\n   \n , ,,,,,,\n")
    assert (log.rows, log.used) == (1, 1)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "log.csv is empty"),
        (b"\n \n", "log.csv is empty"),
        (b"\xef\xbb\xbf", "log.csv is empty"),
        (LINE.encode(), r"has headings \(row 1\) but no row below them; the log is empty"),
        (f"{LINE}\n,,,,,,,\n".encode(), "but no row below them"),
        (b"unit_id,deployed_on\nA\0B,2025-03-01\n", "line 2 holds a NUL character"),
        (b"\x81\x8d\x8f" * 40, "is neither UTF-8 nor cp1252 text"),
        (b"\x89PNG\r\n\x1a\n\0\0\0", "is no text table: it seems to be a picture"),
        (b"\xff\xd8\xff\xe0\0\x10JFIF", "is no text table: it seems to be a picture"),
        (b"PK\x03\x04whatever", "it seems to be a zip archive, perhaps a workbook"),
        (b"%PDF-1.4 text", "it seems to be a PDF document"),
        (b"a,b,c\n1,2,3\n", r"holds no row with the headings of a log \(first row: 'a', 'b', 'c'\)"),
        (
            ",".join(f"h{i}" for i in range(50)).encode() + b"\n1\n",
            r"first row: 'h0', 'h1', 'h2', 'h3', 'h4' and 45 more",
        ),
        (
            f'{LINE}\n{GOOD}\n"LM-002,2025-03-01\n'.encode(),
            r"line 3: a cell opens with a quotation mark that is never closed",
        ),
        (
            f"{LINE}\n{GOOD.replace('Hollow', chr(34) + 'Hollow')}\n{GOOD}\n".encode(),
            r"line 2: a cell opens with a quotation mark that is never closed",
        ),
        (
            f'{LINE}\n"LM"-2,2025-03-01,,,,,,\n'.encode(),
            "line 2: a quoted cell goes on after its closing quotation mark",
        ),
        (f"{LINE}\n{'x' * 200_000},,,,,,,\n".encode(), "line 2: a cell is longer than 131,072 characters"),
    ],
)
def test_what_is_no_log_is_refused_in_one_sentence(tmp_path, data, message):
    with pytest.raises(LogError, match=message) as caught:
        read_text(tmp_path, data)
    assert "\n" not in str(caught.value) and len(str(caught.value)) < 400


def test_other_endings_are_named(tmp_path):
    for name in ("log.xls", "log.docx", "log"):
        with pytest.raises(LogError, match="a log is a file of"):
            read_text(tmp_path, LINE, name=name)


def test_a_file_open_in_a_spreadsheet_program_is_said(tmp_path):
    (tmp_path / ".~lock.log.csv#").write_text("someone")
    assert any("is open in a spreadsheet program" in n for n in read_text(tmp_path, f"{LINE}\n{GOOD}\n").notes)


def test_a_locked_file_asks_to_be_closed(tmp_path, monkeypatch):
    from pathlib import Path

    path = write_csv(tmp_path / "log.csv", [row()])

    def locked(self):
        raise PermissionError(13, "locked")

    monkeypatch.setattr(Path, "read_bytes", locked)
    with pytest.raises(LogError, match=r"log\.csv cannot be opened; close it in the spreadsheet program"):
        read_log(path, today=TODAY)
