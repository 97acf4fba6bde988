"""The data dictionary holds together: names, headings and words are distinct and complete."""

from collections import Counter

import pytest

from workbench.log.dictionary.columns import ROLES, TYPES, log_columns, visit_columns, word_key
from workbench.log.dictionary.evidence import sign_names

DESIGNED = """
unit_id deployment batch firmware season site latitude longitude notes deployed_on last_good_on failed_on
found_on observed_from time_basis outcome environment corrosivity elevation_m distance_to_salt_water_m sun
animal_pressure foot_traffic enclosure_rating lid_seal seal_material seal_bonded fasteners closure vent
board_protection desiccant cable_entry shade condition_found opened_on days_wet_before_opening mechanism cause
confidence analyst unit_cost photo_1 photo_4
"""


def test_every_designed_column_and_every_sign_is_there_once():
    names = [c.name for c in log_columns()]
    assert len(names) == len(set(names)) and set(DESIGNED.split()) <= set(names) and set(sign_names()) <= set(names)


@pytest.mark.parametrize("columns", [log_columns(), visit_columns()], ids=["log", "visits"])
def test_columns_are_complete_and_headings_lead_to_one_column(columns):
    counts = Counter(key for c in columns for key in c.heading_keys)
    assert [key for key, number in counts.items() if number > 1] == []
    for column in columns:
        assert column.type in TYPES and column.role in ROLES and column.meaning.endswith("."), column.name
        assert word_key(column.name) == column.name and column.low < column.high
        assert not column.is_closed or column.known_words


def test_closed_lists_are_those_that_may_not_be_extended():
    closed = {c.name for c in log_columns() if c.is_closed and c.role != "evidence"}
    yes_no = {c.name for c in log_columns() if c.type == "yes_no"}
    assert closed - yes_no == {"outcome", "time_basis", "condition_found", "corrosivity", "safety_check"}
    outcome = next(c for c in log_columns() if c.name == "outcome")
    assert outcome.known_words == ("failed", "working", "missing", "withdrawn")


def test_required_columns():
    assert [c.name for c in log_columns() if c.required] == ["unit_id", "deployed_on", "outcome"]


def test_words_compare_without_case_space_and_punctuation():
    assert {word_key(w) for w in ("O-Ring", " o ring", "O_RING", "o–ring", "ｏ-ring\u200b")} == {"o_ring"}
