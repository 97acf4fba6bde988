"""Interval curves: toys by hand, plain EM as second implementation, optimality, limits, awkward cases, laws."""

import time

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq
from scipy.stats import binomtest

from workbench import EstimateError, Lives, survival_curve
from workbench.estimate.curves.curves import curve_if_failed_when_found
from workbench.estimate.turnbull.interval_curves import mass_of, shares_one_grid
from workbench.estimate.turnbull.interval_limits import ratio_limits
from workbench.estimate.turnbull.mean_worth import Worth
from workbench.estimate.turnbull.npmle import directional_derivatives
from workbench.estimate.turnbull.turnbull_cells import TurnbullCells, turnbull_cells


def mixed(seed, n, entry=False):
    """Exact, left-, right- and interval-censored whole-day lives in one call."""
    rng = np.random.default_rng(seed)
    life = np.ceil(30 * rng.weibull(1.5, n))
    kind = rng.integers(0, 4, n)
    seen = np.floor(rng.random(n) * life)
    lower = np.select([kind == 0, kind == 1, kind == 2], [life, 0.0 * life, seen], np.floor(life))
    upper = np.select([kind == 0, kind == 3], [life, np.inf], life + rng.integers(0, 20, n))
    start = np.where(rng.random(n) < 0.3, np.floor(rng.random(n) * lower), 0.0) if entry else None
    return Lives.from_arrays(lower=lower, upper=upper, entry=start)


def by_em(lives, cells, held=None, steps=30_000):
    """Turnbull's own algorithm on masses; `held` = (cell, survival) keeps the mass up to the cell at 1 - survival."""
    place = np.arange(len(cells.start))
    inside = ((place >= cells.first[:, None]) & (place <= cells.last[:, None])).astype(float)
    early = place <= held[0] if held else None

    def scaled(mass):
        if held is None:
            return mass / mass.sum()
        mass = mass.copy()
        mass[early] *= (1 - held[1]) / mass[early].sum()
        mass[~early] *= held[1] / mass[~early].sum()
        return mass

    mass, before = scaled(np.ones(len(place))), -np.inf
    for step in range(steps):
        mass = scaled(mass * (inside.T @ (lives.weight / (inside @ mass))))
        if step % 500 == 0:
            value = lives.weight @ np.log(inside @ mass)
            if value - before < 1e-11:
                break
            before = value
    return mass, float(lives.weight @ np.log(inside @ mass))


def cells_with_a_start_at(lives, day):
    """Cells when survival on a day is held: mass may then gather right after it too (Vandal, Gentleman & Liu 2005)."""
    ends = np.append(lives.lower, day), np.append(lives.upper, np.inf), np.append(lives.entry, 0.0)
    cells = turnbull_cells(*ends)
    return TurnbullCells(cells.start, cells.end, cells.first[:-1], cells.last[:-1], cells.entered[:-1])


def fitted(lives):
    return mass_of(lives.lower, lives.upper, lives.entry, weight=lives.weight)


def test_two_overlapping_intervals_share_the_overlap():
    """(0, 2] and (1, 3]: all mass in (1, 2], the only cell in both."""
    table = survival_curve(Lives.from_arrays(lower=[0, 1], upper=[2, 3])).table
    assert table.columns.tolist() == [
        "group",
        "from",
        "to",
        "mass",
        "survival",
        "lower",
        "upper",
        "known_working",
        "unknown",
    ]
    assert table[["from", "to", "mass", "survival"]].to_numpy().tolist() == [[1.0, 2.0, 1.0, 0.0]]


def test_three_intervals_by_hand():
    """(0, 2], (1, 4], (3, inf): cells (1, 2] and (3, 4] hold p and 1 - p; likelihood p (1 - p), so 1/2 each."""
    table = survival_curve(Lives.from_arrays(lower=[0, 1, 3], upper=[2, 4, np.inf])).table
    assert table["from"].tolist() == [1.0, 3.0]
    assert table["to"].tolist() == [2.0, 4.0]
    assert table["mass"].to_numpy() == pytest.approx([0.5, 0.5])


