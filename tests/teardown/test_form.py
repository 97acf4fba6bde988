"""The form asks for what the dictionary holds, and shows every caution before the step that meets it."""

import re

from tests.teardown.builders import records
from workbench.log.dictionary import bench_steps, known_hazards, log_columns
from workbench.teardown.form import bench_form_html, field_form_html


def _parts(page):
    """The page before the first step, then each step."""
    return re.split(r'(?=<section class="step)', page)


def test_the_form_and_the_dictionary_hold_the_same_fields():
    page = bench_form_html(records({"site": "Mirefold Bog"}))
    asked = set(re.findall(r'data-(?:field|photo|sign)="([a-z0-9_]+)"', page))
    absent = {sign.sign for step in bench_steps() for sign in step.signs if sign.family == "absence"}
    held = {c.name for c in log_columns() if c.role in ("condition", "verdict", "photo", "evidence")}
    assert asked == held - absent


def test_every_caution_is_shown_before_the_step_that_meets_it_and_named_at_it():
    first, *steps = _parts(bench_form_html(records({})))
    assert len(steps) == len(bench_steps())
    for hazard in known_hazards():
        assert hazard.topic in first and hazard.caution.split(";")[0].replace("'", "&#39;") in first
    assert first.index('type="checkbox" id="read"') > first.index(known_hazards()[-1].topic)
    for part, step in zip(steps, bench_steps(), strict=True):
        before = part[: min(part.find(mark) for mark in ('class="field"', "<fieldset") if mark in part)]
        for hazard in step.hazards:
            assert hazard.topic in before, (step.step, hazard.topic)


def test_the_field_form_begins_with_the_cautions_of_the_field():
    first = _parts(field_form_html(records({})))[0]
    assert "lone work" in first and "Stings and bites" in first and "leptospirosis" in first
