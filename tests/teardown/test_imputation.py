"""Imputation: Rubin's rules against published examples, contributions against Aalen-Johansen, edges."""

import numpy as np
import pytest

from tests.teardown.builders import records, small_table
from workbench.errors import EstimateError
from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.lives import Lives
from workbench.teardown.ends.contributions import failure_contributions
from workbench.teardown.ends.imputation import draw_mechanisms, imputed_incidence, pool_estimates
from workbench.teardown.mechanisms.mechanism import suggest_from_records


def test_pooling_ten_estimates_as_published():
    # help page of poolImpute in a public collection of R functions: estimates 1 to 10 with standard errors 1:10/5
    pooled = pool_estimates(np.arange(1.0, 11), (np.arange(1.0, 11) / 5) ** 2)
    assert float(pooled.estimate) == 5.5
    assert np.sqrt(pooled.total) == pytest.approx(3.409301, abs=5e-7)


def test_share_of_variance_due_to_missing_values_as_published():
    # Heymans & Eekhout, Applied Missing Data Analysis (open book), section 10.1: three data sets, between 0.040027,
    # total 0.849084, lambda 0.06283485 (printed from inputs with more digits)
    between, total, m = 0.040027, 0.849084, 3
    spread = np.sqrt(between) * np.array([-1.0, 0.0, 1.0])
    pooled = pool_estimates(spread, np.full(m, total - (1 + 1 / m) * between))
    assert float(pooled.between) == pytest.approx(between, rel=1e-12)
    assert float(pooled.total) == pytest.approx(total, rel=1e-12)
    assert float((pooled.total - pooled.within) / pooled.total) == pytest.approx(0.06283485, abs=3e-5)


def test_pooling_five_means_of_a_fitness_study():
    # oxygen uptake of 31 people, five imputations: inputs read in the manual of a general statistics program; its
    # results (between 0.041478, within 0.930853, total 0.980626) are from memory and rest on unrounded inputs
    means = np.array([47.0120, 47.2407, 47.4995, 47.1485, 47.0042])
    errors = np.array([0.95984, 0.93540, 1.00766, 0.95439, 0.96528])
    pooled = pool_estimates(means, errors**2)
    assert float(pooled.estimate) == pytest.approx(47.180993, abs=2e-5)
    assert float(pooled.between) == pytest.approx(0.041478, abs=1e-5)
    assert float(pooled.within) == pytest.approx(0.930853, abs=2e-6)
    assert float(pooled.total) == pytest.approx(0.980626, abs=1e-5)
    assert float(pooled.degrees_of_freedom) == pytest.approx(4 * (1 + 1 / 0.053461) ** 2, rel=1e-3)


def test_estimates_that_agree_add_nothing():
    pooled = pool_estimates(np.full(5, 2.0), np.full(5, 0.25))
    assert float(pooled.total) == 0.25 and np.isinf(pooled.degrees_of_freedom)
    with pytest.raises(EstimateError, match="at least 2"):
        pool_estimates(np.ones(1), np.ones(1))


def mixed_lives(seed=3, n=120):
    rng = np.random.default_rng(seed)
    time, failed = rng.integers(5, 90, n).astype(float), rng.random(n) < 0.6
    cause = np.where(failed, rng.choice(["a", "b", "undetermined"], n, p=[0.5, 0.3, 0.2]), "")
    return Lives.from_arrays(
        time,
        failed,
        entry=np.where(rng.random(n) < 0.3, np.floor(time / 3), 0),
        weight=rng.integers(1, 4, n),
        cause=cause,
        covariates={"seal": rng.choice(["x", "y"], n)},
    )


@pytest.mark.parametrize("by", [None, "seal"])
def test_contributions_add_up_to_aalen_johansen(by):
    lives, times = mixed_lives(), [10.0, 40.0, 70.0]
    labels, codes, parts = failure_contributions(lives, times, by)
    known = cumulative_incidence(lives, by).at(times)
    for g, label in enumerate(labels):
        for cause in ("a", "b", "undetermined"):
            mine = (codes == g) & (lives.cause == cause)
            wanted = known[(known["group"] == label) & (known["cause"] == cause)]["incidence"]
            assert parts[mine].sum(axis=0) == pytest.approx(wanted.to_numpy(), abs=1e-12)


def test_contributions_of_interval_lives_add_up_to_the_curve():
    rng = np.random.default_rng(5)
    low = rng.integers(0, 60, 80).astype(float)
    up = np.where(rng.random(80) < 0.6, low + rng.integers(1, 30, 80), np.inf)
    lives = Lives.from_arrays(lower=low, upper=up)
    curve = survival_curve(lives)
    assert curve.kind == "npmle"
    times = [12.0, 33.0, 50.0]
    _, _, parts = failure_contributions(lives, times)
    assert parts.sum(axis=0) == pytest.approx(1 - curve.at(times)["survival"].to_numpy(), abs=1e-6)
    assert (parts >= 0).all() and (parts[~lives.failed] == 0).all()


