"""Limits that are searched for when asked for: those of all rows, and nothing searched for that nobody reads."""

import pickle

import numpy as np
import pytest

from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.estimate.steps import RowLimits, row_limits
from workbench.lives import Lives

DAYS = [0.4, 3.0, 20.0, 41.7, 80.0, 119.0]


def _many_spans(late):
    """Failures, half of them known, the others between rounds of days of their own; two groups of some 70 cells."""
    rng = np.random.default_rng(7)
    n = 400
    life, round_at = 100 * rng.weibull(1.4, n), rng.random(n) * 20
    before = round_at + 20 * np.floor((life - round_at) / 20)
    known = rng.random(n) < 0.5
    lower = np.where(known, life, np.maximum(before, 0.0))
    upper = np.where(known, life, before + 20)
    out = upper > 125
    lower, upper = np.where(out, np.minimum(lower, 125.0), lower), np.where(out, np.inf, upper)
    entry = np.where(rng.random(n) < 0.2, 0.5 * lower, 0.0) if late else np.zeros(n)
    cause = np.where(out, "", rng.choice(["bite", "water"], n))
    group = np.where(np.arange(n) % 2, "left", "right")
    return Lives.from_arrays(lower=lower, upper=upper, entry=entry, cause=cause, covariates={"kind": group})


@pytest.fixture(autouse=True)
def few_rows_are_many(monkeypatch):
    monkeypatch.setattr(row_limits, "_ALL_AT_ONCE", 10)


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("estimate", [survival_curve, cumulative_incidence])
def test_limits_asked_for_are_those_of_the_whole_table(estimate, late):
    lives = _many_spans(late)
    asked, whole = estimate(lives, "kind"), estimate(lives, "kind")
    assert min(np.diff(whole.bounds)) > 10
    whole.columns["lower"]
    found, wanted = asked.at(DAYS), whole.at(DAYS)
    assert found[["lower", "upper"]].notna().to_numpy().all()
    for name in ("lower", "upper"):
        np.testing.assert_allclose(found[name], wanted[name], atol=1e-6)


def test_nothing_is_searched_for_that_is_not_read():
    def never(rows):
        raise AssertionError(rows)

    for curve in (survival_curve(_many_spans(False)), cumulative_incidence(_many_spans(False))):
        value = "survival" if "survival" in curve.columns else "incidence"
        parts = len(curve.bounds) - 1
        object.__setattr__(curve, "limits", RowLimits((never,) * parts, curve.bounds))
        found = curve.at([20.0, 80.0], limits=False)
        assert found[value].notna().all() and found[["lower", "upper"]].isna().to_numpy().all()
        with pytest.raises(AssertionError):
            curve.at(20.0)


def test_ages_by_halving_are_those_read_from_all_limits(monkeypatch):
    lives = _many_spans(True)
    halved = survival_curve(lives, "kind").quantile([0.1, 0.5, 0.9, 0.9999])
    monkeypatch.setattr(row_limits, "_ALL_AT_ONCE", 10_000)
    read = survival_curve(lives, "kind").quantile([0.1, 0.5, 0.9, 0.9999])
    assert halved["time"].notna().sum() == 4 and halved["upper"].notna().any() and halved["upper"].isna().any()
    np.testing.assert_allclose(halved.iloc[:, 1:], read.iloc[:, 1:])


def test_limits_spread_over_a_table_stand_in_the_last_rows_up_to_the_days():
    curve = survival_curve(_many_spans(False), "kind")
    end = curve.columns["to"]
    lower, upper = curve.limits.spread(end, np.array([40.0, 80.0]))
    given = np.flatnonzero(np.isfinite(lower))
    assert given.size == 4 and (np.isfinite(upper) == np.isfinite(lower)).all()
    for g, rows in enumerate((slice(*curve.bounds[:2]), slice(*curve.bounds[1:]))):
        last = [int(np.flatnonzero(end[rows] <= day)[-1]) + rows.start for day in (40.0, 80.0)]
        assert given[2 * g : 2 * g + 2].tolist() == last
    np.testing.assert_allclose(lower[given], curve.table["lower"].to_numpy()[given], atol=1e-6)


def test_a_result_keeps_its_late_limits_in_another_process():
    curve = survival_curve(_many_spans(False))
    copy = pickle.loads(pickle.dumps(curve))
    np.testing.assert_allclose(copy.at(80.0)["lower"], curve.at(80.0)["lower"])
    assert list(copy.table) == list(curve.table) == list(copy.columns) and len(copy.columns) == 9
