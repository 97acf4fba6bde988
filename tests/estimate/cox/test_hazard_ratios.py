"""Hazard ratios: laws, agreement with other libraries, effects without a finite value, intervals and errors."""

import math

import numpy as np
import pandas as pd
import pytest
from lifelines import CoxPHFitter
from scipy.stats import norm
from statsmodels.duration.hazard_regression import PHReg

from workbench import compare_groups
from workbench.errors import EstimateError, LivesError, UsageError
from workbench.estimate.cox.hazard_ratios import fit_hazard_ratios
from workbench.estimate.cox.partial_likelihood import PartialLikelihood, free_directions, maximise, tie_sums
from workbench.estimate.steps.risk_table import risk_table_of
from workbench.lives import Lives


def _season(n=160, seed=3, *, late=False, whole=True):
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame({"seal": rng.choice(["cord", "flat", "ring"], n), "vent": rng.choice(["no", "yes"], n)})
    frame["salt"], frame["batch"] = rng.normal(size=n), rng.choice(list("pq"), n)
    effect = 0.8 * (frame["seal"] == "cord") - 0.4 * (frame["vent"] == "yes") + 0.3 * frame["salt"]
    life = 150 * (rng.exponential(size=n) * np.exp(-effect.to_numpy())) ** 0.7
    life = np.ceil(life) if whole else life
    end = rng.integers(60, 140, n).astype(float)
    entry = np.where(rng.random(n) < 0.3, rng.integers(1, 30, n), 0.0) if late else np.zeros(n)
    keep = np.minimum(life, end) > entry
    frame["unit"] = rng.integers(0, 40, n)
    return frame[keep].reset_index(drop=True), np.minimum(life, end)[keep], (life <= end)[keep], entry[keep]


def _lives(frame, time, failed, entry=None, **more):
    return Lives.from_arrays(time, failed, entry=entry, covariates=frame, **more)


TERMS = ["seal", "vent", "salt"]


def _log(fit):
    return fit.columns["log_hazard_ratio"]


@pytest.mark.parametrize("count", [1, 2, 7, 300])
def test_sums_over_ties_equal_the_loop(count):
    rest = np.array([1.0, 1.5, 19.99, 20.0, 1e3, 1e8])
    loop = [
        [math.fsum(f(b + i) for i in range(count)) for b in rest] for f in (math.log, lambda x: 1 / x, lambda x: x**-2)
    ]
    for got, wanted in zip(tie_sums(rest, np.full(6, float(count))), loop, strict=True):
        np.testing.assert_allclose(got, wanted, rtol=1e-12)


def test_flat_directions_of_columns_in_different_units():
    """The second column is a thousand times the first: b1 + 1000 b2 is known, 1000 b1 - b2 is not."""
    columns = np.array([[1.0, 1000.0, 0.0], [0.0, 0.0, 2.0]])
    flat = free_directions(columns.T @ columns, 10.0)
    assert flat.shape == (3, 1)
    assert np.abs(flat[:, 0]) == pytest.approx(np.array([1000.0, 1.0, 0.0]) / np.hypot(1000, 1), abs=1e-9)
    assert np.abs(columns @ flat).max() < 1e-6


def test_derivatives_are_those_of_the_value():
    frame, time, failed, entry = _season(late=True)
    columns = frame[["salt"]].assign(cord=frame["seal"] == "cord").to_numpy(dtype=float)
    likelihood = PartialLikelihood(
        risk_table_of(_lives(frame, time, failed, entry), np.arange(len(frame)), len(frame)), columns, "efron"
    )
    at, h = np.array([0.3, -0.7]), 1e-5
    slopes = likelihood.at(at)
    for j, step in enumerate(np.eye(2) * h):
        up, down = likelihood.at(at + step), likelihood.at(at - step)
        assert slopes.score[j] == pytest.approx((up.value - down.value) / (2 * h), rel=1e-6)
        np.testing.assert_allclose(slopes.information[j], (down.score - up.score) / (2 * h), rtol=1e-6)


