"""check, compare, rank and review of a log too large to be kept row by row: counted by themselves, and said so."""

import json

import pandas as pd
import pytest

from tests.benchmarks.fleet_rows import write_as_csv, write_fleet
from workbench.cli import main
from workbench.commands import counting
from workbench.estimate.curves import cumulative_incidence
from workbench.fleet.fleet_files import has_more_rows
from workbench.fleet.fleets import read_fleet
from workbench.log.season_log.reading import read_log
from workbench.teardown.ends import survey_teardowns

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("large")
    write_as_csv(write_fleet(made / "large.parquet", 3000))
    return made


@pytest.fixture(autouse=True)
def few_rows_are_many(monkeypatch):
    monkeypatch.setattr(counting, "MOST_ROWS", 2000)


@pytest.mark.parametrize("ending", [".parquet", ".csv"])
def test_check_counts_reasons_and_writes_the_rows(folder, ending, tmp_path, capsys):
    path, target = folder / f"large{ending}", tmp_path / "aside.csv"
    assert main(["check", str(path), "--marked", str(target)]) == 0
    streams = capsys.readouterr()
    fleet, log = read_fleet(path), read_log(path)
    assert f"3000 rows read = {log.used} used + {log.rows_set_aside} set aside" in streams.out
    assert "was counted, not kept row by row: deployments of one unit count as units of their own" in streams.err
    assert "what needs single rows (teardowns, costs of units) is left out" in streams.err
    assert f"rows set aside written: {target}" in streams.err
    for reason, rows in zip(fleet.set_aside["reason"], fleet.set_aside["rows"], strict=True):
        assert f"{rows} row{'s' * (rows != 1)}: {reason}" in streams.out or not rows
    assert "such as unit LM-" in streams.out and "to do: still out?" in streams.out
    assert len(pd.read_csv(target)) == fleet.rows_set_aside
    assert len(streams.out.splitlines()) < 60