def test_exact_failure_inside_an_interval_takes_the_mass():
    curve = survival_curve(Lives.from_arrays(lower=[5, 3, 9], upper=[5, 8, np.inf]))
    table = curve.table
    assert table[["from", "to"]].to_numpy().tolist() == [[5.0, 5.0], [9.0, np.inf]]
    assert table["mass"].to_numpy() == pytest.approx([2 / 3, 1 / 3])
    assert curve.at([4.9, 5, 9, 9.5])["survival"].to_numpy() == pytest.approx([1, 1 / 3, 1 / 3, np.nan], nan_ok=True)


def test_survival_falls_evenly_inside_a_cell():
    curve = survival_curve(Lives.from_arrays(lower=[0, 4, 1, 12], upper=[10, 8, 8, np.inf]))
    assert curve.kind == "npmle"
    at = curve.at([4, 5, 6, 7, 8])["survival"].to_numpy()
    assert np.diff(at) == pytest.approx([-0.75 / 4] * 4)
    assert curve.quantile(0.5)["time"][0] == 8.0


@pytest.mark.parametrize("seed", range(6))
def test_plain_em_reaches_the_same_curve(seed):
    lives = mixed(seed, 40)
    fast = fitted(lives)
    slow, likelihood = by_em(lives, fast.cells)

    assert fast.fits[0].log_likelihood >= likelihood - 1e-9
    assert fast.survival == pytest.approx(1 - np.cumsum(slow), abs=2e-4)


@pytest.mark.parametrize("entry", [False, True])
@pytest.mark.parametrize("n", [3, 10, 60, 300])
def test_no_direction_leads_uphill(n, entry):
    """Conditions for a maximum (Gentleman & Geyer 1994): no cell's derivative is above n * 1e-6."""
    for seed in range(8):
        lives = mixed(seed, n, entry)
        found = fitted(lives)
        for problem, fit in zip(found.problems, found.fits, strict=True):
            slopes = directional_derivatives(problem, fit.hazard)
            alive = np.append(np.exp(-np.append(0.0, np.cumsum(fit.hazard))), 0.0)
            assert slopes.max() <= problem.total * 1e-6
            assert abs(-np.diff(alive) @ slopes) <= problem.total * 1e-6


@pytest.mark.parametrize("seed", range(4))
def test_limits_are_where_the_likelihood_falls_by_the_chi_square(seed):
    """EM with the mass up to the cell held finds the profile: twice its fall at each limit is 3.8415."""
    lives = mixed(100 + seed, 25)
    found = fitted(lives)
    table = survival_curve(lives).table
    checked = 0
    for row in table[(table["survival"] > 0) & np.isfinite(table["to"])].itertuples():
        if not (lives.upper <= row.to).any():
            continue
        cells = cells_with_a_start_at(lives, row.to)
        cell = int(np.flatnonzero(cells.end == row.to)[0])
        for limit in (row.lower, row.upper):
            _, value = by_em(lives, cells, (cell, limit))
            assert 2 * (found.fits[0].log_likelihood - value) == pytest.approx(3.841459, abs=4e-3)
            checked += 1
    assert checked >= 4


def test_limits_of_exact_lives_are_those_of_thomas_and_grunkemeier():
    """Thomas & Grunkemeier (1975) for right-censored lives: product of 1 - d / (n + lambda); solved here by halving."""

    lives = Lives.from_arrays([1, 2, 3, 4, 5, 6, 7, 8], [1, 1, 0, 1, 1, 0, 1, 0])
    found = fitted(lives)
    days, n = np.array([1, 2, 4, 5]), np.array([8, 7, 5, 4])
    cell = int(np.flatnonzero(found.cells.end == 5)[0])

    def excess(shift):
        h, top = 1 / (n + shift), 1 / n
        fall = np.log(top) + (n - 1) * np.log1p(-top) - np.log(h) - (n - 1) * np.log1p(-h)
        return 2 * fall.sum() - 3.841458820694124

    def survival(shift):
        return np.prod(1 - 1 / (n + shift))

    lower, upper = survival(brentq(excess, -2.999999, 0)), survival(brentq(excess, 0, 1e4))
    after = Worth.of((np.arange(found.problems[0].cells) > cell).astype(float))
    assert days.size == 4
    assert ratio_limits(found.problems[0], found.fits[0], (after, after), wanted=1.959963984540054) == pytest.approx(
        (lower, upper), abs=1e-4
    )


