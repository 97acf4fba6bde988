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


def test_money_is_set_against_sure_gains_in_the_fleet_as_it_is():
    """Of 100 units 40 have the flat seal; a ring costs 4 more and keeps 25 in 100 more alive: 10 of 40, 16 each."""
    table = RANKING.table.assign(units=[20, 40, 30, 50])
    bases = [("seal", "flat", 40), ("vent", "none", 70), ("tie", "strap", 50)]
    for choice, level, units in bases:
        table.loc[len(table)] = [choice, level, level, 0.0, np.nan, np.nan, "reference", units]
    ranking = SimpleNamespace(table=table, units=100)
    costs = {
        "seal": {"flat": 1.0, "ring": 5.0, "cord": 1.0},
        "vent": {"none": 0.0, "membrane": 9.0},
        "tie": {"wire": 1.0},
    }
    worth = worth_of_levels(ranking, costs)
    ring = worth.table.set_index("level").loc["ring"]
    assert worth.table["level"].tolist() == ["cord", "ring", "membrane"]
    assert ring[["extra_cost", "units_switched", "units_saved", "lower", "upper", "cost"]].tolist() == pytest.approx(
        [4.0, 40.0, 10.0, 4.0, 16.0, 160.0]
    )
    assert ring[["cost_per_unit_saved", "cost_lower", "cost_upper"]].tolist() == pytest.approx([16.0, 10.0, 40.0])
    assert worth.table["cost_per_unit_saved"].iloc[0] == 0.0
    assert np.isnan(worth.table["cost_per_unit_saved"].iloc[2]), "an open gain has no price"
    assert worth.notes[0] == "1 level has no cost in the settings and is left out."
    assert worth_of_levels(ranking, costs, 50).table["units_saved"].iloc[1] == pytest.approx(5.0)
    assert len(worth_of_levels(ranking, costs | {"tie": {"wire": 1.0, "strap": 2.0}}).notes) == 1


def test_a_likely_gain_whose_limits_leave_room_for_none_has_a_price_without_upper_limit():
    table = _ranking(("seal", "ring", "flat", 0.2, 0.0, 0.4, "likely")).table.assign(units=10)
    table.loc[1] = ["seal", "flat", "flat", 0.0, np.nan, np.nan, "reference", 10]
    worth = worth_of_levels(SimpleNamespace(table=table, units=20), {"seal": {"flat": 0.0, "ring": 4.0}})
    assert worth.columns["cost_per_unit_saved"].tolist() == [20.0]
    assert np.isnan(worth.columns["cost_upper"]).all()


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
