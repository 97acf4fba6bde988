"""Proportional-hazards check: agreement with lifelines, power and level, laws, notes and errors."""

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter

from workbench.errors import EstimateError, UsageError
from workbench.estimate.cox.proportionality import proportionality_of
from workbench.lives import Lives


def _fleet(n=200, seed=1, late_effect=0.0):
    rng = np.random.default_rng(seed)
    salt = rng.normal(size=n)
    # hazard 0.01 exp(0.5 salt) up to day 60, then 0.01 exp((0.5 + late_effect) salt)
    draw = rng.exponential(size=n)
    early = 0.01 * np.exp(0.5 * salt)
    late = 0.01 * np.exp((0.5 + late_effect) * salt)
    life = np.where(draw < 60 * early, draw / early, 60 + (draw - 60 * early) / late)
    end = rng.uniform(80, 250, n)
    frame = pd.DataFrame(
        {"salt": salt, "seal": rng.choice(["cord", "flat", "ring"], n), "site": rng.choice(["a", "b"], n)}
    )
    return np.minimum(life, end), life <= end, frame


def _lives(fleet, **more):
    return Lives.from_arrays(fleet[0], fleet[1], covariates=fleet[2], **more)


def test_scaled_residuals_agree_with_lifelines():
    time, failed, frame = _fleet()
    check = proportionality_of(_lives((time, failed, frame)), "salt")
    other = frame[["salt"]].assign(time=time, failed=failed)
    model = CoxPHFitter().fit(other, "time", "failed", fit_options={"precision": 1e-10})
    residuals = model.compute_residuals(other, "scaled_schoenfeld")
    order = np.sort(time[failed])
    np.testing.assert_allclose(check.residuals["time"], order)
    expected = residuals.loc[np.flatnonzero(failed)[np.argsort(time[failed])], "salt"]
    np.testing.assert_allclose(
        check.residuals["log_hazard_ratio"] - model.params_["salt"], expected, rtol=1e-5, atol=1e-6
    )


def test_an_effect_that_turns_round_is_seen_and_a_constant_one_is_not():
    turning = proportionality_of(_lives(_fleet(600, 2, late_effect=-1.2)), ["salt", "seal"])
    assert turning.table["p_value"][0] < 1e-4
    level = [proportionality_of(_lives(_fleet(120, seed)), "salt").columns["p_value"][0] for seed in range(100)]
    assert 0.0 <= np.mean(np.array(level) < 0.05) <= 0.12  # 5 % expected, 99.9 % limits of 100 draws
    assert 0.3 < np.median(level) < 0.7


def test_four_times_the_units_see_half_the_change():
    check = proportionality_of(_lives(_fleet(200)), "salt", ties="breslow")
    assert check.columns["change_seen"][0] > 1
    more = proportionality_of(_lives(_fleet(200), weight=np.full(200, 4)), "salt", ties="breslow")
    np.testing.assert_allclose(np.log(more.columns["change_seen"]), np.log(check.columns["change_seen"]) / 2, rtol=1e-6)


@pytest.mark.parametrize("clock", ["survival", "rank", "time", "log"])
def test_weights_equal_repeated_rows_and_order_does_not_matter(clock):
    time, failed, frame = _fleet(90)
    time = np.ceil(time / 5) * 5
    weight = np.random.default_rng(0).integers(1, 4, 90)
    rows = np.random.default_rng(1).permutation(np.repeat(np.arange(90), weight))
    one = proportionality_of(_lives((time, failed, frame), weight=weight), ["salt", "seal"], within="site", clock=clock)
    many = proportionality_of(
        _lives((time[rows], failed[rows], frame.iloc[rows])), ["salt", "seal"], within="site", clock=clock
    )
    pd.testing.assert_frame_equal(one.table, many.table, rtol=1e-7)
    pd.testing.assert_frame_equal(one.residuals, many.residuals, rtol=1e-7)


def test_few_failures_are_said():
    check = proportionality_of(_lives(_fleet(40)), "salt")
    assert any("cannot see much" in note for note in check.notes)
    assert any("would have to change its hazard ratio by a factor of" in note for note in check.notes)


def test_errors():
    time, failed, frame = _fleet(60)
    lives = _lives((time, failed, frame))
    with pytest.raises(UsageError, match="clock must be one of"):
        proportionality_of(lives, "salt", clock="km")
    with pytest.raises(UsageError, match="ties must be one of"):
        proportionality_of(lives, "salt", ties="exact")
    with pytest.raises(EstimateError, match="known only to intervals"):
        proportionality_of(Lives.from_arrays(lower=[0, 1], upper=[3, 2], covariates={"salt": [1, 2]}), "salt")
    with pytest.raises(EstimateError, match="failures at two times"):
        proportionality_of(_lives((time, time == time.min(), frame)), "salt")
    with pytest.raises(EstimateError, match="no failures with ring"):
        proportionality_of(_lives((time, failed & (frame["seal"] != "ring").to_numpy(), frame)), "seal")
    with pytest.raises(EstimateError, match="no finite value"):
        ordered = pd.DataFrame({"x": -(np.arange(1, 9.0) ** 2)})
        proportionality_of(Lives.from_arrays(np.arange(1, 9), np.ones(8), covariates=ordered), "x")
    with pytest.raises(EstimateError, match="time 0 has no logarithm"):
        proportionality_of(
            _lives((np.where(np.arange(60) == np.argmax(failed), 0, time), failed, frame)), "salt", clock="log"
        )
