"""Hazard ratios of interval lives: errors, laws, shrinkage, and effects that run away."""

import numpy as np
import pandas as pd
import pytest

from tests.estimate.cox.test_hazard_ratios import TERMS, _lives, _log, _season, _visited
from workbench.estimate.cox.hazard_ratios import fit_hazard_ratios
from workbench.estimate.cox.interval_likelihood import _Model
from workbench.estimate.cox.interval_problem import interval_problem
from workbench.lives import Lives


def test_shrunken_and_robust_errors_of_interval_lives_equal_breslow_on_exact_lives():
    frame, time, failed, _ = _season(n=70)
    unit = frame["unit"].to_numpy()
    exact = _lives(frame, time, failed, cluster=unit)
    spans = Lives.from_arrays(
        lower=np.append(time, 0.0),
        upper=np.append(np.where(failed, time, np.inf), 1e6),
        covariates=pd.concat([frame, frame.iloc[:1]], ignore_index=True),
        cluster=np.append(unit, unit[0]),
    )
    mine, other = (fit_hazard_ratios(x, "seal", ties="breslow", shrink=0.5) for x in (spans, exact))
    np.testing.assert_allclose(_log(mine), _log(other), atol=1e-4)
    assert mine.degrees_of_freedom == pytest.approx(other.degrees_of_freedom, rel=1e-3)
    for name in ("std_error", "robust_std_error"):
        np.testing.assert_allclose(mine.columns[name], other.columns[name], rtol=2e-3)


def test_interval_laws_weights_shuffling_reference_and_time():
    frame, time, failed, _ = _season(n=120)
    lives = _visited(frame, time, failed, 17)
    base = fit_hazard_ratios(lives, TERMS)
    assert np.isfinite(_log(base)).all() and base.ties == "not used"
    double = fit_hazard_ratios(lives.replace(weight=np.full(len(frame), 2)), TERMS)
    twice = fit_hazard_ratios(lives.take(np.repeat(np.arange(len(frame)), 2)), TERMS)
    np.testing.assert_allclose(_log(double), _log(twice), atol=1e-7)
    np.testing.assert_allclose(double.columns["std_error"], base.columns["std_error"] / np.sqrt(2), rtol=1e-4)
    order = np.random.default_rng(5).permutation(len(frame))
    np.testing.assert_allclose(_log(fit_hazard_ratios(lives.take(order), TERMS)), _log(base), atol=1e-7)
    slow = fit_hazard_ratios(lives.replace(lower=lives.lower * 24, upper=lives.upper * 24), TERMS)
    np.testing.assert_allclose(_log(slow), _log(base), atol=1e-7)


def test_interval_standard_errors_are_the_curvature_of_the_profile():
    frame, time, failed, _ = _season(n=120)
    lives = _visited(frame[["salt"]], time, failed)
    fit = fit_hazard_ratios(lives, "salt")
    centre, step = float(_log(fit)[0]), 0.05
    values = [_profile(lives, centre + shift) for shift in (-step, 0.0, step)]
    curvature = -(values[0] - 2 * values[1] + values[2]) / step**2
    assert values[1] == pytest.approx(fit.log_likelihood, abs=1e-5)
    assert fit.columns["std_error"][0] == pytest.approx(curvature**-0.5, rel=0.01)


def _profile(lives, beta):
    # plain self-consistency in the baseline for a fixed coefficient, many steps: slow, and independent of Newton
    relative = np.exp(beta * lives.covariates["salt"].to_numpy())
    points = np.unique(lives.upper[np.isfinite(lives.upper)])
    before = points <= lives.lower[:, None]
    inside = (points > lives.lower[:, None]) & (points <= lives.upper[:, None]) & np.isfinite(lives.upper)[:, None]
    hazard = np.full(points.size, 0.01)
    for _ in range(20_000):
        chance = -np.expm1(-relative * (inside @ hazard))
        pull = np.where(inside.any(axis=1), relative / np.where(chance > 0, chance, 1.0), 0.0)
        hazard = hazard * (pull @ inside) / (relative @ (before | inside))
    inner = inside.any(axis=1)
    chance = -np.expm1(-relative * (inside @ hazard))[inner]
    return np.log(chance).sum() - relative @ (before @ hazard)