def test_nobody_known_to_have_failed_yet_gives_the_exact_bound():
    """Clopper & Pearson (1934) by scipy; units that may have failed already count as failed, until more is known."""
    curve = survival_curve(Lives.from_arrays(lower=[4, 6, 20, 20, 20], upper=[8, 9, np.inf, np.inf, np.inf]))
    at = curve.at([0, 4, 5, 7])
    later = curve.table["lower"][0]
    assert binomtest(3, 5).proportion_ci().low < later < binomtest(4, 5).proportion_ci().low
    assert at["lower"].to_numpy() == pytest.approx(
        [0.025 ** (1 / 5)] * 2 + [binomtest(4, 5).proportion_ci().low, later]
    )
    assert at["upper"].tolist() == [1.0] * 4
    assert at["at_risk"].tolist() == [5, 5, 4, 3]


def test_units_found_dead_at_the_end_of_the_season_leave_the_days_before_open():
    """Nobody looked before day 180, so survival by day 120 may be anything between that by day 180 and 1."""
    failed, working = np.array([0] * 9 + [181] * 16), np.array([180] * 9 + [np.inf] * 16)
    at = survival_curve(Lives.from_arrays(lower=failed, upper=working)).at([120, 179])
    assert at["lower"].to_numpy() == pytest.approx([binomtest(16, 25).proportion_ci().low] * 2)
    assert at["upper"].tolist() == [1.0, 1.0]


def test_limits_hold_the_truth_where_units_are_seen_only_when_they_come_back():
    """Weibull lives of shape 1.5, 30 % failed by day 180; each unit is looked at once, between day 180 and 199."""
    rng, held = np.random.default_rng(8), 0
    scale = 180 / (-np.log(0.7)) ** (1 / 1.5)
    for _ in range(60):
        life, end = np.ceil(scale * rng.weibull(1.5, 60)), rng.integers(180, 200, 60)
        lives = Lives.from_arrays(lower=np.where(life <= end, 0, end), upper=np.where(life <= end, end, np.inf))
        row = survival_curve(lives).at([120]).iloc[0]
        held += row["lower"] <= np.exp(-((120 / scale) ** 1.5)) <= row["upper"]
    assert held >= 54


def test_inside_a_cell_limits_are_those_of_its_start_and_of_its_end():
    lives = Lives.from_arrays(lower=[0, 1, 30, 30, 90, 90, 90, 95], upper=[10, 12, 80, 75, *[np.inf] * 4])
    curve = survival_curve(lives)
    table, at = curve.table, curve.at([50]).iloc[0]
    assert (table["from"].iloc[1], table["to"].iloc[1]) == (30, 75)
    assert (at["lower"], at["upper"]) == (table["lower"].iloc[1], table["upper"].iloc[0])


def test_strip_of_known_and_unknown_units():
    table = survival_curve(Lives.from_arrays(lower=[0, 2, 5, 9], upper=[6, 7, np.inf, np.inf])).table
    row = table.iloc[0]
    assert (row["from"], row["to"]) == (5.0, 6.0)
    assert (row["known_working"], row["unknown"]) == (1, 1)


def test_open_cell_keeps_its_mass_and_is_said():
    curve = survival_curve(Lives.from_arrays(lower=[0, 4, 6, 30, 31], upper=[10, 8, 9, np.inf, np.inf]))
    table = curve.table
    assert np.isinf(table["to"].iloc[-1])
    assert table["mass"].sum() == pytest.approx(1.0)
    assert any("is not known" in note for note in curve.notes)
    assert np.isnan(curve.at(table["from"].iloc[-1] + 1)["survival"][0])


