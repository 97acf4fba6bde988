"""Tipping point: corners are the crossed runs of the ranking, fields move one way, words name the fewest units."""

import numpy as np
import pytest

from workbench.errors import EstimateError
from workbench.ranking.checks import LEVEL_FAILED, REFERENCE_FAILED
from workbench.ranking.choices import rank_choices, tipping_point

from .seasons import make_lives, season_of_gone_rings


@pytest.fixture(scope="module")
def season():
    return make_lives(3, 160, missing=0.2)


@pytest.fixture(scope="module")
def ranking(season):
    options = {"adjust": "environment", "mission": 180, "resamples": 60, "reference": {"seal": "flat"}}
    return rank_choices(season, ["seal", "vent"], **options)


def test_corners_are_the_runs_in_which_one_side_failed_and_the_other_worked_on(season, ranking):
    tip = tipping_point(season, ranking, "seal", level="ring")
    runs = ranking.sensitivity.table
    runs = runs[(runs.choice == "seal") & (runs.level == "ring")].set_index("run").survival_gain
    at = tip.table.set_index(["share_level", "share_reference"]).survival_gain
    assert at[1.0, 0.0] == pytest.approx(runs[LEVEL_FAILED], abs=1e-6)
    assert at[0.0, 1.0] == pytest.approx(runs[REFERENCE_FAILED], abs=1e-6)
    gone = season.covariates[season.covariates.outcome == "missing"].seal.value_counts()
    assert (tip.missing, tip.reference_missing) == (gone["ring"], gone["flat"])


def test_more_failed_units_of_a_level_never_help_it(season, ranking):
    tip = tipping_point(season, ranking, "seal", level="ring").table
    grid = tip.pivot(index="failed_reference", columns="failed_level", values="survival_gain").to_numpy()
    assert (np.diff(grid, axis=1) < 0.005).all() and (np.diff(grid, axis=0) > -0.005).all()
    assert grid[0, 0] != grid[-1, -1]


def test_fields_are_told_by_sign_and_by_limits_that_move_along(season, ranking):
    row = ranking.of("seal").set_index("level").loc["ring"]
    for field in tipping_point(season, ranking, "seal", level="ring").table.itertuples():
        nearer = min(row.lower, row.upper, key=abs) + field.survival_gain - row.survival_gain
        turned, reached = field.survival_gain * row.survival_gain <= 0, nearer * np.sign(row.survival_gain) <= 0
        assert field.verdict == ("sign turns" if turned else "limits reach zero" if reached else "holds")


def test_words_name_the_fewest_units_that_turn_it():
    lives = season_of_gone_rings(0.4, (0.05, 0.45))
    got = rank_choices(lives, "seal", mission=180, resamples=60, reference={"seal": "flat"})
    tip = tipping_point(lives, got, "seal", level="ring")
    table = tip.table[tip.table.failed_reference == 0]
    fewest = table[table.verdict != "holds"].failed_level.min()
    said = tip.sentence({"ring": "O-ring"})
    assert said.startswith(f"{tip.missing} units with O-ring are missing")
    assert f"its limits reach zero when about {fewest} of the {tip.missing} had failed" in said
    assert 0 < fewest < tip.missing


def test_what_cannot_turn_is_refused_in_a_sentence(season, ranking):
    with pytest.raises(EstimateError, match="not compared in the ranking"):
        tipping_point(season, ranking, "seal", level="flat")
    found = season.take(np.flatnonzero(season.covariates.outcome != "missing"))
    got = rank_choices(found, "seal", mission=180, resamples=20, reference={"seal": "flat"})
    with pytest.raises(EstimateError, match="none can turn their difference"):
        tipping_point(found, got, "seal", level="ring")
