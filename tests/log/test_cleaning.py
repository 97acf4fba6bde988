"""Cells to values: nothing is guessed, everything refused says why and what to do."""

import datetime as dt

import pytest

from workbench.log.cells.sheets import Flaw
from workbench.log.dictionary.columns import Column, log_columns
from workbench.log.dictionary.settings import read_settings
from workbench.log.rules.cleaning import INVISIBLE, TIME_DROPPED, clean, tidy

COLUMNS = {c.name: c for c in log_columns()}


def cleaned(cell, column, **settings):
    return clean(cell, COLUMNS[column], read_settings(settings))


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        ("2025-03-01", (2025, 3, 1)),
        (" 2025-03-01\u00a0", (2025, 3, 1)),
        (dt.date(2025, 3, 1), (2025, 3, 1)),
        (dt.datetime(2025, 3, 1), (2025, 3, 1)),
        ("2024-02-29", (2024, 2, 29)),
    ],
)
def test_iso_text_and_true_dates_are_dates(cell, day):
    assert cleaned(cell, "found_on") == (dt.date(*day), None, "")


@pytest.mark.parametrize(
    "cell",
    [
        "2025-03-01T23:30:00+02:00",
        "2025-03-01 14:05",
        "2025-03-01T14:05Z",
        "2025-03-01T14:05:06.123",
        dt.datetime(2025, 3, 1, 23, 59),
    ],
)
def test_times_of_day_are_dropped_to_the_day_as_written_and_said(cell):
    assert cleaned(cell, "found_on") == (dt.date(2025, 3, 1), None, TIME_DROPPED)


@pytest.mark.parametrize(
    "cell", ["05/09/2026", "13/09/2026", "1.3.25", "2025-3-1", "March 2025", "20250301T1200", "2025/03/01"]
)
def test_dates_in_other_forms_are_refused_unless_declared(cell):
    found = cleaned(cell, "found_on")
    assert found.value is None and "day and month are never guessed" in found.refusal.reason
    assert "date_format" in found.refusal.advice


def test_the_declared_form_is_taken_and_iso_still_is():
    declared = {"date_format": "%d/%m/%Y"}
    assert cleaned("05/09/2026", "found_on", **declared).value == dt.date(2026, 9, 5)
    assert cleaned("2026-09-07", "found_on", **declared).value == dt.date(2026, 9, 7)
    assert (
        "'09/13/2026' is no date of the form %d/%m/%Y" in cleaned("09/13/2026", "found_on", **declared).refusal.reason
    )
    assert cleaned("31/02/2026", "found_on", **declared).value is None


@pytest.mark.parametrize(
    ("cell", "day"), [("20251101", dt.date(2025, 11, 1)), ("2025111", None), ("2025-11-01", dt.date(2025, 11, 1))]
)
def test_digits_in_a_row_are_a_date_only_in_full(cell, day):
    """2025111 may be the first of November or the eleventh of January."""
    assert cleaned(cell, "found_on", date_format="%Y%m%d").value == day


@pytest.mark.parametrize(("year", "known"), [(1949, False), (1950, True), (2200, True), (2201, False)])
def test_years_no_log_can_hold_are_surely_mistyped(year, known):
    found = cleaned(f"{year}-06-01", "found_on")
    assert (found.value is not None) == known
    assert known or "surely mistyped" in found.refusal.reason


@pytest.mark.parametrize("cell", ["46000", 46000, 46000.5, "45719,25"])
def test_a_spreadsheets_count_of_days_is_never_turned_into_a_date(cell):
    assert "is a bare number, perhaps a spreadsheet's count of days" in cleaned(cell, "found_on").refusal.reason


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("2025-02-30", "there is no such day"),
        ("soon", "'soon' is no date"),
        ("0025-03-01", "a date of the year 25, surely mistyped"),
        (dt.date(1900, 1, 1), "a date of the year 1900, surely mistyped"),
        (True, "'TRUE' is no date"),
        (Flaw("=A1+3", "is a formula without a stored value", "save it"), "is a formula without a stored value"),
    ],
)
def test_other_dates_are_refused_with_the_reason(cell, reason):
    found = cleaned(cell, "found_on")
    assert found.value is None and reason in found.refusal.reason and found.refusal.advice


@pytest.mark.parametrize(
    ("cell", "number"),
    [("12.5", 12.5), (12.5, 12.5), (3, 3.0), ("-2", -2.0), ("−2", -2.0), ("1e3", 1000.0), (".5", 0.5)],
)
def test_numbers(cell, number):
    assert cleaned(cell, "elevation_m").value == number


def test_the_decimal_mark_is_that_of_the_settings_and_true_numbers_need_none():
    assert cleaned("12,5", "elevation_m", decimal=",").value == 12.5
    assert cleaned(12.5, "elevation_m", decimal=",").value == 12.5
    assert "has a comma where the settings expect" in cleaned("12,5", "elevation_m").refusal.reason
    assert "has a point where the settings expect" in cleaned("12.5", "elevation_m", decimal=",").refusal.reason


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("1,234.5", "a mark between thousands"),
        ("1 234", "a mark between thousands"),
        ("1'234", "a mark between thousands"),
        ("45 %", "a percent sign"),
        ("3 m", "is no number"),
        ("nan", "is no number"),
        ("inf", "is no number"),
        ("1e999", "is no number"),
        (True, "'TRUE' is no number"),
        ("12000", "is outside what elevation_m can be (-500 to 9000 m)"),
    ],
)
def test_what_is_no_plain_number_is_refused(cell, reason):
    assert reason in cleaned(cell, "elevation_m").refusal.reason


