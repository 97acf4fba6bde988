"""Sheets: caution first, one page a unit, every sign to tick, hostile text harmless."""

import re
import shutil
import subprocess

import numpy as np
import openpyxl
import pandas as pd
import pytest
from PIL import Image

from tests.teardown.builders import records
from workbench.errors import UsageError
from workbench.log.dictionary import (
    bench_steps,
    known_hazards,
    known_signs,
    log_columns,
    read_evidence_table,
    sign_names,
)
from workbench.log.writing import write_blank as write_blank_log
from workbench.teardown.mechanisms.opened import CONTRADICTIONS
from workbench.teardown.sheets.hazards import CAUTIONS, SOURCES, caution_text
from workbench.teardown.sheets.sheet import FACTS, sheets_html, units_to_open, write_blank_sheet, write_sheets

HOSTILE = '<script>alert("x")</script><img src=http://example.org/a> & "quotes"\n' + "long " * 200


def log(n=4):
    rows = [
        {
            "unit_id": f"LM-{i}",
            "site": "Mirefold Bog",
            "lid_seal": "secret_seal",
            "found_on": pd.Timestamp("2025-06-01"),
        }
        for i in range(n)
    ]
    return records(*rows)


def test_caution_box_comes_first_and_what_stops_the_work_first_in_it():
    page = sheets_html(log(1))
    assert page.index('class="caution"') < page.index("Known before opening") < page.index("1. Before touching")
    assert next(iter(CAUTIONS)).startswith("Bulged, warm, hissing")
    told = caution_text()
    for word in ("hydrogen", "Solvents", "isocyanates", "desiccant", "Mould", "Droppings", "Stings", "local codes"):
        assert word in told
    assert len(told.splitlines()) == 1 + len(CAUTIONS)
    assert set(SOURCES) == set(CAUTIONS) and all(SOURCES.values())


def test_a_caution_names_what_helps_and_never_what_harms():
    """NIOSH publication 97-149 for hydrogen; public health guidance of 2002 and 2008 for droppings."""
    by_name = {h.hazard: h.caution for h in known_hazards()}
    assert "hydrogen" in by_name["gas_inside"] and "bulged lid stays shut" in by_name["gas_inside"]
    droppings = by_name["droppings"]
    assert "30 minutes" in droppings and "five minutes" in droppings and "1 part bleach in 9" in droppings
    assert "never sweep or vacuum" in droppings and "bleach never with acid or ammonia" in droppings
    assert by_name["no_acid"].startswith("never an acid")
    written = " ".join([*by_name.values(), *(s.next_check for s in known_signs()), *(s.do for s in bench_steps())])
    assert "vinegar" not in written  # an acid on residue, or on cells


def test_every_hazard_of_a_step_or_a_sign_is_shown_before_its_first_box():
    page, place = sheets_html(), 0
    for number, step in enumerate(bench_steps(), start=1):
        start = page.index(f"{number}. {step.title}", place)
        first_box = page.index('class="box"', start)
        needed = {h.topic for h in step.hazards} | {by.topic for by in _hazards_of(step.signs)}
        for topic in needed:
            assert topic in page[start:first_box], (step.step, topic)
            assert page.index(f"<b>{topic}:</b> {CAUTIONS[topic]}".replace("'", "&#39;")) < first_box
        place = start


def _hazards_of(signs):
    by_name = {h.hazard: h for h in known_hazards()}
    return [by_name[name] for sign in signs for name in sign.hazards]


def test_first_step_asks_whether_it_is_safe_and_the_last_cut_comes_after_everything():
    order = [step.step for step in bench_steps()]
    assert order[0] == "safety" and order[-2:] == ["cut", "verdict"]
    assert order.index("weigh") < order.index("leak_test") < order.index("torque") < order.index("open")
    assert order.index("open") < order.index("cells") < order.index("dry") < order.index("power")


def test_dictionary_sheet_and_blank_log_hold_the_same_fields(tmp_path):
    asked = [c.name for step in bench_steps() for c in step.fields] + [s.sign for t in bench_steps() for s in t.signs]
    dictionary = [c.name for c in log_columns() if c.role in ("condition", "verdict", "photo", "evidence")]
    assert sorted(asked) == sorted(dictionary)
    book = openpyxl.load_workbook(write_blank_log(tmp_path / "blank.xlsx"))
    headings = {cell.value for cell in book["Log"][1]}
    assert set(asked) <= headings
    notes = {cell.value: cell.comment.text for cell in book["Log"][1]}
    for step in bench_steps():
        for name in [*(c.name for c in step.fields), *(s.sign for s in step.signs)]:
            assert all(hazard.caution in notes[name] for hazard in step.hazards)
    page = sheets_html()
    for step in bench_steps():
        part = page[page.index(step.title) :]
        for sign in step.signs:
            if sign.family != "absence":
                assert f">{sign.label} <i>" in part
    assert page.count('class="field"') == sum(len(step.fields) for step in bench_steps())


