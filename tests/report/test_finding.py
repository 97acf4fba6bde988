"""Findings: what cannot be built, what is kept in JSON, and the order of slides."""

import json

import pytest

from workbench.errors import WorkbenchError
from workbench.report.basis.finding import (
    JSON_FIELDS,
    SECTIONS,
    Drawing,
    Finding,
    findings_from_json,
    in_slide_order,
    shown_cell,
)


def finding(**changes):
    plain = {
        "id": "life.lid_seal",
        "kind": "difference",
        "statement": "With cord 80 % lasted.",
        "method": "Counted.",
        "section": "life",
    }
    return Finding(**(plain | changes))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"id": "Life seal"}, "id of a finding"),
        ({"section": "elsewhere"}, "section must be one of"),
        ({"grade": "sure"}, "grade must be one of"),
        ({"statement": " "}, "needs a kind, a statement and a method"),
        ({"estimate": 0.5, "lower": 0.6}, "estimate outside its interval"),
        ({"estimate": 0.5, "upper": 0.4}, "estimate outside its interval"),
        ({"estimate": 12.0, "unit": "share"}, "must be a fraction"),
        ({"units": 3, "failures": -1}, "counts -1 failures"),
        ({"table": {"a": [1, 2], "b": [1]}}, "columns of different length"),
    ],
)
def test_impossible_findings_cannot_be_built(changes, message):
    with pytest.raises(WorkbenchError, match=message):
        finding(**changes)


def test_json_holds_exactly_the_fields_of_the_schema_and_null_for_nan():
    values = finding(estimate=float("nan"), lower=float("nan"), units=12, caveats=("Few units.",)).as_json()

    assert tuple(values) == JSON_FIELDS
    assert values["estimate"] is None
    assert values["lower"] is None
    assert values["units"] == 12
    assert values["caveats"] == ["Few units."]
    assert "NaN" not in json.dumps(values, allow_nan=False)


def test_a_finding_read_back_is_the_same():
    first = finding(estimate=0.123456789, lower=0.1, upper=0.2, unit="share", confidence=0.95, grade="likely")

    assert Finding.from_json(first.as_json()).as_json() == first.as_json()


def test_rows_of_the_table_become_findings_with_every_cell():
    rows = finding(table={"seal": ["cord", "O-ring"], "lasted": ["80 %", 0.91234]}).rows()

    assert [row.id for row in rows] == ["life.lid_seal/row-1", "life.lid_seal/row-2"]
    assert rows[0].statement == "seal: cord; lasted: 80 %"
    assert rows[1].statement == "seal: O-ring; lasted: 0.912"
    assert not rows[0].on_slide


def test_slides_follow_sections_then_order():
    last = finding(id="z", section="appendix")
    second = finding(id="b", order=2.0)
    first = finding(id="a", order=1.0)

    assert [f.id for f in in_slide_order([last, second, first])] == ["a", "b", "z"]
    assert next(iter(SECTIONS)) == "talk"
    assert list(SECTIONS)[-1] == "appendix"


def test_two_findings_with_one_id_are_refused():
    with pytest.raises(WorkbenchError, match="two findings have the id"):
        in_slide_order([finding(), finding()])


@pytest.mark.parametrize("alt", ["curve.png", "", "km plot"])
def test_a_picture_needs_words_and_no_file_name(alt):
    with pytest.raises(WorkbenchError, match="alt must say what the picture shows"):
        Drawing(result=b"", alt=alt)


@pytest.mark.parametrize(
    ("value", "text"),
    [(None, "–"), (float("nan"), "–"), (float("inf"), "–"), (True, "yes"), (1234567, "1,234,567"), (0.5, "0.5")],
)
def test_cells_are_shown_by_one_rule(value, text):
    assert shown_cell(value) == text


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "findings.json cannot be read"),
        ("[]", "holds no findings of schema 1"),
        ('{"schema": 2, "findings": []}', "holds no findings of schema 1"),
        ('{"schema": 1, "findings": [{"id": "a"}]}', "lacks the field 'kind'"),
    ],
)
def test_what_is_no_findings_file_is_refused(text, message):
    with pytest.raises(WorkbenchError, match=message):
        findings_from_json(text)
