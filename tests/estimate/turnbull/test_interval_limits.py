"""Limits of interval curves: the profile likelihood by other optimisers, quantiles, and the steps of the search."""

import numpy as np
import pytest
from scipy.optimize import brentq, lsq_linear

from tests.estimate.turnbull.test_interval_curves import cells_with_a_start_at, fitted, mixed
from workbench import Lives, survival_curve
from workbench.estimate.turnbull import level_steps
from workbench.estimate.turnbull.interval_curves import mass_of
from workbench.estimate.turnbull.interval_limits import interval_curve_limits, open_after, ratio_limits
from workbench.estimate.turnbull.level_steps import bounded_step, free_step
from workbench.estimate.turnbull.mean_worth import Worth
from workbench.estimate.turnbull.npmle import NpmleProblem, change_of_lives, likelihood, start_by_em
from workbench.estimate.turnbull.turnbull_cells import turnbull_cells


def test_limit_on_a_straight_stretch_of_the_profile():
    """By hand: with hazards x before and y after the late entries, l = -x - 3 y + log(1 - exp(-y)).

    Survival 3/4 is best (x = 0, y = log 4/3). From y = log 3/2 on, x alone grows and l = log(1/3) + 2 log(2/3) - c at
    c = x + y, so the lower limit is exp(-c) where that is half the chi-square quantile below the maximum: c = 2.2605.
    """
    lives = Lives.from_arrays(lower=[0, 16, 16, 6, 16], upper=[np.inf, 31, 22, 9, 28], entry=[0, 6, 0, 3, 1])
    row, found = survival_curve(lives).table.iloc[0], fitted(lives)
    cell, sides = np.flatnonzero(found.mass > 1e-9)[:1], (found.reaching, found.waiting)
    (limit,), _ = interval_curve_limits(found.problems[0], found.fits[0], cell, sides=sides, wanted=1.959963984540054)
    most = -3 * np.log(4 / 3) + np.log(1 / 4)
    c = np.log(1 / 3) + 2 * np.log(2 / 3) - most + 0.5 * 3.841458820694124

    assert row["survival"] == pytest.approx(0.75)
    assert limit == pytest.approx(np.exp(-c), abs=1e-6)
    assert row["lower"] == pytest.approx(0.025)  # one unit only was watched all the time, as before any failure


@pytest.mark.parametrize("seed", [0, 2, 3, 4, 5, 7])
def test_limits_under_delayed_entry_by_a_general_optimiser(seed):
    """scipy's constrained optimiser finds the profile likelihood at each limit: twice its fall is 3.8415."""
    from scipy.optimize import minimize

    from workbench.estimate.turnbull.npmle import likelihood

    lives = mixed(300 + seed, 12, entry=True)
    found = fitted(lives)
    assert not found.breaks_off
    checked = 0
    for row in survival_curve(lives).table.itertuples():
        if not 0 < row.survival < 1 or not (lives.upper <= row.to).any():
            continue
        cells = cells_with_a_start_at(lives, row.to)
        cell = int(np.flatnonzero(cells.end == row.to)[0])
        problem = NpmleProblem(len(cells.start), cells.first, cells.last, cells.entered, lives.weight.astype(float))
        for limit in (row.lower, row.upper):
            level = -np.log(limit)
            start = np.full(problem.cells - 1, 0.05)
            start[: cell + 1] *= level / start[: cell + 1].sum()
            answer = minimize(
                lambda x, p=problem: min(-likelihood(p, np.maximum(x, 0.0)), 1e6),
                start,
                method="SLSQP",
                bounds=[(0, 60)] * len(start),
                constraints=[{"type": "eq", "fun": lambda x, k=cell, c=level: x[: k + 1].sum() - c}],
                options={"maxiter": 500, "ftol": 1e-12},
            )
            assert 2 * (found.fits[0].log_likelihood + answer.fun) == pytest.approx(3.841459, abs=1e-2)
            checked += 1
    assert checked >= 2


