"""Hazard ratios against published figures; data, source and how the figures are known stand in cox.json."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from workbench.estimate.cox.cox_residuals import martingale_residuals, score_residuals
from workbench.estimate.cox.hazard_ratios import fit_hazard_ratios
from workbench.estimate.cox.partial_likelihood import PartialLikelihood
from workbench.estimate.cox.proportionality import proportionality_of
from workbench.estimate.steps.risk_table import risk_table_of
from workbench.lives import Lives

CASES = {c["id"]: c for c in json.loads(Path(__file__).with_name("cox.json").read_text(encoding="utf-8"))}


def _close(case, got, expected):
    np.testing.assert_allclose(got, expected, rtol=case.get("rtol", 0.0), atol=case.get("atol", 0.0))


def _of(name):
    return CASES[name]["data"], CASES[name]["expected"], CASES[name]


def _pairs(fit):
    return [*fit.columns["log_hazard_ratio"], *fit.columns["std_error"]]


def _veteran():
    data, _, _ = _of("cox-veteran")
    kinds = pd.Categorical(data["celltype"], ["squamous", "smallcell", "adeno", "large"])
    frame = pd.DataFrame(data).assign(celltype=kinds, trt=[str(t) for t in data["trt"]])
    return Lives.from_arrays(data["time"], data["status"], covariates=frame)


VETERAN_TERMS = ["trt", "celltype", "karno", "diagtime", "age", "prior"]


@pytest.mark.parametrize(("name", "ties"), [("cox-tg1", "breslow"), ("cox-tg1-efron", "efron")])
def test_six_rows_with_closed_forms(name, ties):
    data, expected, case = _of(name)
    fit = fit_hazard_ratios(Lives.from_arrays(data["time"], data["event"], covariates={"x": data["x"]}), "x", ties=ties)
    _close(case, fit.columns["log_hazard_ratio"], expected["beta"])
    _close(case, 1 / fit.columns["std_error"] ** 2, expected["info"])
    _close(case, [fit.null_log_likelihood, fit.log_likelihood], expected["loglik"])
    if "score_test" in expected:
        _close(case, fit.test_columns["statistic"][1:2], expected["score_test"])
        assert fit.columns["log_hazard_ratio"][0] == pytest.approx(np.log((3 + np.sqrt(33)) / 2), abs=1e-12)
    else:
        angle = np.arccos(45 / 23 * np.sqrt(3 / 23))
        closed = np.log(2 * np.sqrt(23 / 3) * np.cos(angle / 3))
        assert fit.columns["log_hazard_ratio"][0] == pytest.approx(closed, abs=1e-12)


@pytest.mark.parametrize(("name", "ties"), [("cox-tg1", "breslow"), ("cox-tg1-efron", "efron")])
def test_six_rows_residuals(name, ties):
    data, expected, case = _of(name)
    lives = Lives.from_arrays(data["time"], data["event"])
    table = risk_table_of(lives, np.array(data["x"]), 2)
    likelihood = PartialLikelihood(table, np.array([[0.0], [1.0]]), ties)
    _close(case, score_residuals(likelihood, np.zeros(1))[:, 0], expected["score_resid_at_0"])
    if "martingale" in expected:
        _close(case, martingale_residuals(likelihood, np.array(expected["beta"])), expected["martingale"])
    else:
        _close(case, martingale_residuals(likelihood, np.zeros(1)), expected["martingale_at_0"])


def test_leukaemia_remissions_by_tie_method():
    data, expected, case = _of("cox-6mp")
    time, event = data["treat_time"] + data["control_time"], data["treat_event"] + data["control_event"]
    arm = pd.Categorical(["6-MP"] * len(data["treat_time"]) + ["placebo"] * len(data["control_time"]))
    lives = Lives.from_arrays(time, event, covariates={"arm": arm})
    breslow = fit_hazard_ratios(lives, "arm", ties="breslow")
    _close(case, _pairs(breslow), expected["breslow"])
    _close(case, _pairs(fit_hazard_ratios(lives, "arm")), expected["efron"])
    limits = [breslow.columns[name][0] for name in ("hazard_ratio", "lower", "upper")]
    _close(case, limits, expected["hr_breslow"])
    np.testing.assert_allclose(breslow.test_columns["statistic"][:2], expected["lr_score_breslow"], atol=6e-3)


def test_maintenance_by_tie_method():
    data, expected, case = _of("cox-aml-ties")
    lives = Lives.from_arrays(data["time"], data["status"], covariates={"x": data["x"]})
    for ties in ("breslow", "efron"):
        _close(case, _pairs(fit_hazard_ratios(lives, "x", ties=ties)), expected[ties])


def test_immunoperoxidase_trial_and_its_three_tests():
    data, expected, case = _of("cox-btrial")
    lives = Lives.from_arrays(data["time"], data["event"], covariates={"im": data["im_1neg_2pos"]})
    fit = fit_hazard_ratios(lives, "im", ties="breslow")
    _close(case, _pairs(fit), expected["coef"])
    order = [1, 2, 0]
    np.testing.assert_allclose(fit.test_columns["statistic"][order], expected["score_wald_lr"], atol=6e-3)
    np.testing.assert_allclose(fit.test_columns["p_value"][order], expected["p"], atol=6e-4)


def test_stanford_heart_transplants_with_covariates_that_change():
    data, expected, case = _of("cox-stanford-tvc")
    frame = pd.DataFrame(data)
    frame["age_t"], frame["surgery_t"] = frame.age * frame.transplant, frame.surgery * frame.transplant
    frame["year_t"] = frame.year * frame.transplant
    lives = Lives.from_arrays(frame["stop"], frame["event"], entry=frame["start"], covariates=frame)
    first = fit_hazard_ratios(lives, ["age", "surgery", "transplant", "age_t", "surgery_t"], ties="breslow")
    _close(case, _pairs(first), expected["m1_coef"] + expected["m1_se"])
    np.testing.assert_allclose(first.test_columns["statistic"][0], expected["m1_lr"][0], atol=6e-3)
    second = fit_hazard_ratios(lives, ["year", "transplant", "year_t"], ties="breslow")
    _close(case, _pairs(second), expected["m2_coef"] + expected["m2_se"])


def test_veteran_lung_cancer_eight_columns():
    _, expected, case = _of("cox-veteran")
    fit = fit_hazard_ratios(_veteran(), VETERAN_TERMS)
    _close(case, _pairs(fit), expected["coef"] + expected["se"])
    np.testing.assert_allclose([fit.null_log_likelihood, fit.log_likelihood], expected["loglik"], atol=6e-4)


def test_veteran_proportional_hazards_check():
    _, expected, case = _of("cox-veteran-zph")
    check = proportionality_of(_veteran(), VETERAN_TERMS)
    _close(case, check.columns["statistic"], expected["chisq"])
    assert check.columns["degrees_of_freedom"].tolist() == [1, 3, 1, 1, 1, 1, 8]


def test_leukaemia_white_cells():
    data, expected, case = _of("cox-leuk")
    ag = pd.Categorical(data["ag"], ["absent", "present"])
    frame = pd.DataFrame({"ag": ag, "log_wbc": np.log(data["wbc"])})
    lives = Lives.from_arrays(data["time"], np.ones(len(ag)), covariates=frame)
    fit = fit_hazard_ratios(lives, ["ag", "log_wbc"])
    _close(case, _pairs(fit), expected["coef"] + expected["se"])
    np.testing.assert_allclose(fit.test_columns["statistic"][0], expected["lr"][0], atol=6e-3)


def test_rats_in_litters():
    data, expected, case = _of("tests-rats-litter")
    lives = Lives.from_arrays(data["time"], data["event"], covariates={"rx": data["rx"], "litter": data["litter"]})
    _close(case, _pairs(fit_hazard_ratios(lives, "rx")), expected["cox"])
    stratified = fit_hazard_ratios(lives, "rx", within="litter")
    np.testing.assert_allclose(stratified.test_columns["statistic"][1], expected["stratified_chisq"][0], atol=6e-4)


def test_bladder_tumours_each_recurrence_by_its_own_model():
    data, expected, case = _of("rec-bladder-wlw")
    frame = pd.DataFrame(data)
    beta, error = [], []
    for _, part in frame.groupby("enum"):
        lives = Lives.from_arrays(part["stop"], part["event"], cluster=part["id"], covariates=part)
        fit = fit_hazard_ratios(lives, ["rx", "size", "number"], ties="breslow")
        beta.append(fit.columns["log_hazard_ratio"][0])
        error.append(fit.columns["robust_std_error"][0])
    _close(case, beta, expected["beta"])
    _close(case, error, expected["se"])


def test_bladder_tumours_recurrences_together_with_clusters():
    data, expected, case = _of("rec-bladder-ag")
    lives = Lives.from_arrays(
        data["stop"], data["event"], entry=data["start"], cluster=data["id"], covariates=pd.DataFrame(data)
    )
    fit = fit_hazard_ratios(lives, ["rx", "size", "number"], ties="breslow")
    _close(case, _pairs(fit), expected["coef"] + expected["se"])
    _close(case, fit.columns["robust_std_error"], expected["robust_se"])


def test_cosmesis_hazard_ratio_from_intervals():
    data, expected, case = _of("cosmesis-hazard-ratio")
    upper = [float(u) for u in data["right"]]
    lives = Lives.from_arrays(lower=data["left"], upper=upper, covariates={"treatment": data["treatment"]})
    fit = fit_hazard_ratios(lives, "treatment")
    _close(case, _pairs(fit), expected["coef"] + expected["se"])
    assert fit.ties == "not used"


def test_sparse_and_full_risk_tables_agree(monkeypatch):
    lives, likelihoods = _veteran(), []
    codes = np.arange(len(lives))
    columns = lives.covariates[["karno", "age"]].to_numpy(dtype=float) / 10
    for cells in (10**7, 1):
        monkeypatch.setattr("workbench.estimate.steps.risk_table.DENSE_CELLS", cells)
        table = risk_table_of(replace(lives, entry=np.minimum(lives.lower / 2, 30)), codes, len(lives))
        assert (table.at_risk is None) == (cells == 1)
        likelihoods.append(PartialLikelihood(table, columns, "efron").at(np.array([-0.3, 0.1])))
    assert likelihoods[0].value == pytest.approx(likelihoods[1].value, rel=1e-12)
    np.testing.assert_allclose(likelihoods[0].information, likelihoods[1].information, rtol=1e-9)
