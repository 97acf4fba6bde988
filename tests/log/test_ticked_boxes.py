"""Boxes that are ticked or left empty: an empty one means no where somebody said so, and nothing where nobody did."""

import csv
import tomllib

import numpy as np
import pytest

from workbench.fleet.fleets import read_fleet
from workbench.log.adoption import adopt_log, answer_to
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log import read_log

HEADINGS = ("Logger #", "Site", "Deployed", "Retrieved", "Survived?", "Silicone on lid", "Desiccant pack", "Comment")


@pytest.fixture
def log(tmp_path):
    rows = [
        (n, f"S{n % 3}", "2025-04-01", f"2025-{6 + n % 4:02}-10", "N" if n % 3 else "Y", "xX"[n % 2] if n % 4 else "",
         "✓" if n % 2 else "", "as found")
        for n in range(1, 25)
    ]  # fmt: skip
    path = tmp_path / "tracking.csv"
    with path.open("w", newline="", encoding="utf-8") as lines:
        csv.writer(lines).writerows([HEADINGS, *rows, ("", "", "", "", "", "", "", "put out with the new van")])
    return path


def adopted(log, answers):
    asked = []

    def ask(question):
        asked.append(question.about)
        return answer_to(question, next((typed for about, typed in answers.items() if about in question.about), ""))

    return adopt_log(log, ask).text, asked


def test_an_empty_box_is_asked_about_and_means_no(log):
    text, asked = adopted(log, {})
    assert [about for about in asked if about.startswith("Empty cells")] == [
        "Empty cells in 'Silicone on lid' (7 rows), where all others hold a tick",
        "Empty cells in 'Desiccant pack' (13 rows), where all others hold a tick",
    ]
    read = read_log(log, read_settings(tomllib.loads(text)))
    assert read.records["silicone_on_lid"].value_counts().to_dict() == {"yes": 18, "no": 6}
    assert read.records["desiccant_pack"].value_counts().to_dict() == {"yes": 12, "no": 12}
    assert read.rows == 25 and read.used == 24, "a lone remark is no unit without ticks"
    assert any("silicone_on_lid: empty (6 rows) read as no" in said for said in read.translations)


def test_an_empty_box_that_may_mean_anything_stays_not_known(log):
    text, _ = adopted(log, {"Empty cells in 'Silicone": "2"})
    read = read_log(log, read_settings(tomllib.loads(text)))
    assert read.records["silicone_on_lid"].isna().sum() == 6 and read.records["desiccant_pack"].notna().all()


def test_where_no_is_typed_too_empty_cells_are_not_asked_about(log):
    lines = log.read_text(encoding="utf-8").replace(",X,", ",no,")
    log.write_text(lines, encoding="utf-8")
    _, asked = adopted(log, {})
    assert [about for about in asked if about.startswith("Empty cells")] == [
        "Empty cells in 'Desiccant pack' (13 rows), where all others hold a tick"
    ]


def test_a_log_that_is_counted_takes_empty_boxes_alike(log):
    pytest.importorskip("duckdb")
    settings = read_settings(tomllib.loads(adopted(log, {})[0]))
    kept = read_log(log, settings).lives()
    counted = read_fleet(log, settings=settings, covariates=["silicone_on_lid"], step=1).lives()
    for level in ("yes", "no"):
        own = (counted.covariates["silicone_on_lid"] == level).to_numpy()
        assert counted.units_among(own) == (kept.covariates["silicone_on_lid"] == level).sum()
    assert np.isclose(counted.failures, kept.failures)


def test_how_a_unit_ended_is_never_taken_from_an_empty_box_unasked(tmp_path):
    path = tmp_path / "boxes.csv"
    rows = [(n, "2025-04-01", "2025-09-30", "yes" if n % 2 else "", "x" if n % 3 else "") for n in range(1, 13)]
    with path.open("w", newline="", encoding="utf-8") as lines:
        csv.writer(lines).writerows([("unit", "placed", "collected", "Failed?", "guard"), *rows])
    text, asked = adopted(path, {})
    assert "Empty cells in 'Failed?' (6 rows), where all others hold a tick" in asked
    settings = read_settings(tomllib.loads(text))
    assert settings.rename["Failed?"] == "outcome" and "protection" not in settings.roles
    read = read_log(path, settings)
    assert set(read.records["outcome"]) == {"failed"} and read.rows_set_aside == 6
    assert set(read.records["animal_guard"]) == {"yes", "no"}
    text, _ = adopted(path, {"Empty cells in 'Failed?'": "1"})
    read = read_log(path, read_settings(tomllib.loads(text)))
    assert [sum(read.records["outcome"] == end) for end in ("failed", "working")] == [6, 6]