def test_shared_grid_is_the_product_limit_curve_on_the_later_visit():
    lower = np.array([0, 0, 30, 30, 60, 30, 90.0])
    upper = np.array([30, 30, 60, 60, 90, np.inf, np.inf])
    curve = survival_curve(Lives.from_arrays(lower=lower, upper=upper))
    other = survival_curve(Lives.from_arrays(np.where(np.isfinite(upper), upper, lower), np.isfinite(upper)))

    assert curve.kind == "product-limit"
    pd.testing.assert_frame_equal(curve.table, other.table)
    assert "one grid" in curve.notes[0]


@pytest.mark.parametrize("entry", [False, True])
def test_shared_grid_maximises_the_interval_likelihood(entry):
    rng = np.random.default_rng(4)
    visit = rng.integers(1, 6, 60)
    failed = rng.random(60) < 0.6
    start = 30.0 * np.floor(rng.random(60) * (visit - 1)) if entry else np.zeros(60)
    lower = np.where(failed, 30.0 * (visit - 1), 30.0 * visit)
    lives = Lives.from_arrays(lower=lower, upper=np.where(failed, 30.0 * visit, np.inf), entry=start)
    curve, found = survival_curve(lives), fitted(lives)
    ends = found.cells.end[np.isfinite(found.cells.end)]

    assert curve.kind == "product-limit"
    assert curve.at(ends)["survival"].to_numpy() == pytest.approx(found.survival[: len(ends)], abs=1e-7)


def test_grid_is_recognised_only_without_ends_inside():
    inf = np.inf
    assert shares_one_grid(np.array([0, 2.0, 2]), np.array([2, 4.0, inf]), np.zeros(3))
    assert not shares_one_grid(np.array([0, 3.0]), np.array([4, inf]), np.zeros(2))
    assert not shares_one_grid(np.array([0, 5.0]), np.array([4, inf]), np.array([0, 3.0]))


def test_exact_lives_written_as_one_day_intervals_give_the_same_curve():
    lives = Lives.from_arrays([3, 5, 5, 9], [1, 1, 0, 1])
    wide = Lives.from_arrays(lower=[2, 4, 5, 8], upper=[3, 5, np.inf, 9])
    pd.testing.assert_frame_equal(survival_curve(lives).table, survival_curve(wide).table)


def test_entry_days_end_cells():
    """Alioum & Commenges (1996): mass may gather just before a unit came under observation."""
    cells = turnbull_cells(np.array([0.0, 6.0]), np.array([10.0, 12.0]), np.array([0.0, 4.0]))
    assert list(zip(cells.start, cells.end, strict=True)) == [(0.0, 4.0), (6.0, 10.0)]
    assert cells.entered.tolist() == [0, 1]


def test_no_maximum_under_delayed_entry_is_not_a_number():
    """The only unit at risk before day 4 fails by then; later entrants cannot say what share came so far."""
    lives = Lives.from_arrays(lower=[1, 6, 7, 12], upper=[3, 10, 11, np.inf], entry=[0, 5, 5, 5])
    curve = survival_curve(lives)

    assert curve.kind == "npmle"
    assert curve.table[["mass", "survival", "lower", "upper"]].isna().all(axis=None)
    assert any("no maximum" in note for note in curve.notes)
    assert curve.at([0.5, 8])["survival"].to_numpy() == pytest.approx([1.0, np.nan], nan_ok=True)


def test_delayed_entry_of_exact_lives_is_the_product_limit_curve():
    rng = np.random.default_rng(9)
    life = rng.integers(5, 60, 50).astype(float)
    start = np.where(rng.random(50) < 0.5, np.floor(rng.random(50) * life), 0)
    start[:5] = 0
    lives = Lives.from_arrays(life, rng.random(50) < 0.7, entry=start)
    table = survival_curve(lives).table[lambda t: t["failures"] > 0]
    found = fitted(lives)

    assert not found.breaks_off
    seen = dict(zip(found.cells.end, found.survival, strict=True))
    assert [seen[day] for day in table["time"]] == pytest.approx(table["survival"].tolist(), abs=1e-8)