def test_agrees_with_lifelines_including_strata_clusters_and_late_entry():
    frame, time, failed, entry = _season(late=True)
    fit = fit_hazard_ratios(_lives(frame, time, failed, entry, cluster=frame["unit"]), TERMS, within="batch")
    dummies = pd.get_dummies(frame[["seal", "vent"]], drop_first=True, dtype=float)
    other = dummies.assign(salt=frame["salt"], time=time, failed=failed, entry=entry, batch=frame["batch"])
    model = CoxPHFitter().fit(
        other, "time", "failed", entry_col="entry", strata="batch", fit_options={"precision": 1e-10}
    )
    np.testing.assert_allclose(_log(fit), model.params_, atol=1e-6)
    np.testing.assert_allclose(fit.columns["std_error"], model.standard_errors_, atol=1e-6)
    assert fit.log_likelihood == pytest.approx(model.log_likelihood_, abs=1e-6)
    plain = fit_hazard_ratios(_lives(frame, time, failed, entry), TERMS, within="batch", confidence=0.95)
    np.testing.assert_allclose(plain.columns["p_value"], model.summary["p"], rtol=1e-5)
    np.testing.assert_allclose(plain.columns["lower"], model.summary["exp(coef) lower 95%"], rtol=1e-5)


def test_agrees_with_statsmodels_breslow_and_efron():
    frame, time, failed, _ = _season()
    columns = pd.get_dummies(frame[["seal", "vent"]], drop_first=True, dtype=float).assign(salt=frame["salt"])
    for ties in ("breslow", "efron"):
        model = PHReg(time, columns.to_numpy(), status=failed.astype(int), ties=ties).fit()
        fit = fit_hazard_ratios(_lives(frame, time, failed), TERMS, ties=ties)
        np.testing.assert_allclose(_log(fit), model.params, atol=1e-5)
        np.testing.assert_allclose(fit.columns["std_error"], model.bse, atol=1e-5)


@pytest.mark.parametrize("options", [{}, {"ties": "breslow"}, {"shrink": 4.0}, {"within": "batch"}])
def test_weights_equal_repeated_rows(options):
    frame, time, failed, entry = _season(late=True)
    weight = np.random.default_rng(0).integers(1, 4, len(frame))
    rows = np.repeat(np.arange(len(frame)), weight)
    units = frame["unit"].to_numpy()
    one = fit_hazard_ratios(_lives(frame, time, failed, entry, weight=weight, cluster=units), TERMS, **options)
    lives = _lives(frame.iloc[rows], time[rows], failed[rows], entry[rows], cluster=units[rows])
    many = fit_hazard_ratios(lives, TERMS, **options)
    for name in ("log_hazard_ratio", "std_error", "robust_std_error"):
        np.testing.assert_allclose(one.columns[name], many.columns[name], rtol=1e-9)
    assert (one.units, one.failures) == (many.units, many.failures)
    assert one.log_likelihood == pytest.approx(many.log_likelihood, rel=1e-12)


def test_order_of_rows_and_scale_of_time_do_not_matter():
    frame, time, failed, entry = _season(late=True, whole=False)
    base = fit_hazard_ratios(_lives(frame, time, failed, entry), TERMS)
    order = np.random.default_rng(1).permutation(len(frame))
    moved = fit_hazard_ratios(_lives(frame.iloc[order], time[order] * 24, failed[order], entry[order] * 24), TERMS)
    np.testing.assert_allclose(_log(base), _log(moved), rtol=1e-9)


@pytest.mark.parametrize("shrink", [0.0, 4.0])
def test_choice_of_reference_changes_no_contrast(shrink):
    frame, time, failed, _ = _season()
    fits = []
    for order in (["cord", "flat", "ring"], ["ring", "cord", "flat"]):
        mine = frame.assign(seal=pd.Categorical(frame["seal"], order))
        table = fit_hazard_ratios(_lives(mine, time, failed), TERMS, shrink=shrink).table
        levels = table[table.term == "seal"].set_index("level").log_hazard_ratio
        fits.append(levels.reindex(["cord", "flat", "ring"]).fillna(0.0))
    np.testing.assert_allclose(fits[0]["flat"] - fits[0]["ring"], fits[1]["flat"] - fits[1]["ring"], atol=1e-9)
    np.testing.assert_allclose(-fits[0]["ring"], fits[1]["cord"], atol=1e-9)


def test_shrinkage_is_a_normal_prior_on_every_level():
    frame, time, failed, _ = _season()
    lives = _lives(frame, time, failed)
    fit = fit_hazard_ratios(lives, ["seal"], shrink=4.0)
    columns = (frame["seal"].to_numpy()[:, None] == np.array(["cord", "flat", "ring"])).astype(float)
    likelihood = PartialLikelihood(risk_table_of(lives, np.arange(len(frame)), len(frame)), columns, "efron")
    starts = [None, *np.random.default_rng(2).normal(0, 2, (4, 3))]
    for start in starts:
        best = maximise(likelihood, np.full(3, 4.0), start)
        np.testing.assert_allclose(best.coefficients[1:] - best.coefficients[0], _log(fit), atol=1e-8)
    covariance = np.linalg.inv(best.slopes.information + 4 * np.eye(3))
    np.testing.assert_allclose(fit.columns["std_error"][0], np.sqrt([1, -1, 0] @ covariance @ [1, -1, 0]), rtol=1e-8)
    assert fit.log_likelihood == pytest.approx(best.slopes.value)
    assert np.isnan(fit.columns["p_value"]).all()
    hard = fit_hazard_ratios(lives, TERMS, shrink=1e9)
    np.testing.assert_allclose(_log(hard), 0.0, atol=1e-6)
    soft = fit_hazard_ratios(lives, TERMS, shrink=1e-9)
    np.testing.assert_allclose(_log(soft), _log(fit_hazard_ratios(lives, TERMS)), atol=1e-6)


