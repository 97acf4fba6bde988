"""Single units: one Newton step against refits, units of several rows, and a clear that one of them undoes."""

import json

import numpy as np
import pytest

from workbench.cli import main
from workbench.lives import Lives
from workbench.ranking.checks.sensitivity import gain_matrix
from workbench.ranking.checks.single_units import MOST_UNITS, leave_out_units
from workbench.ranking.choices import rank_choices
from workbench.ranking.choices.bars import rests_on
from workbench.ranking.model import build_design, fit_design, fitted_design, problem_of, standardise

from .seasons import make_lives, second_of

pytestmark = pytest.mark.slow


def left_out_of(lives, mission=180.0):
    design = build_design(lives, ["seal", "vent"], ["environment"])
    return design, leave_out_units(fitted_design(design), mission, second_of(design, mission))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_one_step_is_the_jackknife_by_refitting(seed):
    """Efron & Tibshirani (1993), ch. 11: the jackknife refits without each unit in turn; here every one of 120."""
    design, found = left_out_of(make_lives(seed, 120))
    base = design.lives.weight.astype(float)
    weights = np.tile(base, (len(found.names), 1))
    for number, rows in enumerate(found.rows):
        weights[number, rows] -= 1.0
    refits = standardise(design, fit_design(problem_of(design), weights), 180.0, days=False)
    refitted = gain_matrix(design, refits, found.pairs)
    whole = gain_matrix(
        design, standardise(design, fit_design(problem_of(design), base), 180.0, days=False), found.pairs
    )
    widest = np.abs(refitted - whole).max()
    assert widest > 0.02
    assert np.abs(found.gains - refitted).max() < 0.05 * widest
    assert (np.abs(found.gains - refitted).argmax(axis=0) >= 0).all()
    assert (found.gains.argmin(axis=0) == refitted.argmin(axis=0)).all()


def test_a_unit_of_several_rows_leaves_with_all_of_them_and_each_row_by_itself():
    lives = make_lives(4, 120)
    frame = lives.covariates.assign(seal=np.r_[["ring"] * 2, lives.covariates.seal.to_numpy()[2:]])
    names = np.array(["LM-1", "LM-1", *(f"LM-{i}" for i in range(2, 120))], dtype=object)
    design, found = left_out_of(lives.replace(covariates=frame, cluster=names))
    assert len(found.names) == 119 + 2
    whole = found.rows[found.names.index("LM-1")]
    assert sorted(design.rows_from[whole]) == [0, 1]
    for row in (0, 1):
        assert design.rows_from[found.rows[found.names.index(f"LM-1, row {row}")]].tolist() == [row]
    weights = design.lives.weight.astype(float)
    weights[whole] = 0.0
    refit = standardise(design, fit_design(problem_of(design), weights), 180.0, days=False)
    refitted = gain_matrix(design, refit, found.pairs)[0]
    assert found.gains[found.names.index("LM-1")] == pytest.approx(refitted, abs=0.004)


def test_a_row_of_many_units_loses_one_of_them():
    lives = make_lives(5, 120)
    design, found = left_out_of(lives.replace(weight=np.full(120, 3)))
    repeated, of_repeated = left_out_of(lives.take(np.repeat(np.arange(120), 3)))
    assert len(repeated.lives) == len(design.lives) == len(found.names)
    assert found.gains == pytest.approx(of_repeated.gains, abs=1e-9)


def test_above_the_limit_no_unit_is_left_out_and_a_note_says_so():
    lives = make_lives(6, MOST_UNITS + 20)
    lives = lives.replace(cluster=np.array([f"LM-{i}" for i in range(len(lives))], dtype=object))
    got = rank_choices(lives, ["seal", "vent"], mission=180, resamples=20)
    assert any("none was left out by itself" in note for note in got.notes)
    assert len(got.single_units.table) == 0
    assert (got.table.weakest_unit == "").all() and got.table.gain_without_unit.isna().all()


def one_sided(early: int) -> Lives:
    """Flat seals of which a third fail, rings of which `early` do; all else alike, each unit with a name."""
    n = 60
    ring = np.arange(2 * n) >= n
    failed = np.r_[np.arange(n) // 6 % 3 == 0, np.arange(n) < early]
    time = np.where(failed, 20.0 + np.arange(2 * n) % 7 * 20, 200.0)
    frame = {"seal": np.where(ring, "ring", "flat"), "site": np.array([f"site {i % 6}" for i in range(2 * n)])}
    names = np.array([f"LM-{i}" for i in range(2 * n)], dtype=object)
    return Lives.from_arrays(time, failed, covariates=frame, cluster=names)


def ranked(lives):
    got = rank_choices(lives, "seal", mission=180, resamples=300, reference={"seal": "flat"})
    return got, got.of("seal").set_index("level").loc["ring"]


def test_a_strong_difference_rests_on_no_single_unit():
    got, row = ranked(one_sided(1))
    assert row.grade == "clear" and row.units_undoing == 0 and row.sites_undoing == 0
    table = got.single_units.of("seal", "ring")
    assert len(table) == 120 and not table.undoes.any()
    assert table.gain_without.is_monotonic_increasing
    assert row.weakest_unit == f"{table.unit[0]} at {table.site[0]}"
    assert row.gain_without_unit == table.gain_without[0] < row.survival_gain


def test_a_clear_that_one_unit_undoes_is_likely_and_names_it():
    found = None
    for early in range(11, 15):
        got, row = ranked(one_sided(early))
        if row.p_adjusted < 0.05 and row.lower > 0 and row.units_undoing > 0:
            found = got, row
    assert found is not None
    got, row = found
    assert row.grade == "likely"
    (words,) = rests_on(row.weakest_unit, row.gain_without_unit, row.units_undoing)
    assert words in got.judgements["seal", "ring"].note == row.note
    assert got.single_units.of("seal", "ring").undoes.sum() == row.units_undoing


def test_words_name_one_unit_count_a_few_and_speak_of_the_limits_for_many():
    assert rests_on("LM-203 at Weir Lock", 0.04, 0) == ()
    assert rests_on("LM-203 at Weir Lock", 0.04, 1) == ("it rests on LM-203 at Weir Lock (+4 points without)",)
    assert rests_on("LM-203", 0.04, 3) == ("it rests on LM-203 (+4 points without), and as much on 2 others",)
    assert "each of 40 units, left out" in rests_on("LM-203", 0.04, 40)[0]


def test_the_command_lists_each_unit_once_with_what_is_known_of_it(capsys):
    path = "sample_data/lantern_moor_2025.csv"
    options = ["rank", path, "--choices", "lid_seal,vent", "--resamples", "60"]
    assert main([*options, "--units"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Look at these units again first")
    rows = [line for line in out.splitlines() if line.startswith("LM-")]
    assert len(rows) == len({row.split(",")[0] for row in rows}) == 12
    assert all(any(word in row for word in ("failed", "working at", "missing after", "withdrawn at")) for row in rows)
    assert main([*options, "--json"]) == 0
    table = json.loads(capsys.readouterr().out)["single_units"]
    asked = {(row["choice"], row["level"]) for row in table}
    assert {(c, v) for c, v in asked if c == "lid_seal"} == {("lid_seal", "cord"), ("lid_seal", "o_ring")}
    assert rows[0].split(",")[0] in {row["unit"] for row in table}
