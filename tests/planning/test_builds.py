"""Builds to compare and what gains cost: cases by hand on a ranking written down, not fitted."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from workbench.errors import UsageError
from workbench.lives import Lives
from workbench.planning.builds import LAST_SEASON, SUPPORTED, supported_levels, usual_builds, worth_of_levels
from workbench.planning.fielded_build import read_build

NAMES = ["choice", "level", "reference", "survival_gain", "lower", "upper", "grade"]


def _ranking(*rows):
    return SimpleNamespace(table=pd.DataFrame(rows, columns=NAMES))


RANKING = _ranking(
    ("seal", "cord", "flat", 0.10, 0.02, 0.20, "likely"),
    ("seal", "ring", "flat", 0.25, 0.10, 0.40, "clear"),
    ("vent", "membrane", "none", 0.30, -0.10, 0.50, "open"),
    ("tie", "wire", "strap", -0.20, -0.35, -0.05, "clear"),
)


def _lives():
    """Seven units: seal flat 4 and ring 3, vent all none, tie wire 2 and strap 5; one vent not recorded."""
    frame = pd.DataFrame(
        {"seal": ["flat", "flat", "ring"], "vent": ["none", "none", None], "tie": ["wire", "strap", "strap"]}
    )
    return Lives.from_arrays([5, 6, 7], [1, 0, 1], weight=[2, 2, 3], covariates=frame)


def test_of_each_choice_the_best_told_level_is_supported_and_the_reference_where_only_worse_ones_are():
    assert supported_levels(RANKING) == {"seal": "ring", "tie": "strap"}
    assert supported_levels(_ranking(("seal", "ring", "flat", 0.0, -0.1, 0.1, "likely"))) == {"seal": "flat"}
    assert supported_levels(_ranking(("vent", "membrane", "none", 0.3, -0.1, 0.5, "open"))) == {}


def test_a_build_as_last_season_repeats_the_mix_by_largest_remainders():
    """Ten units in the proportions 2 : 2 : 3 are 2.86, 2.86 and 4.29: 3, 3 and 4."""
    table = usual_builds(_lives(), RANKING, 10)
    last = table[table["build"] == LAST_SEASON]
    assert last[["seal", "vent", "tie", "units"]].to_numpy().tolist() == [
        ["flat", "none", "strap", 3],
        ["flat", "none", "wire", 3],
        ["ring", "", "strap", 4],
    ]
    best = table[table["build"] == SUPPORTED]
    assert best[["seal", "vent", "tie", "units"]].to_numpy().tolist() == [
        ["ring", "none", "strap", 6],
        ["ring", "", "strap", 4],
    ]
    assert "unit_cost" not in table and "environment" not in table


def test_a_build_too_small_for_the_mix_drops_what_gets_no_unit():
    table = usual_builds(_lives(), _ranking(("vent", "membrane", "none", 0.3, -0.1, 0.5, "open")), 1)
    assert table[["build", "units"]].to_numpy().tolist() == [[LAST_SEASON, 1]]
    with pytest.raises(UsageError, match="units must be a whole number of at least 1"):
        usual_builds(_lives(), RANKING, 0)


def test_costs_of_levels_are_added_to_the_cost_of_a_unit_and_environments_kept_apart():
    lives = _lives()
    lives = lives.replace(covariates=lives.covariates.assign(environment=["marsh", "ridge", "marsh"]))
    table = usual_builds(lives, RANKING, 7, level_costs={"seal": {"ring": 4.0}, "tie": {"wire": 1.5}}, unit_cost=50)
    assert table["environment"].tolist() == ["ridge", "marsh", "marsh"] * 2
    last = table[table["build"] == LAST_SEASON].set_index(["seal", "tie"])["unit_cost"]
    assert last.to_dict() == {("flat", "strap"): 50.0, ("flat", "wire"): 51.5, ("ring", "strap"): 54.0}


def test_a_gain_has_a_price_only_where_it_is_sure():
    """4 more a unit for 25 more alive among 100 is 16 a unit saved; unsure and negative gains have no price."""
    costs = {
        "seal": {"flat": 1.0, "ring": 5.0, "cord": 1.0},
        "vent": {"none": 0.0, "membrane": 9.0},
        "tie": {"wire": 1.0},
    }
    worth = worth_of_levels(RANKING, costs)
    table = worth.table.set_index("level")
    assert table.index.tolist() == ["cord", "ring", "membrane"]
    assert table.loc["ring", ["extra_cost", "units_saved", "lower", "upper"]].tolist() == [4.0, 25.0, 10.0, 40.0]
    assert table.loc["ring", "cost_per_unit_saved"] == pytest.approx(16.0)
    assert table.loc["cord", "cost_per_unit_saved"] == 0.0
    assert np.isnan(table.loc["membrane", "cost_per_unit_saved"])
    assert worth.notes[0] == "1 level has no cost in the settings and is left out."
    assert len(worth_of_levels(RANKING, costs | {"tie": {"wire": 1.0, "strap": 2.0}}).notes) == 1
    unsure = _ranking(("seal", "ring", "flat", 0.2, 0.0, 0.4, "likely"))
    assert np.isnan(worth_of_levels(unsure, costs).columns["cost_per_unit_saved"]).all()


def test_rows_of_a_build_are_read_and_bounds_belong_to_them():
    frame = pd.DataFrame({"units": [1, 2.0], "seal": ["ring", None], "unit_cost": [0, np.nan], "build": ["one", None]})
    rows, choices = read_build(frame, _lives())
    assert choices == ["seal"]
    assert [(r.build, r.units, r.levels, r.unit_cost) for r in rows] == [
        ("one", 1, {"seal": "ring"}, 0.0),
        ("build", 2, {"seal": ""}, None),
    ]
    assert read_build(pd.DataFrame({"units": [3]}), _lives())[0][0].unit_cost is None
    for units in (np.inf, np.nan, True, "3", 0, -1):
        with pytest.raises(UsageError, match=r"build row 0: units is .*; give a whole number of at least 1"):
            read_build(pd.DataFrame({"units": pd.Series([units], dtype=object)}), _lives())
    for cost in (np.inf, -0.01, "free"):
        with pytest.raises(UsageError, match=r"build row 0: unit_cost is .*; give a number of at least 0"):
            read_build(pd.DataFrame({"units": [1], "unit_cost": pd.Series([cost], dtype=object)}), _lives())