def profile_limit(lower, upper, day, quantile):
    """Upper likelihood-ratio limit of survival at a day by plain EM on every elementary span, mass by the day held."""
    ends = np.unique(np.concatenate([[0.0], lower, upper, [day, np.inf]]))
    may = (lower[:, None] <= ends[:-1]) & (ends[1:] <= upper[:, None])
    early = ends[1:] <= day

    def best(survival=None):
        mass = np.full(len(early), 1.0 / len(early))
        for _ in range(20_000):
            share = may * mass
            new = (share / share.sum(axis=1, keepdims=True)).mean(axis=0)
            if survival is not None:
                new[early] *= (1.0 - survival) / new[early].sum()
                new[~early] *= survival / new[~early].sum()
            if np.abs(new - mass).max() < 1e-11:
                break
            mass = new
        return float(np.log((may * mass).sum(axis=1)).sum()), float(mass[~early].sum())

    most, estimate = best()
    return brentq(lambda s: 2 * (most - best(s)[0]) - quantile, estimate + 1e-6, 1 - 1e-9, xtol=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("lower", "upper"),
    [
        ([0, 3, 0, 6, 20, 4, 8], [5, 9, 7, 12, np.inf, 6, 15]),
        ([2, 0, 5, 7, 1, 9, 12, 4], [6, 8, 11, 13, 7, 10, np.inf, np.inf]),
    ],
)
def test_upper_limit_lets_failures_gather_right_after_the_day(lower, upper):
    """The profile needs the span right after the day as well, which holds no mass at the maximum."""
    lower, upper = np.array(lower, dtype=float), np.array(upper, dtype=float)
    table = survival_curve(Lives.from_arrays(lower=lower, upper=upper)).table
    inner = table[(table["survival"] > 1e-6) & (table["to"] >= upper.min())]

    assert len(inner) >= 2
    for row in inner.itertuples():
        assert row.upper == pytest.approx(profile_limit(lower, upper, row.to, 3.841458820694124), abs=1e-4)


@pytest.mark.parametrize("seed", range(1, 7))
def test_the_span_after_a_cell_is_the_one_that_a_start_there_makes(seed):
    lives = mixed(400 + seed, 14, entry=True)
    found = fitted(lives)
    assert not found.breaks_off
    more = 0
    for cell in range(found.problems[0].cells - 1):
        opened, fit = open_after(found.problems[0], found.fits[0], cell, reaching=found.reaching, waiting=found.waiting)
        cells = cells_with_a_start_at(lives, found.cells.end[cell])
        places = sorted(zip(cells.entered, cells.first, cells.last, strict=True))
        repeated = np.repeat(np.arange(len(opened.weight)), opened.weight.astype(int))
        ours = zip(opened.entered[repeated], opened.first[repeated], opened.last[repeated], strict=True)
        if opened.cells > found.problems[0].cells:
            assert opened.cells == len(cells.start) and sorted(ours) == places
            assert fit.hazard[cell + 1] == 0.0 and fit.log_likelihood == found.fits[0].log_likelihood
            more += 1
    assert more >= 1


def test_limits_of_a_quantile_invert_the_pointwise_limits_and_reach_to_the_end_of_the_cell_above():
    """Within a cell the day of failure is not known; the end for both missed the truth in 30 of 150 seasons."""
    rng = np.random.default_rng(5)
    lower = rng.integers(0, 100, 30).astype(float)
    curve = survival_curve(Lives.from_arrays(lower=lower, upper=lower + rng.integers(10, 40, 30)))
    table, row = curve.table, curve.quantile(0.3).iloc[0]
    assert curve.kind == "npmle"
    days = np.arange(0.0, 140.0, 0.5)
    reached = days[curve.at(days)["lower"].to_numpy() <= 0.7 + 1e-9][0]  # the pointwise limits inverted from day 0 on
    assert reached - 0.5 <= row["lower"] <= reached
    assert row["time"] == table.loc[table["survival"] <= 0.7 + 1e-9, "to"].iloc[0]
    assert row["upper"] == table.loc[table["upper"] <= 0.7 + 1e-9, "to"].iloc[0]
    assert row["lower"] < row["time"] < row["upper"]


@pytest.mark.parametrize("entry", [False, True])
def test_each_step_of_the_start_raises_the_likelihood_and_many_reach_the_maximum(entry):
    """Dempster, Laird & Rubin (1977): no step of expectation and maximisation lowers the likelihood."""
    lives = mixed(3, 40, entry)
    cells = turnbull_cells(lives.lower, lives.upper, lives.entry)
    fitted = mass_of(lives.lower, lives.upper, lives.entry, weight=lives.weight)
    problem = NpmleProblem(len(cells.start), cells.first, cells.last, cells.entered, np.ones(40))
    reached = [likelihood(problem, start_by_em(problem, steps)) for steps in (0, 1, 2, 5, 20, 100, 3000)]
    assert (np.diff(reached) > 0).all()
    assert len(fitted.ends) == 1
    assert reached[-1] == pytest.approx(likelihood(problem, -np.log1p(-fitted.hazard[:-1])), abs=1e-3)


