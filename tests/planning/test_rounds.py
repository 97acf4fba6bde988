"""Checks before deployment, rounds of visits and field spares: against hand values, simulation and tables."""

import numpy as np
import pytest
from scipy.stats import poisson

from workbench.errors import EstimateError, UsageError
from workbench.lives import Lives
from workbench.planning.before_deployment import plan_checks
from workbench.planning.field_spares import CONSUMABLES, plan_spares, stock_for
from workbench.planning.rounds import lost_and_swapped, plan_rounds


def _lives(shape, *, n=400, scale=300.0, seed=1, last=180.0):
    days = np.ceil(scale * np.random.default_rng(seed).weibull(shape, n))
    return Lives.from_arrays(np.minimum(days, last), days <= last)


def test_days_lost_without_a_visit_are_the_mean_day_of_failure_before_the_end():
    """One visit at the end: the integral of 1 - S, here of an exponential life, T - m (1 - exp(-T / m))."""
    lost, swaps = lost_and_swapped(np.log(200.0), 1.0, np.array([180.0]))

    assert lost == pytest.approx(180 - 200 * (1 - np.exp(-0.9)), rel=1e-3)
    assert swaps == pytest.approx([1 - np.exp(-0.9)])


def test_days_lost_between_visits_agree_with_a_simulation():
    """40,000 units drawn, each swapped for a fresh one at the visit after its death."""
    rng, shape, scale, days = np.random.default_rng(2), 1.6, 150.0, np.array([10.0, 52.0, 94.0, 136.0, 180.0])
    n = 40_000
    lost, swaps = np.zeros(n), np.zeros(len(days))
    dies = scale * rng.weibull(shape, n)
    for k, day in enumerate(days):
        dead = dies <= day
        lost[dead] += day - dies[dead]
        swaps[k] = dead.mean()
        dies[dead] = day + scale * rng.weibull(shape, int(dead.sum()))
    expected, swapped = lost_and_swapped(np.log(scale), 1 / shape, days)

    assert expected == pytest.approx(lost.mean(), abs=4 * lost.std() / np.sqrt(n))
    assert swapped == pytest.approx(swaps, abs=0.01)


def test_closer_rounds_lose_fewer_days_and_prices_decide():
    lives = _lives(1.2)
    free = plan_rounds(lives, mission=180, units=100)
    later = free.table[free.table["first"] == free.table["spacing"]].sort_values("spacing")

    assert later["days_lost"].is_monotonic_increasing and later["visits"].is_monotonic_decreasing
    assert free.table["cost"].isna().all() and any("Without the price" in note for note in free.notes)
    dear = plan_rounds(lives, mission=180, units=100, prices=(5000.0, 1.0))
    cheap = plan_rounds(lives, mission=180, units=100, prices=(10.0, 50.0))
    assert dear.table["spacing"][dear.best] == 84 and cheap.table["spacing"][cheap.best] == 14
    assert dear.table["cost"][dear.best] == pytest.approx(
        5000 * dear.table["visits"][dear.best] + dear.table["days_lost"][dear.best]
    )
    assert free.table["first"][free.best] == 10


def test_rounds_stay_within_the_life_of_cells_and_desiccant():
    plan = plan_rounds(_lives(1.2), mission=180, units=100, longest=45)

    assert plan.table["spacing"].max() == 42 and any("Spacings over 45 days" in note for note in plan.notes)


def test_few_failures_give_no_rounds():
    with pytest.raises(EstimateError, match="too few to plan visits from"):
        plan_rounds(Lives.from_arrays([50.0, 60, 70], [True, True, False]), mission=60, units=10)
    with pytest.raises(UsageError, match="spacings must not be empty"):
        plan_rounds(_lives(1.2), mission=60, units=10, spacings=())


def test_stock_is_the_poisson_quantile_of_the_tables():
    """Cumulative Poisson tables (NIST/SEMATECH e-Handbook 1.3.6.6.19 gives the formula): 1 of mean 0.5, 4 of mean 2."""
    assert [stock_for(m, 0.9) for m in (0.0, 0.1, 0.5, 1.0, 2.0, 5.0, 10.0)] == [0, 0, 1, 2, 4, 8, 14]
    for mean in (0.3, 3.3, 30.0):
        s = stock_for(mean, 0.95)
        assert poisson.cdf(s, mean) >= 0.95 > poisson.cdf(s - 1, mean)


def test_spares_are_carried_waiting_and_ordered():
    rounds = plan_rounds(_lives(1.2), mission=180, units=100)
    kit = plan_spares(rounds, lead_days=60, repair_days=21).table.set_index("item")
    row = rounds.table.iloc[rounds.best]

    assert kit.loc["units carried on a round", "mean"] == pytest.approx(row["most_swaps"])
    assert kit.loc["units waiting for repair", "mean"] == pytest.approx(row["swaps"] / 180 * 21)
    assert set(kit.index[kit["kind"] == "consumable"]) == set(CONSUMABLES)
    longer = plan_spares(rounds, lead_days=120, repair_days=42).table.set_index("item")
    assert (longer["mean"] >= kit["mean"]).all()
    assert longer.loc["set of cells", "mean"] == pytest.approx(2 * kit.loc["set of cells", "mean"])


@pytest.mark.parametrize(
    ("shape", "soak"), [(0.6, "called for"), (1.0, "cannot be ruled out"), (2.2, "not called for")]
)
def test_the_soak_follows_the_shape(shape, soak):
    checks = plan_checks(_lives(shape), units=60)

    assert checks.soak == soak
    table = checks.table.set_index("check")
    assert table.loc["leak test", "units"] == 60
    assert table.loc["logging soak", "units"] == (0 if soak == "not called for" else 60)
    assert table.loc["acceptance of the lot", "units"] == checks.lot == 22  # 0.9^22 = 0.098 <= 0.1 < 0.9^21


def test_few_failures_do_not_rule_the_soak_out():
    checks = plan_checks(Lives.from_arrays([50.0, 60, 70], [True, False, False]), units=10)

    assert checks.soak == "cannot be ruled out" and "1 failures are too few" in checks.table["why"][1]
    assert "too small to show that" in checks.table["why"][2]
