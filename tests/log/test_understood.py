"""What was understood is said: translations, look-alike levels, units of several rows, colours and comments."""

import datetime as dt
import tomllib
from pathlib import Path

import pandas as pd
import pytest

from workbench.cli import main
from workbench.log.adoption import starter_settings
from workbench.log.season_log import read_log, said_first

STRANGERS = Path(__file__).parent / "strangers"
BOOK = STRANGERS / "Season log FINAL v2.xlsx"
TODAY = dt.date(2026, 1, 31)


def frame(**columns):
    rows = len(next(iter(columns.values())))
    return pd.DataFrame(
        {
            "unit_id": [f"U{i}" for i in range(rows)],
            "deployed_on": ["2025-03-01"] * rows,
            "found_on": ["2025-09-01"] * rows,
            "outcome": ["failed"] * rows,
            **columns,
        }
    )


def test_translations_are_listed_with_their_rows():
    log = read_log(
        frame(outcome=["DOA", "dead", "failed", "DOA", "ok"], Gasket=["O ring", "oring", "o_ring", "cord", None]),
        today=TODAY,
    )
    assert log.translations == (
        "outcome: 'DOA' (2 rows), 'dead' (1 row) read as failed",
        "outcome: 'ok' (1 row) read as working",
        "lid_seal: 'O ring' (1 row), 'oring' (1 row) read as o_ring",
    )


def test_levels_that_look_alike_within_the_file_are_named():
    notes = "\n".join(read_log(frame(lid_seal=["cork", "cork", "corc", "epdm x", "cord"]), today=TODAY).notes)
    assert "lid_seal: 'corc' and 'cork' are kept apart (1 row and 2 rows); are they the same?" in notes
    known = "\n".join(read_log(frame(fasteners=["a2", "a2", "a4", "brass", "A2"]), today=TODAY).notes)
    assert "are they the same?" not in known


def test_units_in_several_rows_are_named_with_how_they_were_joined():
    table = frame(unit_id=["A", "B", "A"], found_on=["2025-04-01", "2025-09-01", "2025-09-01"])
    table.loc[2, "deployed_on"] = "2025-04-01"
    notes = "\n".join(read_log(table, today=TODAY).notes)
    assert "1 unit stands in several rows: 'A' (row 1 and row 3); each row is a spell of its own" in notes


def test_colours_and_comments_say_what_a_cell_does_not():
    settings = tomllib.loads(starter_settings(BOOK))
    log = read_log(BOOK, settings, today=TODAY)
    marks = "\n".join([*log.marks, *(said for _, said in log.unsaid_ends)])
    assert "F16 ('Died?'), comment: 'field hand: did not switch on, battery was warm'" in marks
    assert "F16: the row is filled like 25 failed rows, but its outcome is empty" in marks
    assert "F34: the row is filled like 9 working rows, but its outcome is empty" in marks


def test_a_striped_sheet_says_nothing(tmp_path):
    import openpyxl
    from openpyxl.styles import PatternFill

    book = openpyxl.Workbook()
    book.active.append(["unit_id", "deployed_on", "found_on", "outcome"])
    for i in range(20):
        book.active.append([f"U{i}", "2025-03-01", "2025-09-01", "working" if i % 5 == 0 else "failed"])
        for cell in book.active[i + 2] if i % 2 else ():
            cell.fill = PatternFill("solid", fgColor="FFDDDDDD")
    book.save(tmp_path / "log.xlsx")
    assert read_log(tmp_path / "log.xlsx", today=TODAY).marks == ()


@pytest.fixture
def half_lost(tmp_path):
    """Forty units of two seals at two sites, half of them set aside."""
    lines = ["unit_id,site,deployed_on,found_on,outcome,Gasket"]
    for i in range(40):
        found = "2025-09-01" if i < 20 else "soon"
        end = "failed" if i % 3 else "working"
        lines.append(f"U{i},{'north' if i % 4 < 2 else 'south'},2025-03-01,{found},{end},{('cord', 'oring')[i % 2]}")
    path = tmp_path / "log.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def test_rows_set_aside_are_said_before_anything_else(half_lost, capsys):
    first = "20 of 40 rows are set aside and not counted below ('workbench check' says why)."
    assert said_first(read_log(half_lost)) == (first,)
    assert main(["compare", str(half_lost), "--by", "Gasket", "--mission", "90"]) == 0
    assert capsys.readouterr().out.splitlines()[0] == first


def test_a_choice_is_named_by_its_own_heading(half_lost, capsys):
    assert main(["compare", str(half_lost), "--by", "lid_seal", "--mission", "90"]) == 0
    by_name = capsys.readouterr().out
    assert main(["compare", str(half_lost), "--by", "Gasket", "--mission", "90"]) == 0
    assert capsys.readouterr().out == by_name
    assert main(["compare", str(half_lost), "--by", "Gaskett"]) == 2


def test_check_prints_what_was_understood(half_lost, capsys):
    assert main(["check", str(half_lost)]) == 0
    assert "More with --all: words understood, notes." in capsys.readouterr().out
    assert main(["check", str(half_lost), "--all"]) == 0
    said = capsys.readouterr().out
    assert "Words understood\n" in said and "lid_seal: 'oring' (10 rows) read as o_ring" in said