def test_a_level_without_failures_is_named_and_the_rest_is_the_limit():
    frame, time, failed, _ = _season()
    failed = failed & (frame["seal"] != "ring").to_numpy()
    fit = fit_hazard_ratios(_lives(frame, time, failed), TERMS)
    assert any("no failures with ring" in note for note in fit.notes)
    row = fit.table.set_index("level").loc["ring"]
    assert row.drop("term").isna().all()
    rest = fit_hazard_ratios(_lives(frame, time, failed).take(frame["seal"].to_numpy() != "ring"), TERMS)
    np.testing.assert_allclose(_log(fit)[[0, 2, 3]], _log(rest), atol=1e-9)
    np.testing.assert_allclose(fit.columns["std_error"][[0, 2, 3]], rest.columns["std_error"], atol=1e-9)
    assert fit.log_likelihood == pytest.approx(rest.log_likelihood)
    shrunk = fit_hazard_ratios(_lives(frame, time, failed), TERMS, shrink=4.0)
    assert np.isfinite(_log(shrunk)).all() and any("rests on the shrinkage" in note for note in shrunk.notes)


def test_a_reference_without_failures_leaves_its_term_without_ratios():
    frame, time, failed, _ = _season()
    failed = failed & (frame["seal"] != "cord").to_numpy()
    fit = fit_hazard_ratios(_lives(frame, time, failed), TERMS)
    assert np.isnan(_log(fit)[:2]).all() and np.isfinite(_log(fit)[2:]).all()
    assert any("the reference level" in note for note in fit.notes)


def test_a_level_whose_failures_all_came_first_has_no_finite_ratio():
    frame, time, failed, _ = _season()
    first = (frame["seal"] == "ring").to_numpy()
    time = np.where(first, np.arange(len(frame)) % 2 + 1.0, time + 3)
    fit = fit_hazard_ratios(_lives(frame, time, failed | first), TERMS)
    assert np.isnan(_log(fit)[1]) and np.isfinite(_log(fit)[[0, 2, 3]]).all()
    assert any("seal = ring: the failures came in perfect order" in note for note in fit.notes)
    steep = _lives(frame, time, failed | first)
    columns = np.column_stack([frame["seal"] == "flat", first, frame["vent"] == "yes", frame["salt"]]).astype(float)
    likelihood = PartialLikelihood(risk_table_of(steep, np.arange(len(frame)), len(frame)), columns, "efron")
    near = likelihood.at(np.where(np.isnan(_log(fit)), 30.0, _log(fit)))
    assert fit.log_likelihood == pytest.approx(near.value, abs=1e-8)
    assert np.abs(near.score).max() < 1e-6


def test_separation_by_a_number_and_one_failure_only():
    rising = Lives.from_arrays(np.arange(1, 11), np.ones(10), covariates={"x": -(np.arange(1, 11.0) ** 2)})
    assert np.isnan(_log(fit_hazard_ratios(rising, "x"))).all()
    frame, time, _, _ = _season()
    single = np.zeros(len(frame), dtype=bool)
    single[np.argmin(time)] = True
    fit = fit_hazard_ratios(_lives(frame, time, single), TERMS)
    assert not np.isinf(fit.table.select_dtypes("number")).any().any() and fit.notes


def test_columns_that_vary_together_are_named_and_given_no_number():
    frame, time, failed, _ = _season()
    fit = fit_hazard_ratios(_lives(frame.assign(lid=frame["vent"]), time, failed), ["seal", "vent", "lid"])
    assert np.isnan(_log(fit)[2:]).all() and np.isfinite(_log(fit)[:2]).all()
    assert any("vent = yes and lid = yes cannot be told apart" in note for note in fit.notes)
    constant = fit_hazard_ratios(
        _lives(frame.assign(site=frame["vent"]), time, failed), ["seal", "vent"], within="site"
    )
    assert np.isnan(_log(constant)[2]) and any("never varies" in note for note in constant.notes)


