"""Law of plans: losses lie between their limits and within the build, spares follow, more units lose no fewer."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from tests.laws.data import ENOUGH, Rows
from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.life.distributions import fit_distribution
from workbench.lives import Lives
from workbench.planning.rounds import lost_and_swapped
from workbench.planning.season_plan import plan_season
from workbench.planning.trial_seasons import TrialQuestion, plan_trial
from workbench.planning.visit_plan import plan_visits


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


def with_outcomes(rows: Rows) -> Lives:
    """The lives, half of those that left working before the horizon having gone missing."""
    lives = rows.lives()
    working = np.flatnonzero(~lives.failed & (lives.lower < rows.horizon))
    outcome = np.where(lives.failed, "failed", "working").astype(object)
    outcome[working[::2]] = "missing"
    return lives.replace(covariates=lives.covariates.assign(outcome=outcome))


@pytest.mark.parametrize("label", ENOUGH)
def test_a_unit_is_lost_when_it_fails_or_goes_missing_whichever_comes_first(label):
    """Those that go missing leave by the product limit of going missing, beside failures independently."""
    rows = ENOUGH[label]
    lives = with_outcomes(rows)
    build = pd.DataFrame({"units": [60]})
    found = [plan_season(x, build, mission=rows.horizon).table for x in (rows.lives(), lives)]
    failing, lost = (table["expected_losses"][0] / 60 for table in found)
    gone = (lives.covariates["outcome"] == "missing").to_numpy()
    leaving = survival_curve(Lives.from_arrays(lives.time, gone, entry=lives.entry, weight=lives.weight))
    missing = 1 - leaving.at(rows.horizon)["survival"][0]
    assert 0.02 < missing < 0.4
    assert lost == pytest.approx(1 - (1 - failing) * (1 - missing), abs=0.03)
    assert found[1]["data_days"][0] < found[0]["data_days"][0]


@pytest.mark.parametrize("label", ENOUGH)
def test_a_plan_of_visits_has_enough_of_them_and_limits_as_wide_as_their_level_says(label):
    rows = ENOUGH[label]
    spacings = rows.horizon * np.array([0.1, 0.3, 0.4, 0.5, 1.0])
    found = {
        level: plan_visits(
            rows.lives(), mission=rows.horizon, units=40, spacings=spacings.tolist(), confidence=level
        ).table
        for level in (0.8, 0.95)
    }
    table = found[0.8].drop(columns="visit_cost")
    assert table["visits"].tolist() == [10, 4, 3, 2, 1]
    b10 = fit_distribution(rows.lives()).quantile([0.1])["time"][0]
    np.testing.assert_allclose(table["b10"], b10, rtol=1e-6)
    wide = {level: np.log(of["upper"] / of["lower"]) / (2 * norm.ppf((1 + level) / 2)) for level, of in found.items()}
    np.testing.assert_allclose(wide[0.8], wide[0.95], rtol=1e-6)
    known = table.dropna()  # visits at the end alone cannot date it
    np.testing.assert_allclose(known["lower"] * known["upper"], b10**2, rtol=1e-6)
    assert (np.diff(known["widening"]) > 0).all() and (known["widening"] >= 1).all()


def test_units_without_memory_lose_the_same_in_every_round():
    """Exponential lives of mean 50: a round of length g loses g - 50 (1 - exp(-g / 50)) days, swaps a share of all."""
    days = np.array([20.0, 60.0, 100.0, 140.0])
    gaps = np.diff(days, prepend=0.0)
    lost, swaps = lost_and_swapped(np.log(50.0), 1.0, days)
    np.testing.assert_allclose(swaps, 1 - np.exp(-gaps / 50), rtol=1e-9)
    assert lost == pytest.approx(np.sum(gaps - 50 * (1 - np.exp(-gaps / 50))), rel=1e-3)


def test_a_trial_is_wrong_as_often_as_its_level_says_and_longer_lives_bring_fewer_failures():
    rows = ENOUGH["season, mixed"]

    def trial(ratio: float):
        question = TrialQuestion(
            hazard_ratio=ratio, mission=rows.horizon, sites=2, visit_spacing=rows.horizon / 4, significance=0.1
        )
        return plan_trial(rows.lives(), question=question, units=(80,), seasons=400).table.iloc[0]

    longer, shorter = trial(0.5), trial(2.0)
    for found in (longer, shorter):
        assert 0.05 < found["false_alarm"] < 0.15  # 400 seasons: 0.1 within 0.045 in 99.7 of 100 cases
        assert found["power"] > found["false_alarm"]
    assert longer["failures"] < 0.8 * shorter["failures"]
