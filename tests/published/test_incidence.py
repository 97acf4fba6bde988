"""Cumulative incidence and mean counts against published figures; data and sources stand in incidence.json."""

import json
from pathlib import Path

import numpy as np
import pandas as pd

from workbench.estimate.cox.hazard_ratios import fit_hazard_ratios
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.estimate.curves.recurrence import mean_cumulative_count
from workbench.lives import Lives

CASES = {c["id"]: c for c in json.loads(Path(__file__).with_name("incidence.json").read_text(encoding="utf-8"))}


def _close(case, got, expected):
    np.testing.assert_allclose(got, expected, rtol=case.get("rtol", 0.0), atol=case.get("atol", 0.0))


def _of(name):
    return CASES[name]["data"], CASES[name]["expected"], CASES[name]


def _lives(time, codes, **covariates):
    codes = np.array(codes)
    return Lives.from_arrays(time, codes > 0, cause=[str(c) if c else "" for c in codes], covariates=covariates or None)


def _values(result, times, cause, column="incidence"):
    frame = result.at(times)
    return frame.loc[frame["cause"] == cause, column].to_numpy()


def test_three_causes_with_standard_errors():
    data, expected, case = _of("cr-small-cif")
    result = cumulative_incidence(_lives(data["time"], data["cause"]))
    for cause in "123":
        _close(case, _values(result, [1, 2, 4, 6, 7], cause), expected[f"cif{cause}"])
        _close(case, _values(result, [1, 2, 4, 6, 7], cause, "std_error"), expected[f"se{cause}"])


def test_transplant_patients_by_disease_and_their_test():
    data, expected, case = _of("cr-bmt35")
    disease = np.where(data["disease_0ALL_1AML"], "AML", "ALL")
    lives = _lives(data["time"], data["cause_0cens_1relapse_2other"], disease=disease)
    times = [0, 1, 2, 3, 4, 5, 7, 8, 9, 10, 12, 13, 14, 22, 26]
    for cause in "12":
        _close(case, _values(cumulative_incidence(lives), times, cause), expected[f"cif{cause}"])
    by = cumulative_incidence(lives, "disease")
    last = by.table.groupby(["group", "cause"])["incidence"].last()
    for disease in ("ALL", "AML"):
        _close(case, last[disease].to_numpy(), expected[f"final_{disease}"])
    # Gray's test of the same data as stated with the case (cmprsk 2.2.11): relapse 1.3016, other 7.0823
    np.testing.assert_allclose(by.test["statistic"], [1.3016, 7.0823], atol=6e-5)
    np.testing.assert_allclose(by.test["p_value"], [0.254, 0.0078], atol=6e-4)


def test_device_modes():
    data, expected, case = _of("cr-device-G-cif")
    mode = np.array(data["mode"])
    lives = Lives.from_arrays(data["kcycles"], mode != "C", cause=np.where(mode == "C", "", mode))
    for cause in ("S", "W"):
        _close(case, _values(cumulative_incidence(lives), [50, 100, 200, 299], cause), expected[cause])


def test_plasma_cells_and_death_over_thirty_years():
    data, expected, case = _of("cr-mgus2")
    lives = _lives(data["etime"], data["cause_0cens_1pcm_2death"], sex=data["sex"])
    result = cumulative_incidence(lives)
    _close(case, _values(result, [60, 120, 240, 360], "1"), expected["pcm"])
    _close(case, _values(result, [60, 120, 240, 360], "2"), expected["death"])
    ratio = fit_hazard_ratios(lives.for_causes("1"), "sex")
    _close(case, [ratio.columns["log_hazard_ratio"][0], ratio.columns["std_error"][0]], expected["cause_specific_male"])


def test_valve_seats():
    data, expected, case = _of("rec-valve-seats")
    rows = pd.DataFrame({"unit": data["id"], "time": data["time"], "event": data["status"]})
    result = mean_cumulative_count(rows)
    _close(case, result.at([61, 98, 139, 276, 404, 497, 573, 604, 635, 653])["mean_count"], expected["mcf"])


def test_three_systems_and_their_robust_variance():
    data, expected, case = _of("rec-three-systems")
    rows = [(u, t, True) for u, times in zip(data["system"], data["events"], strict=True) for t in times]
    rows += [(u, t, False) for u, t in zip(data["system"], data["end"], strict=True)]
    result = mean_cumulative_count(pd.DataFrame(rows, columns=["unit", "time", "event"])).at([1, 5, 8, 16])
    _close(case, result["mean_count"], expected["mcf"])
    _close(case, result["std_error"] ** 2, expected["var"])
