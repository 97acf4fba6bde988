"""Builds by place: what helps here and not there is added up by hand; where nothing differs no build is offered."""

import numpy as np
import pandas as pd
import pytest

from workbench.planning.by_place import EVERYWHERE, WHERE_IT_HELPS, builds_by_place
from workbench.ranking.choices import WhereItHelps

NAMES = ("choice", "level", "reference", "environment", "reference_units", "survival_gain", "lower", "upper", "verdict")
NAN = float("nan")
HERE_NOT_THERE = [
    ("vent", "membrane", "none", "dunes", 20, 0.30, 0.10, 0.50, "helps"),
    ("vent", "membrane", "none", "bog", 30, -0.20, -0.35, -0.05, "harms"),
    ("vent", "membrane", "none", "lane", 4, NAN, NAN, NAN, "cannot tell"),
]
COSTS = {"vent": {"membrane": 3.0, "none": 1.0}}


def where(rows, p_value=0.01):
    columns = {name: np.array(column) for name, column in zip(NAMES, zip(*rows, strict=True), strict=True)}
    return WhereItHelps(columns=columns | {"p_value": np.full(len(rows), p_value)}, place="environment")


def test_a_level_that_helps_here_and_harms_there_is_offered_everywhere_and_only_here():
    """By hand, a fleet of twice the size: 40 and 60 units change; 40 x .3 = 12, less 60 x .2 = 12."""
    found = builds_by_place(where(HERE_NOT_THERE), COSTS, scale=2.0)
    table = found.table.set_index("build")
    here, everywhere = table.loc[WHERE_IT_HELPS], table.loc[EVERYWHERE]
    assert here["places"] == ("dunes",) and everywhere["places"] == ("dunes", "bog")
    assert here[["units_switched", "units_saved", "lower", "upper", "cost"]].tolist() == pytest.approx(
        [40, 12, 4, 20, 80]
    )
    assert here[["cost_per_unit_saved", "cost_lower", "cost_upper"]].tolist() == pytest.approx([80 / 12, 4, 20])
    assert everywhere[["units_switched", "units_saved", "lower", "upper", "cost"]].tolist() == pytest.approx(
        [100, 0, 4 - 21, 20 - 3, 200], abs=1e-9
    )
    assert np.isnan(everywhere["cost_per_unit_saved"])
    assert "8 units stand where nothing can be told, and keep what they have." in found.notes


def test_without_prices_units_are_told_and_money_is_not():
    table = builds_by_place(where(HERE_NOT_THERE), {}).table
    assert table["units_saved"].notna().all() and table["cost"].isna().all()


@pytest.mark.parametrize(
    ("rows", "p_value"),
    [
        (HERE_NOT_THERE, 0.06),  # could be chance
        (HERE_NOT_THERE[:1], 0.01),  # nowhere told not to help
        (HERE_NOT_THERE[1:], 0.01),  # helps nowhere
        ([HERE_NOT_THERE[0], HERE_NOT_THERE[2]], 0.01),  # what cannot be told is no difference
    ],
)
def test_no_build_by_place_without_a_difference_that_is_told(rows, p_value):
    found = builds_by_place(where(rows, p_value), COSTS)
    assert found.table.empty and found.notes == ()
    assert isinstance(found.table, pd.DataFrame)
