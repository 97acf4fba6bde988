"""The survey of the sample season: library, command line and JSON say the same."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.teardown.builders import records
from workbench.cli import main
from workbench.errors import EstimateError
from workbench.lives import Lives
from workbench.log.season_log.reading import read_log
from workbench.teardown.ends import alike_units, units_next
from workbench.teardown.ends.survey import class_incidence, survey_teardowns
from workbench.teardown.mechanisms.matrix import evidence_matrix
from workbench.teardown.mechanisms.mechanism import suggest_from_records, suggest_mechanism

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[2] / "sample_data"
LOG, SETTINGS = SAMPLE / "lantern_moor_2025.csv", SAMPLE / "lantern_moor_2025.toml"


@pytest.fixture(scope="module")
def log():
    return read_log(LOG, SETTINGS)


@pytest.fixture(scope="module")
def survey(log):
    return survey_teardowns(log, seed=3)


def test_parts_reconcile_with_the_log(log, survey):
    lives = log.lives()
    suggestions = survey.suggestions.table
    assert len(suggestions) == lives.failures == survey.agreement.table["units"].sum()
    ends = survey.ends.table
    assert ends[ends["end"] != "missing"]["units"].sum() == lives.failures
    assert ends["share_of_lost_days"].sum() == pytest.approx(1.0)
    inside = survey.inside.table
    every = inside.iloc[-1]
    back = (log.records["outcome"].astype(str) != "missing").sum()
    assert every["opened"] + every["not_opened"] == back
    assert every["wet"] == every["wet_working"] + every["wet_failed"]
    classes = survey.classes.table
    assert set(classes["cause"]) == {"moisture-related", "other mechanisms"}
    assert (classes["lower"] <= classes["incidence"]).all() and (classes["incidence"] <= classes["upper"]).all()
    assert (classes["recorded"] <= classes["incidence"] + 1e-9).all()


def test_suggestions_keep_their_promises(survey):
    table = survey.suggestions.table
    named = table[table["mechanism"] != "undetermined"]
    assert len(named) > 5
    assert (named["probability"] >= 0.6).all() and (named["families_for"] >= 2).all()
    assert (named["for"].str.len() > 0).all()
    assert (table["probability"] >= table["second_probability"]).all()
    assert list(table.columns[:9]) == [
        "unit_id",
        "deployment",
        "mechanism",
        "probability",
        "second",
        "second_probability",
        "for",
        "against",
        "note",
    ]


def test_a_mechanism_may_be_called_what_survivors_are_called(survey):
    suggestions = survey.suggestions
    opened = ~np.isnan(suggestions.teardowns.seen[suggestions.rows]).all(axis=1)
    first = np.arange(len(opened)) == int(np.argmax(opened))
    called = np.where(first, "opened survivors", suggestions.columns["verdict"])
    sure = first | suggestions.columns["confirmed"]
    columns = {**suggestions.columns, "verdict": called, "confirmed": sure}
    matrix = evidence_matrix(replace(suggestions, columns=columns))
    assert matrix.survivors == "opened survivors (working)" == matrix.groups[-1]
    assert matrix.units[matrix.groups.index("opened survivors")] == 1


def test_matrix_counts_signs_and_puts_survivors_last(survey):
    matrix = evidence_matrix(survey.suggestions)
    assert matrix.groups[-1] == matrix.survivors == "opened survivors"
    table = matrix.table
    assert len(table) == len(matrix.signs) * len(matrix.groups)
    assert (table["seen"] <= table["checked"]).all()
    sign = matrix.signs[0]
    column = survey.suggestions.teardowns.signs.index(sign)
    alive = survey.suggestions.teardowns.survived
    row = table[(table["sign"] == sign) & (table["group"] == matrix.survivors)].iloc[0]
    assert row["seen"] == int(np.nansum(survey.suggestions.teardowns.seen[alive, column]))


def test_lives_of_another_log_are_refused(log, survey):
    with pytest.raises(EstimateError, match="do not belong together"):
        class_incidence(log.lives().take(np.arange(10)), survey.suggestions, 100)


def test_command_prints_caution_first_and_json_only_on_request(log, capsys, tmp_path):
    sheets = tmp_path / "sheets.html"
    assert main(["teardown", str(LOG), "--settings", str(SETTINGS), "--sheets", str(sheets), "--seed", "3"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("CAUTION.") and "What ended units" in out and "Traceback" not in err
    assert "units failed: " in out.splitlines()[1] and out.splitlines()[2].startswith("Open next: LM-")
    assert "sheets written" in err
    assert main(["teardown", str(LOG), "--settings", str(SETTINGS), "--json", "--seed", "3"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["caution"][1].startswith("Bulged, warm, hissing")
    assert len(told["suggestions"]) == (log.records["outcome"] == "failed").sum() and told["mission_days"] > 0
    assert {"ends", "inside", "classes", "shapes", "problems", "look_again", "agreement", "notes"} <= set(told)


def test_command_takes_a_table_of_signs_and_refuses_wrong_use(capsys, tmp_path):
    own = tmp_path / "own.csv"
    own.write_text(
        "sign,family,where,mechanism,strength,confounder,next_check,source\n"
        "tide_line,wet,wall,lid_seal_leak,++,,look,ours\n"
        "tide_line,wet,wall,animal_bite,-,,look,ours\n"
    )
    common = ["teardown", str(LOG), "--settings", str(SETTINGS)]
    assert main([*common, "--json", "--evidence", str(own), "--evidence-only"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert {row["mechanism"] for row in told["suggestions"]} == {"undetermined"}
    assert main([*common, "--evidence-only"]) == 2
    assert main([*common, "--units", "LM-101"]) == 2
    assert main([*common, "--evidence", str(tmp_path / "no.csv")]) == 2
    own.write_text("sign,family\nx,y\n")
    assert main([*common, "--evidence", str(own)]) == 1
    assert main(["teardown", str(tmp_path / "nolog.csv")]) == 2
    lines = [line for line in capsys.readouterr().err.splitlines() if line]
    assert len(lines) == 5 and all(line.startswith("error: ") for line in lines)


def test_the_log_order_changes_no_probability(log):
    frame = log.records.drop(columns=["source", "sheet", "row"])
    one = suggest_mechanism(read_log(frame, SETTINGS)).table
    other = suggest_mechanism(read_log(frame.iloc[::-1], SETTINGS)).table
    key = ["unit_id", "deployment"]
    a, b = (t.sort_values(key).reset_index(drop=True) for t in (one, other))
    assert np.array_equal(a["probability"], b["probability"]) and a["mechanism"].equals(b["mechanism"])


def test_a_unit_that_failed_twice_is_named_once_per_deployment():
    rows = [{"unit_id": "U-7", "deployment": 1}, {"unit_id": "U-7", "deployment": 2}, {"unit_id": "U-8"}]
    suggestions = suggest_from_records(records(*rows))
    lives = Lives.from_arrays(time=[30.0, 40.0, 50.0], failed=[True, True, True])
    following = [unit.unit_id for unit in units_next(suggestions, lives)]
    assert following == ["U-7 (deployment 1)", "U-7 (deployment 2)", "U-8"]
    alike = [name for group in alike_units(suggestions) for name in group.units]
    assert sorted(alike) == sorted(following)