def test_no_failures_give_no_ratios():
    frame, time, failed, _ = _season()
    fit = fit_hazard_ratios(_lives(frame, time, np.zeros_like(failed)), TERMS)
    assert np.isnan(_log(fit)).all() and "None of" in fit.notes[0]
    assert np.isnan(fit.test_columns["p_value"]).all()


def test_missing_levels_make_a_level_and_units_without_a_stratum_are_left_out_and_counted():
    """The same rule as in comparisons: as if the rows without a value of `within` were not there."""
    frame, time, failed, _ = _season()
    frame.loc[:20, "seal"], frame.loc[5:15, "batch"] = None, None
    fit = fit_hazard_ratios(_lives(frame, time, failed), "seal", within="batch")
    assert fit.columns["level"].tolist() == ["flat", "ring", "not recorded"]
    note = f"11 of {len(frame)} units have no value of batch and are left out here."
    assert note in fit.notes
    assert note in compare_groups(_lives(frame, time, failed), "vent", within="batch").notes
    kept = np.flatnonzero(frame["batch"].notna())
    alone = fit_hazard_ratios(_lives(frame, time, failed).take(kept), "seal", within="batch")
    np.testing.assert_array_equal(_log(fit), _log(alone))
    assert fit.units == len(kept)


def test_few_clusters_are_noted_and_limits_use_the_robust_error():
    frame, time, failed, _ = _season()
    fit = fit_hazard_ratios(_lives(frame, time, failed, cluster=frame["unit"] % 7), TERMS)
    assert any("Only 7 clusters" in note for note in fit.notes)
    ratio = np.log(fit.columns["upper"] / fit.columns["hazard_ratio"])
    np.testing.assert_allclose(ratio, 1.959963984540054 * fit.columns["robust_std_error"])
    z = np.abs(_log(fit)) / fit.columns["robust_std_error"]
    np.testing.assert_allclose(fit.columns["p_value"], 2 * norm.sf(z), rtol=1e-9)
    nobody = _lives(frame, time, np.zeros_like(failed), cluster=frame["unit"] % 7)
    shrunk = fit_hazard_ratios(nobody, TERMS, shrink=4.0)
    assert np.isnan(shrunk.columns["robust_std_error"]).all() and np.isnan(shrunk.columns["lower"]).all()
    assert not any("beyond a million" in note for note in shrunk.notes)


def test_robust_errors_of_single_rows_equal_lifelines():
    frame, time, failed, _ = _season(whole=False)
    fit = fit_hazard_ratios(_lives(frame, time, failed, cluster=np.arange(len(frame))), ["salt"])
    other = pd.DataFrame({"salt": frame["salt"], "time": time, "failed": failed})
    model = CoxPHFitter().fit(other, "time", "failed", robust=True, fit_options={"precision": 1e-10})
    np.testing.assert_allclose(fit.columns["robust_std_error"], model.standard_errors_, rtol=1e-6)


def test_table_has_the_named_columns_and_is_a_copy():
    frame, time, failed, _ = _season()
    fit = fit_hazard_ratios(_lives(frame, time, failed), TERMS)
    names = ["term", "level", "log_hazard_ratio", "std_error", "hazard_ratio", "lower", "upper", "p_value"]
    assert fit.table.columns.tolist() == names
    table = fit.table
    table.loc[0, "lower"] = 0.0
    assert fit.table.loc[0, "lower"] > 0
    assert fit.aic == pytest.approx(8 - 2 * fit.log_likelihood)
    assert fit.tests["test"].tolist() == ["likelihood ratio", "score", "Wald"]


def _visited(frame, time, failed, step=21):
    lower = np.where(failed, np.maximum(np.ceil(time / step) * step - step, 0), time)
    return Lives.from_arrays(lower=lower, upper=np.where(failed, np.ceil(time / step) * step, np.inf), covariates=frame)


def test_exact_lives_through_the_interval_likelihood_equal_breslow():
    frame, time, failed, entry = _season(late=True)
    # a life known to have failed by a day far beyond all others changes nothing and makes the lives interval-censored
    more = pd.concat([frame, frame.iloc[:1]], ignore_index=True)
    lives = Lives.from_arrays(
        lower=np.append(time, 0.0),
        upper=np.append(np.where(failed, time, np.inf), 1e6),
        entry=np.append(entry, 0.0),
        covariates=more,
    )
    fit = fit_hazard_ratios(lives, TERMS, within="batch")
    exact = fit_hazard_ratios(_lives(frame, time, failed, entry), TERMS, ties="breslow", within="batch")
    np.testing.assert_allclose(_log(fit), _log(exact), atol=2e-5)
    np.testing.assert_allclose(fit.columns["std_error"], exact.columns["std_error"], rtol=1e-3)


