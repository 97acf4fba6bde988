"""The sample seasons: made again from their seeds to the last cell, described beside each file, read as known."""

import json
import tomllib
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from workbench.errors import UsageError
from workbench.log.dictionary.columns import log_columns, word_key
from workbench.log.dictionary.evidence import sign_names
from workbench.log.dictionary.known_words import known_mechanisms
from workbench.log.dictionary.settings import read_settings
from workbench.log.season_log.reading import read_log
from workbench.scenario.lantern_moor.sample_seasons import EFFECTS, SEASONS, make_season, write_samples
from workbench.scenario.paper.logbook import LOG_COLUMNS
from workbench.scenario.world.choices import CHOICES
from workbench.scenario.world.mechanisms import MECHANISMS
from workbench.scenario.world.places import PLACES
from workbench.scenario.world.signs import SIGNS
from workbench.simulate import simulate_season

SAMPLES = Path(__file__).parents[1] / "sample_data"
YEARS = sorted(SEASONS)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return write_samples(tmp_path_factory.mktemp("samples"))


def _cells(path: Path) -> dict[str, list]:
    book = openpyxl.load_workbook(path)
    return {
        sheet.title: [
            [(cell.value, cell.number_format) for cell in row] + [sheet.row_dimensions[i].hidden]
            for i, row in enumerate(sheet.iter_rows(), start=1)
        ]
        + [sorted(str(r) for r in sheet.merged_cells.ranges)]
        for sheet in book
    }


def _read(year: str) -> pd.DataFrame:
    return pd.read_csv(SAMPLES / f"lantern_moor_{year}.csv", dtype=str, keep_default_na=False, na_values=[""])


@pytest.mark.slow
def test_sample_files_are_made_again_from_their_seeds(made):
    assert len(made) == 6 + 1 + 20
    assert {p.name for p in made if p.parent.name == "records"} == {p.name for p in (SAMPLES / "records").iterdir()}
    for path in made:
        kept = SAMPLES / ("records" if path.parent.name == "records" else "") / path.name
        if path.suffix == ".xlsx":
            assert _cells(path) == _cells(kept)
        else:
            assert path.read_text(encoding="utf-8") == kept.read_text(encoding="utf-8"), path.name


def test_each_sample_has_a_page_beside_it():
    logs = [p for p in SAMPLES.iterdir() if p.suffix in (".csv", ".xlsx")]

    assert len(logs) == 3
    for log in logs:
        page = log.with_suffix(".md") if log.suffix == ".csv" else log.with_name(log.stem + "_xlsx.md")
        text = page.read_text(encoding="utf-8")
        assert "seed" in text and "columns" in text.lower() and log.name in text


@pytest.mark.parametrize(("year", "units"), [("2024", 96), ("2025", 168)])
def test_seasons_have_the_size_and_the_ends_of_the_scenario(year, units):
    """About 30 % failed, 55 % working, 10 % missing, 5 % withdrawn; a few deployments twice; nine places."""
    log = _read(year)
    words = {"dead": "failed", "OK": "working", "lost": "missing", "taken out": "withdrawn"}
    ends = log["outcome"].replace(words).value_counts(normalize=True)

    assert log["unit_id"].nunique() == units
    assert set(log["site"]) == {p.name for p in PLACES}
    for word, share in {"failed": 0.30, "working": 0.55, "missing": 0.10, "withdrawn": 0.05}.items():
        assert ends[word] == pytest.approx(share, abs=0.04), word
    spells = log.drop_duplicates().groupby("unit_id").size()
    assert 3 <= (spells == 2).sum() <= 10 and spells.max() == 2
    assert (log["opened_on"].notna() & (log["outcome"] == "failed")).sum() > 20
    assert set(log["season"]) == {year}


def test_seasons_can_be_read_together():
    """Units of 2025 carry on the numbers of 2024, so that no unit is two."""
    first, second = (set(_read(year)["unit_id"]) for year in YEARS)

    assert not first & second
    assert min(first) == "LM-001" and max(second) == "LM-264"


@pytest.mark.parametrize("year", YEARS)
def test_known_truth_can_be_recovered_from_the_seed(year):
    log, truth, damage = make_season(year)
    doubles = sum(d["kind"] == "duplicate" for d in damage)

    assert len(truth["failure_day"]) == len(log) - doubles
    assert truth["effects"]["lid_seal"] == {"flat_gasket": 0.0, **EFFECTS["lid_seal"]}
    survival = truth["mission_survival"]["lid_seal"]
    assert survival["flat_gasket"] + 0.06 < survival["cord"] + 0.03 < survival["o_ring"]
    assert len(set(truth["mission_survival"]["shade"].values())) == 1
    assert json.loads(json.dumps(damage)) == damage


def test_good_seals_stand_in_harsh_places():
    """What makes raw curves mislead: O-rings are commoner where the environment shortens life."""
    for year in YEARS:
        log = _read(year)
        harsh = log["site"].map({p.name: -p.effect for p in PLACES})
        o_ring = log["lid_seal"].isin(["o_ring", "O ring"])
        assert harsh[o_ring].mean() > harsh[~o_ring].mean() + 0.1
        assert o_ring.groupby(log["site"]).any().sum() >= {"2024": 5, "2025": 9}[year]