def test_whole_numbers():
    assert cleaned("2", "deployment").value == 2 and cleaned(2.0, "deployment").value == 2
    assert "is no whole number" in cleaned("2.5", "deployment").refusal.reason
    assert "is outside what deployment can be (at least 0)" in cleaned("-1", "deployment").refusal.reason


@pytest.mark.parametrize(
    ("cell", "kept"), [("00123", "00123"), (123, "123"), (123.0, "123"), ("NA", "NA"), ("None", "None"), ("1E5", "1E5")]
)
def test_names_stay_as_they_are(cell, kept):
    assert cleaned(cell, "site").value == kept


def test_invisible_and_control_characters_are_removed_and_said():
    assert cleaned("LM-001\u200b", "unit_id") == ("LM-001", None, INVISIBLE)
    assert tidy("a\x07b\u00a0\u202f c\ufeff") == "ab c"
    assert tidy("two\nlines\tand tab") == "two lines and tab"


@pytest.mark.parametrize("cell", ["", "  ", "-", "?", "n/a", "N/A", "not recorded", None])
def test_the_declared_words_for_nothing(cell):
    assert cleaned(cell, "site") == (None, None, "")


def test_missing_words_can_be_declared_and_replace_the_default():
    assert cleaned("NA", "site", missing_words=["NA"]).value is None
    assert cleaned("-", "site", missing_words=["NA"]).value == "-"
    assert cleaned("", "site", missing_words=["NA"]).value is None


@pytest.mark.parametrize(
    ("column", "cell", "word"),
    [
        ("outcome", "Dead", "failed"),
        ("outcome", "still out", "working"),
        ("outcome", "LOST", "missing"),
        ("lid_seal", "O-Ring", "o_ring"),
        ("lid_seal", "foamy thing", "foamy thing"),
        ("vent", "None", "none"),
        ("corrosivity", "c5", "C5"),
        ("tide_line", True, "yes"),
        ("tide_line", 0, "no"),
        ("tide_line", "not checked", "not_checked"),
        ("seal_bonded", "Y", "yes"),
        ("mechanism", "unknown", "undetermined"),
    ],
)
def test_words_in_other_spellings_become_the_dictionarys(column, cell, word):
    assert cleaned(cell, column).value == word


@pytest.mark.parametrize(
    ("column", "cell", "hint"),
    [
        ("outcome", "faild", "did you mean 'failed'"),
        ("outcome", "unclear", ""),
        ("time_basis", "telemetri", "did you mean 'telemetry'"),
        ("condition_found", "soggy", ""),
        ("corrosivity", "C6", ""),
        ("tide_line", "perhaps", ""),
    ],
)
def test_closed_lists_refuse_other_words_with_the_nearest(column, cell, hint):
    found = cleaned(cell, column)
    assert f"is no word for {column}" in found.refusal.reason and hint in found.refusal.reason
    assert found.refusal.advice.startswith("use one of: ")


def test_own_words_of_the_settings_come_first():
    own = {"levels": {"lid_seal": {"words": {"type B": "o_ring", "cord": "special"}}}}
    assert cleaned("Type-B", "lid_seal", **own).value == "o_ring"
    assert cleaned("cord", "lid_seal", **own).value == "special"


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        *(("IP67", "IP67"), ("ip 67", "IP67"), ("IPX4", "IPX4"), ("IP6X", "IP6X"), ("IPX5/IPX7", "IPX5/IPX7")),
        *(("IP67/IP66", "IP66/IP67"), ("IP66, IP67", "IP66/IP67"), ("ip66 and ip67", "IP66/IP67")),
        *(("IP66 & 67", "IP66/IP67"), ("IP66/IP66", "IP66")),
        *(("IP66/68", "IP66/IP68"), ("IP23CS", "IP23CS"), ("IP69", "IP69"), ("IP00", "IP00")),
    ],
)
def test_ip_codes_follow_iec_60529(cell, code):
    """First digit 0-6 or X, second 0-9 or X, additional letter A-D, supplementary letters H M S W; form from memory."""
    assert cleaned(cell, "enclosure_rating").value == code


@pytest.mark.parametrize(
    ("cell", "reason", "advice"),
    [
        ("IP99", "is no IP code by IEC 60529", "such as IP67"),
        ("IP7", "is no IP code by IEC 60529", "such as IP67"),
        ("IP6Y", "is no IP code by IEC 60529", "such as IP67"),
        ("IP69K", "a road-vehicle code (ISO 20653)", "write IP69"),
        ("67", "the letters IP are missing", "write IP67"),
        ("waterproof", "is no IP code by IEC 60529", "such as IP67"),
    ],
)
def test_other_ip_codes_are_refused(cell, reason, advice):
    refusal = cleaned(cell, "enclosure_rating").refusal
    assert reason in refusal.reason and advice in refusal.advice


def test_a_very_long_cell_is_cut_in_the_sentence_only():
    found = cleaned("x" * 50_000, "found_on")
    assert len(found.refusal.reason) < 200
    assert (
        clean("y" * 50_000, Column("notes", "text", role="identity", meaning=""), read_settings(None)).value
        == "y" * 50_000
    )
