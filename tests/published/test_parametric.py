"""Parametric models against published figures; data, source and how the figures are known stand in parametric.json."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import gamma

from workbench.estimate.aft.time_ratios import fit_time_ratios
from workbench.estimate.life.distributions import fit_distribution
from workbench.lives import Lives

CASES = {c["id"]: c for c in json.loads(Path(__file__).with_name("parametric.json").read_text(encoding="utf-8"))}


def _close(case, got, expected):
    np.testing.assert_allclose(got, expected, rtol=case.get("rtol", 0.0), atol=case.get("atol", 0.0))


def _of(case):
    return CASES[case]["data"], CASES[case]["expected"], CASES[case]


def _values(fit, *names):
    return [fit.parameters[n] for n in names]


@pytest.mark.parametrize("name", ["par-nist-weibull", "par-nist-weibull-55"])
def test_nist_weibull_life_test(name):
    data, expected, case = _of(name)
    lives = Lives.from_arrays(data["time"], data["event"])
    fit = fit_distribution(lives)
    shape, scale = _values(fit, "shape", "scale")
    _close(case, [scale, shape], expected["eta"] + expected["beta"])
    np.testing.assert_allclose([fit.log_likelihood], expected["loglik"], atol=6e-4)
    np.testing.assert_allclose([fit.aic], expected["aic"], atol=6e-3)
    mean = scale * gamma(1 + 1 / shape)
    sd = scale * np.sqrt(gamma(1 + 2 / shape) - gamma(1 + 1 / shape) ** 2)
    _close(case, [mean, sd], expected["mean"] + expected["sd"])
    np.testing.assert_allclose([fit_distribution(lives, "lognormal").aic], expected["aic_lognormal"], atol=6e-3)


def test_ball_bearings_complete_sample():
    data, expected, case = _of("par-ball-bearing")
    lives = Lives.from_arrays(data["time"], data["event"])
    weibull, lognormal = fit_distribution(lives), fit_distribution(lives, "lognormal")
    _close(case, [*_values(weibull, "scale", "shape"), weibull.log_likelihood], expected["weibull"])
    _close(case, [*_values(lognormal, "mu", "sigma"), lognormal.log_likelihood], expected["lognormal"])
    _close(case, _values(fit_distribution(lives, "exponential"), "scale"), expected["mean"])


def test_locomotive_controls_lognormal_with_one_censored_row_for_59_units():
    data, expected, case = _of("par-locomotive")
    times = [*data["thousand_miles"], data["censored_at"]]
    failed = [True] * len(data["thousand_miles"]) + [False]
    weight = [1] * len(data["thousand_miles"]) + [data["censored_count"]]
    fit = fit_distribution(Lives.from_arrays(times, failed, weight=weight), "lognormal")
    mu, sigma = _values(fit, "mu", "sigma")
    _close(case, [mu, sigma], expected["ln"])
    _close(case, np.array([mu, sigma]) / np.log(10), expected["log10"])
    _close(case, [1 - fit.survival(80)], expected["F80"])


def test_remission_times_exponential_and_weibull():
    data, expected, case = _of("par-6mp-exponential")
    arms = [Lives.from_arrays(data[f"{arm}_time"], data[f"{arm}_event"]) for arm in ("treat", "control")]
    rates = [1 / fit_distribution(arm, "exponential").parameters["scale"] for arm in arms]
    np.testing.assert_allclose(rates, expected["rates"], atol=6e-6)
    both = Lives.from_arrays(
        data["treat_time"] + data["control_time"],
        data["treat_event"] + data["control_event"],
        covariates={"arm": pd.Categorical(["treat"] * 21 + ["control"] * 21, ["treat", "control"])},
    )
    row = fit_time_ratios(both, "arm", distribution="exponential").table.iloc[0]
    _close(case, [row["log_time_ratio"], row["std_error"]], expected["exp_log_ratio"])
    fit = fit_time_ratios(both, ["arm"])
    effect = fit.table["log_time_ratio"][0]
    _close(case, [fit.intercept, effect, fit.scale], expected["weibull"])
    _close(case, [-effect / fit.scale], expected["weibull_log_hr"])
    _close(case, [fit.log_likelihood], expected["loglik_weibull"])


def test_generator_fans_few_failures_many_suspensions():
    data, expected, case = _of("par-fan")
    lives = Lives.from_arrays(data["hours"], data["status"])
    weibull, lognormal = fit_distribution(lives), fit_distribution(lives, "lognormal")
    _close(case, fit_distribution(lives, "exponential").parameters["scale"], expected["total_failures_mean"][2])
    _close(case, [*_values(weibull, "scale", "shape"), weibull.log_likelihood], expected["weibull"])
    _close(case, _values(lognormal, "mu", "sigma"), expected["lognormal"])


@pytest.mark.parametrize("kilovolts", [26, 30, 34, 38])
def test_insulating_fluid_by_voltage(kilovolts):
    data, expected, case = _of("par-insulating-fluid")
    time = np.array(data["time"])[np.array(data["voltage"]) == kilovolts]
    fit = fit_distribution(Lives.from_arrays(time, np.ones(len(time), dtype=bool)))
    shape, scale = _values(fit, "shape", "scale")
    _close(case, [np.log(scale), 1 / shape, scale, shape], expected[f"kv{kilovolts}"])


def _motorettes():
    data, expected, case = _of("par-motorettes-arrhenius")
    hot = np.array(data["temp"]) > 150
    x = 1000 / (273.2 + np.array(data["temp"])[hot])
    lives = Lives.from_arrays(np.array(data["time"])[hot], np.array(data["status"])[hot], covariates={"x": x})
    return lives, expected, case


def test_motorettes_lognormal_on_inverse_temperature():
    lives, expected, case = _motorettes()
    fit = fit_time_ratios(lives, "x", distribution="lognormal")
    _close(case, [fit.intercept, fit.table["log_time_ratio"][0], fit.scale], expected["coef"])
    null = fit_time_ratios(lives, [], distribution="lognormal")
    np.testing.assert_allclose([null.log_likelihood, fit.log_likelihood], expected["loglik"], atol=0.06)
    for celsius in (130, 150):
        times = fit.quantile([0.1, 0.5, 0.9], {"x": 1000 / (273.2 + celsius)})["time"]
        np.testing.assert_allclose(times, expected[f"q{celsius}"], rtol=1e-6)


@pytest.mark.parametrize("distribution", ["weibull", "exponential", "loglogistic", "lognormal"])
def test_six_row_regression(distribution):
    data, expected, case = _of("par-tiny")
    lives = Lives.from_arrays(data["time"], data["event"], covariates={"x": np.array(data["x"], dtype=float)})
    fit = fit_time_ratios(lives, "x", distribution=distribution)
    _close(case, [fit.intercept, fit.table["log_time_ratio"][0], fit.scale], expected[distribution])


def _tobin():
    data, expected, case = _of("par-tobin-left")
    durable = np.array(data["durable"])
    # a normal model of y is a lognormal model of exp(y); y censored at 0 from the left has exp(y) in (0, 1]
    lives = Lives.from_arrays(
        lower=np.where(durable > 0, np.exp(durable), 0.0),
        upper=np.exp(durable),
        covariates={"age": data["age"], "quant": data["quant"]},
    )
    return lives, durable, expected, case


def test_left_censored_normal_regression():
    lives, durable, expected, case = _tobin()
    fit = fit_time_ratios(lives, ["age", "quant"], distribution="lognormal")
    _close(case, [fit.intercept, *fit.table["log_time_ratio"]], expected["coef"])
    _close(case, [fit.scale], expected["sigma"])
    _close(case, [fit.log_likelihood + durable.sum()], expected["loglik"])


def test_leukaemia_exponential_and_weibull_on_two_terms():
    data, expected, case = _of("par-leuk")
    lives = Lives.from_arrays(
        data["time"],
        np.ones(len(data["time"]), dtype=bool),
        covariates={
            "ag": pd.Categorical(data["ag"], ["absent", "present"] if "absent" in data["ag"] else None),
            "log_wbc": np.log(data["wbc"]),
        },
    )
    fit = fit_time_ratios(lives, ["ag", "log_wbc"], distribution="exponential")
    _close(case, [fit.intercept, *fit.table["log_time_ratio"]], expected["exp"])
    _close(case, np.sqrt(np.diag(fit.covariance)[:3]), expected["exp_se"])
    _close(case, [fit.log_likelihood], expected["exp_loglik"])
    fit = fit_time_ratios(lives, ["ag", "log_wbc"])
    _close(case, [fit.intercept, *fit.table["log_time_ratio"], fit.scale], expected["weibull"])


def test_air_conditioning_exponential_gamma_and_weibull():
    data, expected, case = _of("par-aircondit")
    lives = Lives.from_arrays(data["hours"], np.ones(len(data["hours"]), dtype=bool))
    _close(case, _values(fit_distribution(lives, "exponential"), "scale"), expected["mean"])
    shape, scale = _values(fit_distribution(lives, "gamma"), "shape", "scale")
    _close(case, [shape, 1 / scale], expected["gamma"])
    _close(case, _values(fit_distribution(lives), "scale", "shape"), expected["weibull"])


def _arrhenius_cells():
    data = CASES["plot-nist-arrhenius"]["data"]
    for celsius, n in zip(data["temp_C"], data["n"], strict=True):
        failures = data[f"cell_{celsius}"]
        yield celsius, failures, n - len(failures), data["test_length"]


def test_arrhenius_cells_jointly():
    _, expected, case = _of("plot-nist-arrhenius-ml")
    time, failed, weight, x = [], [], [], []
    for celsius, failures, survivors, length in _arrhenius_cells():
        time += [*failures, length]
        failed += [True] * len(failures) + [False]
        weight += [1] * len(failures) + [survivors]
        x += [11605 / (celsius + 273.16)] * (len(failures) + 1)
    lives = Lives.from_arrays(time, failed, weight=weight, covariates={"x": x})
    fit = fit_time_ratios(lives, "x", distribution="lognormal")
    _close(case, [fit.intercept, fit.table["log_time_ratio"][0], fit.scale], expected["coef"])
    _close(case, [fit.log_likelihood], expected["loglik"])


def _cosmesis():
    data, expected, case = _of("int-cosmesis-aft")
    upper = [np.inf if u in (None, "inf") else u for u in data["right"]]
    arm = pd.Categorical(data["treatment"], ["Rad", "RadChem"])
    return Lives.from_arrays(lower=data["left"], upper=upper, covariates={"arm": arm}), expected, case


@pytest.mark.parametrize("distribution", ["weibull", "lognormal", "loglogistic"])
def test_interval_censored_cosmesis(distribution):
    lives, expected, case = _cosmesis()
    fit = fit_time_ratios(lives, "arm", distribution=distribution)
    got = [fit.intercept, fit.table["log_time_ratio"][0], fit.scale, fit.log_likelihood]
    _close(case, got, expected[distribution])


def _cracks():
    data, expected, case = _of("int-cracks")
    seen, left = data["fail"], 167 - sum(data["fail"])
    lives = Lives.from_arrays(lower=[0, *data["days"]], upper=[*data["days"], np.inf], weight=[*seen, left])
    return lives, expected, case


def test_cracks_found_at_inspections():
    lives, expected, case = _cracks()
    fit = fit_distribution(lives)
    shape, scale = _values(fit, "shape", "scale")
    np.testing.assert_allclose([np.log(scale), 1 / shape], expected["fit"], atol=6e-4)
    np.testing.assert_allclose([fit.log_likelihood], expected["loglik"], atol=0.04)
    _close(case, [scale, shape], expected["eta_beta"])
    np.testing.assert_allclose(fit.quantile([0.01, 0.1, 0.5, 0.8])["time"], expected["quantiles"], rtol=1e-6)


def test_cracks_read_wrongly_give_another_shape():
    lives, _, _ = _cracks()
    _, expected, case = _of("int-cracks-wrong-ways")
    end = np.where(lives.failed, lives.upper, lives.lower)
    for name, time in (("at_inspection", end), ("middle", np.where(lives.failed, (lives.lower + end) / 2, end))):
        fit = fit_distribution(Lives.from_arrays(time, lives.failed, weight=lives.weight))
        _close(case, _values(fit, "shape", "scale"), expected[name])


def test_turbine_wheels_each_inspected_once():
    lives, expected, case = _wheels()
    fit = fit_distribution(lives)
    _close(case, [*_values(fit, "shape", "scale"), fit.quantile(0.1)["time"][0]], expected["weibull"])
    np.testing.assert_allclose([fit.log_likelihood], expected["loglik"], atol=6e-4)


def _wheels():
    data, expected, case = _of("int-turbine-wheels")
    age, cracked = np.array(data["age"], dtype=float), np.array(data["cracked"])
    found = cracked > 0
    lives = Lives.from_arrays(
        lower=np.r_[np.zeros(found.sum()), age],
        upper=np.r_[age[found], np.full(len(age), np.inf)],
        weight=np.r_[cracked[found], np.array(data["inspected"]) - cracked],
    )
    return lives, expected, case


def _heat_exchanger():
    """Meeker & Escobar (1998), Statistical Methods for Reliability Data, ch. 1: cracked tubes by yearly inspections."""
    return Lives.from_arrays(
        lower=[0, 1, 2, 1, 2, 3],
        upper=[1, 2, 3, np.inf, np.inf, np.inf],
        weight=[4, 5, 2, 99, 95, 95],
        unit="years",
    )


COUNTED = {"cracks": lambda: _cracks()[0], "wheels": lambda: _wheels()[0], "heat exchanger": _heat_exchanger}


@pytest.mark.parametrize("seed", [None, 0, 1, 2, 3])
@pytest.mark.parametrize("name", COUNTED)
@pytest.mark.parametrize("distribution", ["weibull", "lognormal", "loglogistic", "gamma", "exponential"])
def test_counted_rows_that_all_differ_are_repeated_rows_in_any_order(name, distribution, seed):
    counted = COUNTED[name]()
    order = np.arange(len(counted)) if seed is None else np.random.default_rng(seed).permutation(len(counted))
    repeated = counted.take(np.repeat(np.arange(len(counted)), counted.weight)).replace(weight=None)
    assert repeated.units == len(repeated) == counted.units
    fit, other = fit_distribution(counted.take(order), distribution), fit_distribution(repeated, distribution)
    assert fit.log_likelihood == pytest.approx(other.log_likelihood, rel=1e-9)
    for column in ("estimate", "std_error", "lower", "upper"):
        np.testing.assert_allclose(fit.columns[column], other.columns[column], rtol=1e-5)
    assert fit.check.p_value == pytest.approx(other.check.p_value, rel=1e-3, nan_ok=True)


@pytest.mark.parametrize("seed", range(4))
def test_published_counted_fits_hold_with_rows_in_any_order(seed):
    rng = np.random.default_rng(seed)
    cracks, expected, case = _cracks()
    fit = fit_distribution(cracks.take(rng.permutation(len(cracks))))
    _close(case, _values(fit, "scale", "shape"), expected["eta_beta"])
    np.testing.assert_allclose([fit.log_likelihood], expected["loglik"], atol=0.04)
    wheels, expected, case = _wheels()
    fit = fit_distribution(wheels.take(rng.permutation(len(wheels))))
    _close(case, [*_values(fit, "shape", "scale"), fit.quantile(0.1)["time"][0]], expected["weibull"])
    data, expected, case = _of("par-locomotive")
    time, one = [*data["thousand_miles"], data["censored_at"]], [1] * len(data["thousand_miles"])
    order = rng.permutation(len(time))
    counted = Lives.from_arrays(time, [*one, 0], weight=[*one, data["censored_count"]]).take(order)
    _close(case, _values(fit_distribution(counted, "lognormal"), "mu", "sigma"), expected["ln"])


def test_heat_exchanger_tubes_equal_a_second_library():
    """lifelines' interval-censored Weibull with weights."""
    from lifelines import WeibullFitter

    lives = _heat_exchanger()
    other = WeibullFitter().fit_interval_censoring(lives.lower, lives.upper, weights=lives.weight)
    fit = fit_distribution(lives)
    assert fit.log_likelihood == pytest.approx(other.log_likelihood_, abs=1e-5) == pytest.approx(-54.4, abs=0.05)
    assert _values(fit, "scale", "shape") == pytest.approx([other.lambda_, other.rho_], rel=2e-3)


@pytest.mark.parametrize("mode", ["S", "W", "ignored"])
def test_device_by_mode_of_failure(mode):
    data, expected, case = _of("cr-device-G")
    modes = np.array(data["mode"])
    causes = ["" if m == "C" else m for m in data["mode"]]
    lives = Lives.from_arrays(data["kcycles"], modes != "C", cause=causes)
    fit = fit_time_ratios(lives if mode == "ignored" else lives.for_causes(mode), [])
    error = np.sqrt(np.diag(fit.covariance))
    got = [fit.intercept, error[0], fit.scale, error[1] * fit.scale, fit.log_likelihood]
    _close(case, got, expected[mode])