def test_errors_name_the_argument_and_the_value():
    frame, time, failed, _ = _season()
    lives = _lives(frame, time, failed)
    with pytest.raises(UsageError, match="ties must be one of efron, breslow; got 'exact'"):
        fit_hazard_ratios(lives, "seal", ties="exact")
    with pytest.raises(UsageError, match=r"shrink must be a finite number of at least 0; got -1"):
        fit_hazard_ratios(lives, "seal", shrink=-1)
    with pytest.raises(UsageError, match="confidence must lie between 0 and 1"):
        fit_hazard_ratios(lives, "seal", confidence=95)
    with pytest.raises(UsageError, match="unknown covariate 'sael'; did you mean 'seal'"):
        fit_hazard_ratios(lives, "sael")
    with pytest.raises(UsageError, match="unknown covariate 'plot'"):
        fit_hazard_ratios(lives, "seal", within="plot")
    with pytest.raises(EstimateError, match="terms is empty"):
        fit_hazard_ratios(lives, [])
    with pytest.raises(EstimateError, match="one level only"):
        fit_hazard_ratios(_lives(frame.assign(seal="cord"), time, failed), "seal")
    with pytest.raises(LivesError, match="salt is missing or infinite in row 3"):
        fit_hazard_ratios(_lives(frame.assign(salt=frame["salt"].where(frame.index != 3)), time, failed), "salt")


@pytest.mark.parametrize("shrink", [0.0, 4.0])
@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_shuffling_the_rows_changes_no_digit(ties, shrink):
    frame, time, failed, entry = _season(late=True)
    lives = _lives(frame, time, failed, entry, weight=np.arange(len(frame)) % 3 + 1)
    shuffled = lives.take(np.random.default_rng(0).permutation(len(lives)))
    a, b = (fit_hazard_ratios(rows, TERMS, ties=ties, shrink=shrink, within="batch") for rows in (lives, shuffled))
    pd.testing.assert_frame_equal(a.table, b.table, check_exact=True)
    assert a.log_likelihood == b.log_likelihood


def test_interval_lives_without_failures_in_a_level_give_nan_even_where_an_interval_passes_its_last_day():
    """The baseline found by steps leaves a rest of information, which once gave a ratio with infinite limits."""
    lower = [46, 24, 153, 16 + 46, 74, 180, 180, 180, 180, 90, 180, 180, 180, 180, 30, 180, 180, 180, 180, 180]
    upper = [76, 54, 183, 92, 104, *[np.inf] * 15]
    frame = pd.DataFrame({"seal": ["a"] * 10 + ["b"] * 10})
    result = fit_hazard_ratios(Lives.from_arrays(lower=lower, upper=upper, covariates=frame), ["seal"])
    row = result.table.iloc[0]
    assert row[["log_hazard_ratio", "std_error", "hazard_ratio", "lower", "upper", "p_value"]].isna().all()
    assert any("no failures with b" in note for note in result.notes)


def test_limits_beyond_a_million_times_are_named_and_not_shown():
    """A covariate in units a million times too large; the same rule as for time ratios."""
    rng = np.random.default_rng(4)
    frame = pd.DataFrame({"salt": rng.random(30) * 1e-7})
    lives = Lives.from_arrays(rng.integers(1, 90, 30), rng.random(30) < 0.7, covariates=frame)
    for same in (lives, lives.replace(cluster=np.arange(30) // 2)):
        result = fit_hazard_ratios(same, ["salt"])
        row = result.table.iloc[0]
        assert np.isfinite(row["log_hazard_ratio"]) and np.isnan([row["lower"], row["upper"]]).all()
        assert any("beyond a million times" in note for note in result.notes)


def test_an_interval_past_everybody_elses_last_day_lets_the_effect_run_away_and_is_named():
    """The one failure of b may have come after every other unit left, so no finite ratio fits best."""
    lower, upper = [9, 76, *[180] * 8, 163, *[180] * 9], [39, 106, *[np.inf] * 8, 193, *[np.inf] * 9]
    frame = pd.DataFrame({"seal": ["a"] * 10 + ["b"] * 10})
    result = fit_hazard_ratios(Lives.from_arrays(lower=lower, upper=upper, covariates=frame), ["seal"])
    assert result.table.iloc[0][["log_hazard_ratio", "hazard_ratio", "lower", "upper", "p_value"]].isna().all()
    assert result.notes and not any("inf" in note for note in result.notes)