def test_no_sign_contradicts_itself():
    known = {sign.sign for sign in known_signs()}
    for sign in known_signs():
        named = [m for m in sign.strengths]
        assert len(named) == len(set(named)), sign.sign
        assert any(strength in ("+", "++") for strength in sign.strengths.values()) or "0" in sign.strengths.values()
    for one, other in CONTRADICTIONS:
        halves = {half.field for half in (one, other) if not half.word}
        assert one != other and halves <= known


def test_one_sheet_a_unit_with_facts_but_without_the_protection():
    page = sheets_html(log(3))
    assert page.count('<section class="page">') == 6
    assert page.count("Mirefold Bog") == 3 and "2025-06-01" in page
    assert "secret" not in page and "lid_seal" not in FACTS


def test_every_sign_can_be_ticked_three_ways():
    page = sheets_html()
    absent = read_evidence_table().query("family == 'absence'")["sign"].unique()
    asked = [sign for sign in sign_names() if sign not in absent]
    assert page.count('class="sign"') == len(asked)
    assert page.count('<span class="box"></span>') >= 3 * len(asked)
    for field in ("days wet before opening", "photo 1", "weight as built", "blind to protection", "analyst"):
        assert field in page


def test_signs_of_a_table_of_ones_own_are_asked_for():
    own = read_evidence_table().iloc[:1].assign(sign="slime", family="growth", where="floor")
    page = sheets_html(table=pd.concat([read_evidence_table(), own], ignore_index=True))
    assert "slime <i>(floor)" in page


def test_hostile_text_is_escaped_and_kept_short():
    frame = log(1)
    frame.loc[0, ["site", "unit_id", "batch"]] = [HOSTILE, HOSTILE, HOSTILE]
    page = sheets_html(frame)
    assert "<script" not in page and "<img" not in page and "&lt;script&gt;" in page
    assert "http" not in page.replace("&lt;img src=http", "") or "src=http" not in page.replace("&lt;", "")
    assert page.count("long long") == 0


def test_no_link_leads_out():
    page = sheets_html(log(2))
    assert not re.search(r"https?://|@import|url\(|<link|src=", page)


def test_missing_values_stay_blank():
    frame = log(1).assign(batch=np.nan, firmware=None, deployed_on=pd.NaT)
    page = sheets_html(frame)
    assert "nan" not in re.sub("<style>.*</style>", "", page) and "NaT" not in page and "None" not in page


def test_units_to_open_are_failed_ones_and_drawn_survivors():
    rows = [{"outcome": "failed"}] * 9 + [{"outcome": "working"}] * 20 + [{"outcome": "missing"}] * 3
    frame = records(*rows).assign(found_on=pd.Timestamp("2025-06-01"))
    opened = np.zeros(len(frame), dtype=bool)
    opened[:2] = True
    chosen = units_to_open(frame, opened, seed=1)
    assert chosen["outcome"].tolist() == ["failed"] * 7 + ["working"] * 3
    assert chosen["unit_id"].tolist() == units_to_open(frame, opened, seed=1)["unit_id"].tolist()
    assert units_to_open(frame, opened, units=["U-0", "U-30"])["unit_id"].tolist() == ["U-0", "U-30"]
    with pytest.raises(UsageError, match="unknown unit 'U-99'"):
        units_to_open(frame, opened, units=["U-99"])
    assert len(units_to_open(frame, np.ones(len(frame), dtype=bool))) == 0


def test_files_are_written_as_html_only(tmp_path):
    assert write_blank_sheet(tmp_path / "blank.html").read_text(encoding="utf-8").count('<section class="page">') == 2
    assert write_sheets(tmp_path / "s.html", log(2)).exists()
    with pytest.raises(UsageError, match=r"must end in \.html"):
        write_blank_sheet(tmp_path / "blank.pdf")
    with pytest.raises(UsageError, match="there is no folder"):
        write_blank_sheet(tmp_path / "nowhere" / "blank.html")


@pytest.mark.browser
@pytest.mark.parametrize("signs", [1.0, 1.9])
def test_each_unit_prints_on_one_sheet_of_paper(tmp_path, signs):
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    assert browser, "Chromium is needed for the browser tests: apt-get install chromium"
    frame, table = log(3), read_evidence_table()
    frame.loc[1, "site"] = HOSTILE
    for number in (1, 2, 3, 4):
        Image.new("RGB", (480, 640), "grey").save(tmp_path / f"{number}.jpg")
        frame[f"photo_{number}"] = f"{number}.jpg"
    frame.loc[2, "photo_2"] = "x" * 300
    if signs > 1:
        table = pd.concat([table, table.assign(sign=table["sign"] + "_again")], ignore_index=True)
    source, printed = write_sheets(tmp_path / "s.html", frame, table=table, photos=tmp_path), tmp_path / "s.pdf"
    subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", f"--print-to-pdf={printed}",
         f"--user-data-dir={tmp_path / 'profile'}", source.as_uri()],
        check=True, capture_output=True, timeout=90,
    )  # fmt: skip
    pages = [int(n) for n in re.findall(rb"/Count\s+(\d+)", printed.read_bytes())]
    assert max(pages) == 6  # three sheets, both sides