def test_lives_known_to_the_day_are_fitted_without_a_climb(monkeypatch):
    """Failures over those who outlived the cell: Kaplan & Meier (1958), late entry included."""

    def climb(*_, **__):
        raise AssertionError("a climb was begun")

    for name in ("start_by_em", "_step"):
        monkeypatch.setattr(f"workbench.estimate.turnbull.npmle.{name}", climb)
    rng = np.random.default_rng(4)
    time, failed = rng.integers(5, 40, 300).astype(float), rng.random(300) < 0.5
    time[:2], failed[:2] = 41.0, False
    entry = np.where(rng.random(300) < 0.3, 4.0, 0.0)
    fitted = mass_of(time, np.where(failed, time, np.inf), entry, weight=np.ones(300))
    curve = survival_curve(Lives.from_arrays(time, failed, entry=entry)).at([10.0, 20.0, 35.0]).survival
    ours = [fitted.survival[fitted.cells.end <= day][-1] for day in (10.0, 20.0, 35.0)]
    assert ours == pytest.approx(curve.tolist(), rel=1e-12)


def test_weights_equal_repeated_rows():
    lives = mixed(12, 40, entry=True)
    weight = np.random.default_rng(1).integers(1, 4, 40)
    weighted = survival_curve(lives.replace(weight=weight)).table
    rows = survival_curve(lives.take(np.repeat(np.arange(40), weight))).table
    pd.testing.assert_frame_equal(weighted, rows, rtol=1e-7, atol=1e-8)


def test_order_of_rows_and_unit_of_time_change_nothing():
    lives = mixed(13, 40, entry=True)
    shuffled = lives.take(np.random.default_rng(0).permutation(40))
    scaled = lives.replace(lower=24 * lives.lower, upper=24 * lives.upper, entry=24 * lives.entry)
    table = survival_curve(lives).table

    pd.testing.assert_frame_equal(table, survival_curve(shuffled).table)
    values = table.drop(columns=["from", "to"])
    pd.testing.assert_frame_equal(values, survival_curve(scaled).table.drop(columns=["from", "to"]))


def test_groups_are_fitted_apart():
    lives = mixed(14, 60)
    grouped = lives.replace(covariates={"seal": ["a", "b"] * 30})
    both = survival_curve(grouped, "seal").table
    alone = survival_curve(lives.take(np.arange(0, 60, 2))).table
    pd.testing.assert_frame_equal(
        both[both["group"] == "a"].drop(columns="group").reset_index(drop=True), alone.drop(columns="group")
    )


def test_all_left_censored_at_one_day():
    table = survival_curve(Lives.from_arrays(lower=[0, 0, 0], upper=[5, 5, 7])).table
    assert table["survival"].tolist()[-1] == 0.0
    assert not np.isinf(table[["lower", "upper"]].to_numpy()).any()


def test_difference_of_interval_curves_has_limits_but_no_p():
    lives = mixed(15, 80).replace(covariates={"seal": ["a", "b"] * 40})
    row = survival_curve(lives, "seal").difference(20).iloc[0]
    assert row["lower"] < row["difference"] < row["upper"]
    assert np.isnan(row["p_value"])


def test_hard_overlapping_intervals_are_fitted_fast():
    """300 lives in wide overlapping intervals: plain EM needs many thousand steps; here well under a second."""
    rng = np.random.default_rng(2)
    life = 100 * rng.weibull(1.5, 300)
    lower = np.where(life > 150, 150.0, life * rng.random(300))
    upper = np.where(life > 150, np.inf, life + 80 * rng.random(300))
    start = time.perf_counter()
    found = mass_of(lower, upper, np.zeros(300), weight=np.ones(300))
    assert time.perf_counter() - start < 1.0
    assert found.worst <= 1e-6


def test_the_shortcut_puts_failures_on_the_day_they_were_found_and_flatters():
    lives = Lives.from_arrays(lower=[0, 20, 5, 60], upper=[30, 50, 40, np.inf])
    shortcut = curve_if_failed_when_found(lives)

    assert shortcut.table["time"].tolist() == [30.0, 40.0, 50.0, 60.0]
    assert "longer-lived than they were" in shortcut.notes[0]
    assert shortcut.at(29)["survival"][0] > survival_curve(lives).at(29)["survival"][0]
    with pytest.raises(EstimateError, match="there are no lives, so there is no curve"):
        curve_if_failed_when_found(Lives.from_arrays([], []))