def test_columns_words_and_signs_are_those_of_the_dictionary():
    dictionary = {c.name: c for c in log_columns()}

    assert set(LOG_COLUMNS) - set(SIGNS) <= set(dictionary)
    assert set(SIGNS) <= set(sign_names())
    assert set(MECHANISMS) <= {m.mechanism for m in known_mechanisms()}
    assert set(CHOICES) <= {c.name for c in log_columns() if c.role == "protection"}


@pytest.mark.parametrize("year", YEARS)
def test_settings_beside_a_sample_are_valid_and_agree_with_its_making(year):
    path = SAMPLES / f"lantern_moor_{year}.toml"
    settings = read_settings(path)

    assert settings.season == year and settings.mission_days == 180
    assert (settings.decision or settings.decisions) and settings.failure_means
    for choice, known in CHOICES.items():
        assert settings.reference[choice] == next(iter(known.levels))
        for level, (_, _, cost) in known.levels.items():
            assert settings.cost(choice, level) == cost
    if year == "2025":
        (action,) = settings.action
        assert (action["choice"], action["from"], action["to"]) == ("lid_seal", "flat_gasket", "o_ring")
    assert set(tomllib.loads(path.read_text(encoding="utf-8"))["levels"]) == set(CHOICES)


def test_workbook_holds_what_people_do_to_spreadsheets():
    book = openpyxl.load_workbook(SAMPLES / "lantern_moor_2025.xlsx")
    log = book["Log"]
    headings = [c.value for c in log[4]]

    assert book.sheetnames == ["Remarks", "Log", "Visits"]
    assert log["A1"].value == "Lantern Moor Observatory" and headings[0] == "Unit id"
    assert [word_key(h) for h in headings] == list(LOG_COLUMNS)
    assert log.cell(5, headings.index("Deployed on") + 1).is_date
    assert sum(d.hidden for d in log.row_dimensions.values()) == 1 and len(log.merged_cells.ranges) == 1
    assert book["Visits"].max_row > 40


def test_an_unknown_season_is_refused():
    with pytest.raises(UsageError, match="there is no sample season '2023'"):
        make_season("2023")


@pytest.mark.parametrize("year", YEARS)
def test_reading_a_sample_loses_what_was_damaged_and_nothing_else(year):
    _, _, damage = make_season(year)
    log = read_log(SAMPLES / f"lantern_moor_{year}.csv")
    lost = {scope: {d["row"] + 2 for d in damage if d["scope"] == scope} for scope in ("row", "value")}

    assert set(log.set_aside["row"]) == lost["row"]
    values = log.problems[log.problems["scope"] == "value"]
    assert set(values["row"]) == lost["value"]
    assert log.rows == log.used + len(lost["row"]) == len(_read(year))


def test_workbook_and_text_file_tell_the_same_lives():
    """Title rows, true dates, a merged cell, a hidden row and dates kept in another sheet change nothing."""
    text = read_log(SAMPLES / "lantern_moor_2025.csv").lives()
    book = read_log(SAMPLES / "lantern_moor_2025.xlsx").lives()

    for name in ("entry", "lower", "upper", "cause", "cluster"):
        assert getattr(book, name).tolist() == getattr(text, name).tolist(), name
    for column in ("site", "season", *CHOICES):
        assert book.covariates[column].astype(object).equals(text.covariates[column].astype(object)), column


def test_settings_of_a_season_change_no_life_of_the_sample():
    """The window is that of the season, so the same rows are in use with and without settings."""
    for year in YEARS:
        path = SAMPLES / f"lantern_moor_{year}.csv"
        plain, set_up = read_log(path), read_log(path, SAMPLES / f"lantern_moor_{year}.toml")
        assert set_up.used == plain.used
        assert set_up.records["lid_seal"].cat.categories[0] == "flat_gasket"
        assert set_up.mission()[0] == 180


def test_both_seasons_can_be_read_in_one_call():
    paths = [SAMPLES / f"lantern_moor_{year}.csv" for year in YEARS]
    both = read_log(paths)

    assert both.used == sum(read_log(path).used for path in paths)
    assert set(both.records["season"].astype(str)) == set(YEARS)


def test_lives_of_a_simulated_log_hold_the_true_day_of_failure(tmp_path):
    """Nobody is set aside; every failure lies in its interval, every suspended life ends before its true failure."""
    log, truth = simulate_season(400, seed=17, refit_share=0.04, redeployed_share=0.04)
    log.to_csv(tmp_path / "log.csv", index=False)
    read = read_log(tmp_path / "log.csv")
    lives, dies = read.lives(), np.array(truth["failure_day"])

    assert read.used == read.rows == len(log) == len(lives) and len(read.problems) == 0
    failed = np.isfinite(lives.upper)
    assert failed.sum() == (log["outcome"] == "failed").sum() > 100
    arrived_dead = dies == 0
    assert ((dies <= lives.upper) & ((lives.lower < dies) | lives.exact | arrived_dead))[failed].all()
    assert (lives.lower < np.maximum(dies, 1))[~failed].all()
    assert (lives.entry > 0).sum() == log["observed_from"].notna().sum() == 16
    verdicts = log["mechanism"].fillna("undetermined")[failed]
    assert (lives.cause[failed] == verdicts).all()