@pytest.mark.parametrize("late", [False, True])
def test_contributions_share_out_each_drop_by_the_chance_of_each_life(late):
    rng = np.random.default_rng(6)
    low = rng.integers(0, 60, 90).astype(float)
    up = np.where(rng.random(90) < 0.3, low, low + rng.integers(1, 30, 90))
    out = rng.random(90) < 0.3
    entry = np.where(rng.random(90) < 0.4, np.floor(low / 2), 0.0) if late else None
    weight = rng.integers(1, 4, 90)
    lives = Lives.from_arrays(
        lower=low + 1, upper=np.where(out, np.inf, up + 1), entry=entry, weight=weight, cause=np.where(out, "", "any")
    )
    times = np.array([12.0, 33.5, 50.0])
    _, _, parts = failure_contributions(lives, times)
    drops = survival_curve(lives).table
    drops = drops[(drops["mass"] > 1e-9) & np.isfinite(drops["to"])]
    start, end, mass = (drops[name].to_numpy() for name in ("from", "to", "mass"))
    passed = np.where(
        end > start, (times[:, None] - start) / np.where(end > start, end - start, 1), times[:, None] >= end
    )
    wanted = np.zeros(parts.shape)
    chances = np.zeros((len(lives), mass.size))
    for i in np.flatnonzero(lives.failed):  # the long way: life by life, drop by drop
        low, up = lives.lower[i], lives.upper[i]
        inside = end == up if low == up else (start >= low) & (end > low) & (end <= up)
        chances[i] = lives.weight[i] * inside * mass / (inside * mass).sum()
    for j in range(mass.size):
        wanted += np.outer(chances[:, j] / chances[:, j].sum(), np.clip(passed[:, j], 0, 1)) * mass[j]
    np.testing.assert_allclose(parts, wanted, atol=1e-7)


def test_nothing_undetermined_returns_the_recorded_incidence_and_its_limits():
    lives = mixed_lives()
    lives = lives.replace(cause=np.where(lives.cause == "undetermined", "b", lives.cause))
    table = imputed_incidence(lives, np.empty((2, 0), dtype=object), [40.0]).table
    known = cumulative_incidence(lives).at([40.0])
    for name in ("incidence", "lower", "upper"):
        assert table[name].to_numpy() == pytest.approx(known[name].to_numpy(), abs=1e-9)
    assert table["recorded"].to_numpy() == pytest.approx(table["most"].to_numpy())


def test_worst_cases_hold_the_imputed_figure_between_them():
    lives = mixed_lives()
    unknown = int((lives.cause == "undetermined").sum())
    rng = np.random.default_rng(0)
    drawn = rng.choice(np.array(["a", "b"], dtype=object), (50, unknown))
    table = imputed_incidence(lives, drawn, [20.0, 60.0], by="seal").table
    assert len(table) == 2 * 2 * 2
    early, late = table[table["time"] == 20.0], table[table["time"] == 60.0]
    assert (late["recorded"] < late["incidence"]).all() and (late["incidence"] < late["most"]).all()
    assert (early["recorded"] <= early["incidence"] + 1e-12).all() and (
        early["incidence"] <= early["most"] + 1e-12
    ).all()
    assert (table["lower"] < table["incidence"]).all() and (table["incidence"] < table["upper"]).all()
    assert ((late["missing_share"] > 0) & (late["missing_share"] < 1)).all()


def test_a_cause_never_drawn_has_no_zero_width_limits():
    lives = Lives.from_arrays(
        [5, 6, 7, 8, 9, 9, 9, 9], [1, 1, 1, 1, 0, 0, 0, 0], cause=["a", "a", "undetermined", "b", "", "", "", ""]
    )
    drawn = np.array([["a"], ["a"], ["b"], ["a"]], dtype=object)
    row = imputed_incidence(lives, drawn, [7.0]).table.set_index("cause").loc["b"]
    assert row["recorded"] == 0 and row["lower"] == 0 and row["upper"] > 0.2


def test_drawn_mechanisms_follow_the_signs_and_the_seed():
    log = records(*[{"ring": "yes", "marks": "no", "dents": "no"}] * 3, {"marks": "yes", "ring": "no", "dents": "yes"})
    s = suggest_from_records(log, table=small_table())
    drawn = draw_mechanisms(s, np.arange(4), draws=400, seed=2)
    assert np.array_equal(drawn, draw_mechanisms(s, np.arange(4), draws=400, seed=2))
    share = (drawn == "leak").mean(axis=0)
    # parameters are drawn too, so shares are pulled in from 0.98 and 0.02
    assert (share[:3] > 0.80).all() and share[3] < 0.25


def test_shapes_that_do_not_fit_are_refused():
    lives = mixed_lives()
    with pytest.raises(EstimateError, match="give at least 2 rows of"):
        imputed_incidence(lives, np.empty((3, 1), dtype=object), [10.0])
    with pytest.raises(EstimateError, match="carry no causes"):
        imputed_incidence(lives.replace(cause=None), np.empty((2, 0), dtype=object), [10.0])