@pytest.mark.parametrize("entry", [False, True])
def test_limits_begun_where_the_last_one_ended_are_those_begun_afresh(entry):
    lives = mixed(21, 80, entry)
    found = fitted(lives)
    problem, fit = found.problems[0], found.fits[0]
    cells = np.flatnonzero(
        (found.mass[: problem.cells - 1] > 1e-9) & (found.cells.end[: problem.cells - 1] >= lives.upper.min())
    )
    lower, upper = interval_curve_limits(problem, fit, cells, sides=(found.reaching, found.waiting), wanted=1.96)
    for i, cell in enumerate(cells):
        opened, same = open_after(problem, fit, int(cell), reaching=found.reaching, waiting=found.waiting)
        after = Worth.of((np.arange(opened.cells) > cell).astype(float))
        assert ratio_limits(opened, same, (after, after), wanted=1.96) == pytest.approx((lower[i], upper[i]), abs=1e-5)
    assert len(cells) > 4


@pytest.mark.parametrize("many", [False, True], ids=["factorised", "by gradients"])
@pytest.mark.parametrize("bent", [False, True])
def test_steps_in_levels_are_those_of_a_dense_matrix_under_bounds(bent, many, monkeypatch):
    """scipy's bounded least squares on the full matrix of the increments (Cholesky factor and solved right side)."""
    monkeypatch.setattr(level_steps, "_MOST_LEVELS", 0 if many else 500)
    rng = np.random.default_rng(3)
    for _ in range(20):
        count = 7
        low = rng.integers(0, count, 30)
        high = np.minimum(low + rng.integers(1, 4, 30), count)
        low, high = np.append(low, np.arange(count)), np.append(high, np.arange(1, count + 1))
        weight, gradient, hazard = rng.random(37) + 0.1, rng.normal(size=count), rng.random(count)
        shares = rng.dirichlet(np.ones(count + 1)) if bent else np.zeros(count + 1)
        levels = np.tril(np.ones((count, count)))  # levels 1 ... k from increments
        ties = np.vstack([np.zeros((1, count)), levels])
        matrix = (ties[high] - ties[low]).T @ (weight[:, None] * (ties[high] - ties[low]))
        matrix += 2.0 * (ties.T @ (np.diag(shares) - np.outer(shares, shares)) @ ties)
        root = np.linalg.cholesky(matrix)
        answer = lsq_linear(root.T, np.linalg.solve(root, matrix @ hazard + gradient), (0, np.inf), tol=1e-14).x
        step = bounded_step(low, high, weight, gradient=gradient, hazard=hazard, bend=(shares, 2.0) if bent else None)
        assert hazard + step == pytest.approx(answer, abs=1e-5)
    free = free_step(low, high, weight, gradient=gradient)
    if not bent:
        assert free == pytest.approx(np.linalg.solve(matrix, gradient), abs=1e-6)


@pytest.mark.parametrize("values", [[0, 0, 1, 1], [0, 2, 2, 5], [1, 2, 3, 4]])
def test_level_of_a_worth_is_the_fall_of_its_mean(values):
    """The mean worth from the masses themselves; slopes by central differences."""
    worth, hazard = Worth.of(np.array(values, dtype=float)), np.array([0.3, 0.0, 0.7])

    def level(hazard):
        alive = np.append(np.exp(-np.append(0.0, np.cumsum(hazard))), 0.0)
        return -np.log(-np.diff(alive) @ np.array(values) / values[-1])

    assert worth.level(hazard) == pytest.approx(level(hazard))
    steps = 1e-6 * np.eye(3)
    slopes = [(level(hazard + step) - level(hazard - step)) / 2e-6 for step in steps]
    assert worth.slope(hazard) == pytest.approx(slopes, abs=1e-6)


def test_each_lifes_share_of_a_change_by_differences():
    lives = mixed(22, 30, entry=True)
    problem = fitted(lives).problems[0]
    rng = np.random.default_rng(1)
    hazard, change = rng.random(problem.cells - 1) + 0.1, rng.normal(size=problem.cells - 1)
    one_each = [
        NpmleProblem(
            problem.cells, problem.first[i : i + 1], problem.last[i : i + 1], problem.entered[i : i + 1], np.ones(1)
        )
        for i in range(len(problem.first))
    ]
    slopes = [(likelihood(p, hazard + 1e-6 * change) - likelihood(p, hazard - 1e-6 * change)) / 2e-6 for p in one_each]
    assert change_of_lives(problem, hazard, change) == pytest.approx(slopes, abs=1e-5)
