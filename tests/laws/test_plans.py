"""Law of plans: losses lie between their limits and within the build, spares follow, more units lose no fewer."""

import numpy as np
import pytest

from tests.laws.data import ENOUGH
from workbench.planning.season_plan import plan_season


def planned(rows, units: int, confidence: float = 0.9, **more):
    build = rows.table.drop_duplicates("choice")[["choice"]].sort_values("choice")
    build = build.assign(build=build["choice"], units=units)
    return plan_season(rows.lives(), build.assign(**more), mission=rows.horizon, confidence=confidence).table


@pytest.mark.parametrize("label", ENOUGH)
def test_losses_lie_between_limits_that_leave_half_of_the_rest_on_each_side(label):
    rows = ENOUGH[label]
    table = planned(rows, 40)
    assert (table["losses_lower"] <= table["expected_losses"]).all()
    assert (table["expected_losses"] <= table["losses_upper"]).all()
    assert table[["losses_lower", "spares"]].stack().between(0, 40).all() and (table["losses_upper"] <= 40).all()
    # with one tail of 5 % the upper limit at 90 % is what spares cover at 95 %
    spares = planned(rows, 40, confidence=0.95)["spares"]
    np.testing.assert_allclose(table["losses_upper"], spares, atol=1)
    np.testing.assert_allclose(table["losses_lower"], planned(rows, 40, confidence=0.05)["spares"], atol=1)
    # who lasts gives data all the time
    assert (table["data_days"] >= 0.99 * rows.horizon * (40 - table["expected_losses"])).all()
    assert (table["spares"] <= table["losses_upper"]).all()
    assert (table["data_days_lower"] <= table["data_days"]).all()
    assert (table["data_days"] <= table["data_days_upper"]).all()
    assert (table["data_days_upper"] <= 40 * rows.horizon * (1 + 1e-9)).all()


@pytest.mark.parametrize("label", ENOUGH)
def test_losses_days_and_cost_grow_with_the_units(label):
    rows = ENOUGH[label]
    few, many = (planned(rows, units, unit_cost=10.0) for units in (20, 60))
    np.testing.assert_allclose(many["expected_losses"], 3 * few["expected_losses"], rtol=0.05)
    np.testing.assert_allclose(many["data_days"], 3 * few["data_days"], rtol=0.02)
    assert (many["spares"] >= few["spares"]).all()
    for table, units in ((few, 20), (many, 60)):
        np.testing.assert_allclose(table["cost"], 10.0 * units)
        np.testing.assert_allclose(table["cost_per_survivor"], 10.0 * units / (units - table["expected_losses"]))