def test_check_as_json_keeps_its_keys(folder, capsys):
    assert main(["check", str(folder / "large.csv"), "--json", "--strict"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert list(said) == ["file", "rows", "used", "set_aside", "problems", "notes"]
    assert sum(p["rows"] for p in said["problems"] if p["scope"] == "row") == said["set_aside"] > 0
    assert {"field", "reason", "rows", "advice", "unit_id", "value", "example"} <= set(said["problems"][0])


def test_check_says_the_same_of_words_as_of_a_log(folder, capsys):
    main(["check", str(folder / "large.csv"), "--json"])
    counted = json.loads(capsys.readouterr().out)["notes"]
    log = [note for note in read_log(folder / "large.csv").notes if note.startswith(("lid_seal:", "site:", "vent:"))]
    assert set(log) <= set(counted)


def test_compare_counts_units_by_their_weight(folder, capsys):
    assert main(["compare", str(folder / "large.parquet"), "--by", "vent", "--mission", "180", "--json"]) == 0
    streams = capsys.readouterr()
    said = json.loads(streams.out)
    log = read_log(folder / "large.parquet").lives()
    seals = log.covariates["vent"].astype(str)
    for group in said["groups"]:
        assert group["failures"] == int(log.failed[seals == group["level"]].sum())
        assert abs(group["units"] - log.units_among((seals == group["level"]).to_numpy())) <= 2  # named twice
        assert 0 < group["lower"] < group["share"] < group["upper"] < 1
    assert "days rounded outwards to 30 (--step 1 keeps them), kept apart: vent;" in streams.err


def test_rank_counts_by_itself_and_agrees_with_the_log(folder, capsys, monkeypatch):
    command = ["rank", str(folder / "large.parquet"), "--choices", "lid_seal,vent", "--adjust", "environment"]
    command += ["--mission", "180", "--resamples", "100", "--json"]
    assert main(command) == 0
    streams = capsys.readouterr()
    counted = pd.DataFrame(json.loads(streams.out)["table"])
    assert "kept apart: lid_seal, vent, environment, site, season;" in streams.err
    monkeypatch.setattr(counting, "MOST_ROWS", 50_000)
    assert main(command) == 0
    streams = capsys.readouterr()
    kept = pd.DataFrame(json.loads(streams.out)["table"])
    assert streams.err == ""
    assert counted["level"].tolist() == kept["level"].tolist() and counted["grade"].tolist() == kept["grade"].tolist()
    assert (counted["failures"] == kept["failures"]).all()
    assert (counted["mission_survival"] - kept["mission_survival"]).abs().max() < 0.005


def test_review_counts_by_itself(folder, tmp_path, capsys):
    settings = tmp_path / "season.toml"
    settings.write_text(
        'mission_days = 200\n[roles]\nignore = ["fasteners", "shade", "desiccant", "corrosivity", "board_protection"]\n'
    )
    command = ["review", str(folder / "large.csv"), "--settings", str(settings), "--out", str(tmp_path / "review")]
    assert main(command) == 0
    said = capsys.readouterr().err
    assert "days rounded outwards to 25 (--step 1 keeps them), kept apart: lid_seal, vent, environment, site" in said
    assert (tmp_path / "review" / "review.html").stat().st_size > 100_000


def test_step_counts_a_small_log_too(folder, capsys, monkeypatch):
    monkeypatch.setattr(counting, "MOST_ROWS", 50_000)
    assert main(["compare", str(folder / "large.csv"), "--by", "vent", "--mission", "180", "--step", "60"]) == 0
    assert "days rounded outwards to 60" in capsys.readouterr().err


def test_an_unknown_column_is_named(folder, capsys):
    assert main(["compare", str(folder / "large.csv"), "--by", "lid_sael"]) == 2
    assert "unknown covariate 'lid_sael'; did you mean 'lid_seal'?" in capsys.readouterr().err


def test_only_files_of_one_kind_and_heading_are_counted(folder, tmp_path):
    assert has_more_rows(folder / "large.csv", 2999) and has_more_rows(folder / "large.parquet", 2999)
    assert not has_more_rows(folder / "large.csv", 3001) and not has_more_rows(folder / "large.parquet", 3000)
    assert not has_more_rows(folder, 10)  # both kinds in one folder
    assert not has_more_rows(tmp_path / "missing.csv", 10)
    (tmp_path / "log.csv").write_text("unit_id,outcome\n" + "A,failed\n" * 20)
    assert has_more_rows(tmp_path, 15)
    (tmp_path / "visits.csv").write_text("unit_id,visited_on\n" + "A,2025-01-01\n" * 20)
    assert not has_more_rows(tmp_path, 15)
    (tmp_path / "broken.parquet").write_bytes(b"PAR1")
    assert not has_more_rows(tmp_path / "broken.parquet", 0)


def test_teardown_counts_what_ended_units_and_agrees_with_the_log(folder, capsys):
    path = folder / "large.csv"
    assert main(["teardown", str(path), "--mission", "180", "--step", "1", "--json"]) == 0
    streams = capsys.readouterr()
    said, log = json.loads(streams.out), read_log(path)
    kept = survey_teardowns(log, mission=180)
    counted = {row["end"]: row["units"] for row in said["ends"]}
    assert counted == dict(zip(kept.ends.table["end"], kept.ends.table["units"], strict=True))
    own = cumulative_incidence(log.lives()).at([180]).set_index("cause")
    for row in said["lost"]:
        assert row["incidence"] == pytest.approx(own.loc[row["cause"], "incidence"], abs=1e-6)
        assert row["lower"] < row["incidence"] < row["upper"]
    assert [row["mechanism"] for row in said["shapes"]] == kept.shapes.table["mechanism"].tolist()
    assert "days rounded outwards to 1 (" in streams.err


def test_teardown_of_many_rows_writes_sheets_of_named_units_alone(folder, tmp_path, capsys):
    path, target = folder / "large.csv", tmp_path / "sheets.html"
    log = read_log(path)
    unit, other = log.records["unit_id"][[7, 8]]
    assert main(["teardown", str(path), "--units", unit, "--sheets", str(target)]) == 0
    streams = capsys.readouterr()
    assert unit in target.read_text() and other not in target.read_text() and "1 sheet written" in streams.err
    ended = f"{log.lives().failures} of {log.used:,} units failed: "
    assert ended in streams.out and "name the units: --units UNIT" in streams.out and "Lost by day" in streams.out

    for options in (["--sheets", str(target)], ["--pages", str(target), "--replace"]):
        assert main(["teardown", str(path), *options]) == 2
        streams = capsys.readouterr()
        assert (
            not streams.out
            and streams.err.count("\n") == 1
            and "has too many rows to be kept one by one" in streams.err
        )
    assert main(["teardown", str(path), "--units", "X-1", "--sheets", str(target)]) == 2
    assert "there is no unit 'X-1' in" in capsys.readouterr().err


@pytest.mark.slow
def test_plan_counts_by_itself(folder, tmp_path, capsys):
    settings, trial = tmp_path / "season.toml", tmp_path / "trial.csv"
    settings.write_text(
        'mission_days = 210\n[roles]\nignore = ["fasteners", "shade", "desiccant", "corrosivity", "board_protection"]\n'
    )
    command = ["plan", str(folder / "large.parquet"), "--settings", str(settings), "--no-trial", "--json"]
    assert main([*command, "--allocate", str(trial), "--units", "60"]) == 0
    streams = capsys.readouterr()
    said = {finding["id"]: finding for finding in json.loads(streams.out)["findings"]}
    log = read_log(folder / "large.parquet", settings)
    assert abs(said["plan.builds"]["units"] - log.lives().units) <= 4  # units entered twice count as two
    assert said["plan.builds"]["lower"] < said["plan.builds"]["estimate"] < said["plan.builds"]["upper"]
    assert len(pd.read_csv(trial)) == 60 and "days rounded outwards to 30 (--step 1" in streams.err


def test_what_needs_each_row_refuses_a_log_too_large_for_it(folder, capsys):
    assert main(["records", str(folder / "large.csv"), "--records", str(folder)]) == 1
    streams = capsys.readouterr()
    assert not streams.out and streams.err.count("\n") == 1
    assert "large.csv has more than 2,000 rows, and " in streams.err and "give one season" in streams.err
