"""Checked numbers: a text, NaN, a truth value or a number out of range is the same error in every public function."""

import inspect
import re

import numpy as np
import pandas as pd
import pytest

import workbench
from workbench.errors import UsageError
from workbench.lives import Lives


def _lives(spans=False):
    rng = np.random.default_rng(0)
    time = rng.integers(20, 150, 60).astype(float)
    failed = rng.random(60) < 0.6
    data = {
        "cause": np.where(failed, rng.choice(["water", "bite"], 60), ""),
        "covariates": {"seal": rng.choice(["cord", "ring"], 60), "site": rng.choice(["moor", "coast"], 60)},
    }
    if spans:
        return Lives.from_arrays(lower=time, upper=np.where(failed, time + 1 + np.arange(60) % 9, np.inf), **data)
    return Lives.from_arrays(time, failed, **data)


LIVES = _lives()
HISTORIES = pd.DataFrame({"unit": ["A", "A", "B"], "time": [3.0, 9.0, 8.0], "event": [True, False, False]})
BUILD = pd.DataFrame({"seal": ["ring"], "units": [10]})
CALLS = {
    "classify_mission": {"lives": LIVES, "choices": ["seal"], "mission": 60},
    "compare_groups": {"lives": LIVES, "by": "seal", "method": "permutation", "resamples": 99},
    "cumulative_incidence": {"lives": LIVES},
    "demonstrated_reliability": {"units": 20, "failures": 1, "confidence": 0.9},
    "failures_to_detect": {"hazard_ratio": 2.0},
    "fit_distribution": {"lives": LIVES},
    "fit_hazard_ratios": {"lives": LIVES, "terms": "seal"},
    "fit_time_ratios": {"lives": LIVES, "terms": "seal"},
    "mean_cumulative_count": {"histories": HISTORIES},
    "mean_life_interval": {"total_time": 900.0, "failures": 3},
    "plan_season": {"lives": LIVES, "build": BUILD, "mission": 60},
    "proportion_interval": {"failures": 2, "units": 9},
    "rank_choices": {"lives": LIVES, "choices": ["seal"], "mission": 60, "resamples": 20},
    "restricted_mean": {"lives": LIVES, "horizon": 60},
    "simulate_season": {"n": 20, "seed": 1},
    "survival_curve": {"lives": LIVES},
    "units_to_demonstrate": {"reliability": 0.9, "confidence": 0.9},
}
NUMBERS = set(
    re.findall(
        r"\w+",
        "confidence mission horizon shrink seed resamples rho gamma reliability mission_ratio shape units failures n "
        "total_time allowed_failures hazard_ratio power significance share",
    )
)
PAIRS = [(f, a) for f in CALLS for a in inspect.signature(getattr(workbench, f)).parameters if a in NUMBERS]


def test_every_public_function_with_a_confidence_is_asked():
    public = [getattr(workbench, name) for name in workbench.__all__]
    with_one = {f.__name__ for f in public if inspect.isfunction(f) and "confidence" in inspect.signature(f).parameters}
    assert with_one <= set(CALLS)


@pytest.mark.parametrize(("function", "argument"), PAIRS)
@pytest.mark.parametrize("value", ["95", "0.95", "many", float("nan"), -1, True, [0.9], pd.NA], ids=repr)
def test_what_is_no_such_number_is_the_same_error_everywhere(function, argument, value):
    with pytest.raises(UsageError, match=rf"^{argument} must ") as caught:
        getattr(workbench, function)(**CALLS[function] | {argument: value})
    assert type(caught.value) is UsageError and "\n" not in str(caught.value)


@pytest.mark.parametrize("value", [0.9, np.float32(0.9), np.float64(0.9)], ids=repr)
@pytest.mark.parametrize("function", [f for f, a in PAIRS if a == "confidence"])
def test_numbers_of_any_kind_are_taken(function, value):
    getattr(workbench, function)(**CALLS[function] | {"confidence": value})


@pytest.mark.parametrize("value", ["95", float("nan"), -1], ids=repr)
def test_a_confidence_is_checked_with_spans_too(value):
    for function in ("survival_curve", "cumulative_incidence", "fit_hazard_ratios", "restricted_mean"):
        with pytest.raises(UsageError, match=r"^confidence must "):
            getattr(workbench, function)(**CALLS[function] | {"lives": _lives(spans=True), "confidence": value})