def test_interval_effects_without_a_finite_value():
    frame, time, failed, _ = _season()
    none = failed & (frame["seal"] != "ring").to_numpy()
    fit = fit_hazard_ratios(_visited(frame, time, none), TERMS)
    rest = fit_hazard_ratios(_visited(frame, time, none).take(frame["seal"].to_numpy() != "ring"), TERMS)
    assert np.isnan(_log(fit)[1]) and any("no failures with ring" in note for note in fit.notes)
    np.testing.assert_allclose(_log(fit)[[0, 2, 3]], _log(rest), atol=1e-5)
    first = (frame["seal"] == "ring").to_numpy()
    early = _visited(frame, np.where(first, 3.0, time + 30), failed | first, 7)
    fit = fit_hazard_ratios(early, TERMS)
    assert np.isnan(_log(fit)[1]) and np.isfinite(_log(fit)[[0, 2, 3]]).all()
    assert any("perfect order" in note for note in fit.notes)
    twins = fit_hazard_ratios(_visited(frame.assign(lid=frame["vent"]), time, failed), ["seal", "vent", "lid"])
    assert np.isnan(_log(twins)[2:]).all() and any("cannot be told apart" in note for note in twins.notes)


def test_interval_shrinkage_is_independent_of_the_reference():
    frame, time, failed, _ = _season(n=120)
    rows = []
    for order in (["cord", "flat", "ring"], ["ring", "cord", "flat"]):
        mine = frame.assign(seal=pd.Categorical(frame["seal"], order))
        table = fit_hazard_ratios(_visited(mine, time, failed), "seal", shrink=4.0).table
        rows.append(table.set_index("level").log_hazard_ratio.reindex(["cord", "flat", "ring"]).fillna(0.0))
    np.testing.assert_allclose(rows[0] - rows[0]["ring"], rows[1], atol=1e-5)


def test_sums_over_points_equal_those_of_full_tables():
    rng = np.random.default_rng(3)
    entry = np.floor(rng.uniform(0, 40, 60)) * (rng.random(60) < 0.4)
    lower = entry + rng.integers(0, 60, 60)
    upper = np.where(rng.random(60) < 0.7, lower + rng.integers(1, 30, 60), np.inf)
    strata = rng.integers(0, 2, 60)
    pattern, weight = np.zeros(60, dtype=np.int64), rng.integers(1, 4, 60)
    problem = interval_problem(np.zeros((1, 1)), pattern, strata, ends=(entry, lower, upper), weight=weight)
    model, place = _Model(problem), np.arange(problem.points.size)
    ended = ((place >= problem.middle[:, None]) & (place < problem.end[:, None])).astype(float)
    survived = ((place >= problem.start[:, None]) & (place < problem.middle[:, None])).astype(float)
    values = rng.normal(size=problem.weight.size)
    np.testing.assert_allclose(model.ended(values), values @ ended, atol=1e-12)
    np.testing.assert_allclose(model.survived(values), values @ survived, atol=1e-12)
    np.testing.assert_allclose(model.watched(values), values @ (ended + survived), atol=1e-12)
    both = (ended * values[:, None]).T @ ended
    np.testing.assert_allclose(np.triu(model.ended_at_both(values)), np.triu(both), atol=1e-12)


@pytest.mark.parametrize("seed", [8, 16, 56])
def test_dozen_lives_that_three_terms_explain_wholly_keep_a_finite_likelihood(seed):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {"a": rng.choice(list("abc"), 12), "b": rng.choice(list("xy"), 12), "z": rng.normal(size=12).round(2)}
    )
    lower = rng.integers(0, 5, 12) * 20.0
    upper = np.where(rng.random(12) < 0.7, lower + 20, np.inf)
    fit = fit_hazard_ratios(Lives.from_arrays(lower=lower, upper=upper, covariates=frame), ["a", "b", "z"])
    assert fit.null_log_likelihood < fit.log_likelihood < 0
