"""Time ratios: separation, shrinkage, tables, sentences, predictions and errors."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from workbench.errors import EstimateError, LivesError, UsageError
from workbench.estimate.aft.time_ratios import fit_time_ratios
from workbench.estimate.likelihood import AftProblem, fit_batch
from workbench.lives import Lives

COLUMNS = ["term", "level", "log_time_ratio", "std_error", "time_ratio", "lower", "upper", "p_value"]


def _field(n=240, seed=3, never="D"):
    """Lives with a seal, a batch and a number; units with the seal `never` do not fail."""
    rng = np.random.default_rng(seed)
    seal, batch = rng.choice(list("ABCD"), n), rng.choice(["b1", "b2", "b3"], n)
    salt = rng.normal(5, 2, n)
    life = np.ceil(100 * np.exp(0.3 * (seal == "B") - 0.05 * salt) * rng.weibull(1.3, n))
    failed = (life < 90) & (seal != never)
    covariates = {"seal": seal, "batch": batch, "salt": salt}
    return Lives.from_arrays(np.minimum(life, 90), failed, covariates=covariates)


def _with(lives, **columns):
    return lives.replace(covariates=lives.covariates.assign(**columns))


def test_table_has_the_columns_and_rows_promised():
    fit = fit_time_ratios(_field(never=""), ["seal", "salt"], confidence=0.9)
    assert list(fit.table.columns) == COLUMNS
    assert fit.table[["term", "level"]].values.tolist() == [["seal", x] for x in "BCD"] + [["salt", "+1"]]
    t, z = fit.table, stats.norm.ppf(0.95)
    np.testing.assert_allclose(t["time_ratio"], np.exp(t["log_time_ratio"]))
    np.testing.assert_allclose(t["lower"], np.exp(t["log_time_ratio"] - z * t["std_error"]))
    np.testing.assert_allclose(t["upper"], np.exp(t["log_time_ratio"] + z * t["std_error"]))
    np.testing.assert_allclose(t["p_value"], 2 * stats.norm.sf(np.abs(t["log_time_ratio"] / t["std_error"])))
    assert fit.aic == pytest.approx(2 * 6 - 2 * fit.log_likelihood)
    assert list(fit.parameters) == ["intercept", "seal: B", "seal: C", "seal: D", "salt: +1", "scale"]
    t.loc[0, "lower"] = -1
    assert (fit.table["lower"] > 0).all()


def test_a_level_without_failures_is_named_and_the_rest_is_the_limit():
    lives = _field()
    fit = fit_time_ratios(lives, ["seal", "batch", "salt"])
    without = fit_time_ratios(lives.take(lives.covariates["seal"].to_numpy() != "D"), ["seal", "batch", "salt"])
    gone = fit.table["level"] == "D"
    assert fit.table.loc[gone, COLUMNS[2:]].isna().all(axis=None)
    kept = fit.table[~gone].reset_index(drop=True)
    pd.testing.assert_frame_equal(kept, without.table, rtol=1e-6)
    assert [fit.intercept, fit.log_likelihood] == pytest.approx([without.intercept, without.log_likelihood], rel=1e-9)
    assert any("no failures with D" in note for note in fit.notes)
    # the limit: as the effect of D grows the likelihood rises to the value given
    far = _with(lives, seal=lives.covariates["seal"].replace("D", "A"))
    assert fit_time_ratios(far, ["seal", "batch", "salt"]).log_likelihood < fit.log_likelihood


def test_a_reference_without_failures_leaves_no_ratio_to_it():
    lives = _field()
    seal = pd.Categorical(lives.covariates["seal"], list("DABC"))
    fit = fit_time_ratios(_with(lives, seal=seal), ["seal", "batch"])
    rows = fit.table.set_index("term")["log_time_ratio"]
    assert rows["seal"].isna().all()
    assert rows["batch"].notna().all()
    assert np.isnan(fit.intercept)
    assert any("no failures with D" in n and "the reference" in n for n in fit.notes)
    expected = fit_time_ratios(lives, ["seal", "batch"]).table.set_index("term")["log_time_ratio"]["batch"]
    np.testing.assert_allclose(rows["batch"], expected, rtol=1e-6)


def test_a_level_found_failed_at_the_first_look_is_named():
    lives = _field(never="")
    dead = lives.covariates["seal"].to_numpy() == "C"
    lower, upper = np.where(dead, 0.0, lives.lower), np.where(dead, 30.0, lives.upper)
    fit = fit_time_ratios(lives.replace(lower=lower, upper=upper), "seal")
    assert np.isnan(fit.table["time_ratio"][1])
    assert fit.table["time_ratio"][[0, 2]].notna().all()
    assert any("every unit with C had failed before it was first looked at" in n for n in fit.notes)


def test_a_combination_without_failures_is_told_from_an_alias():
    lives = _field(never="")
    cell = (lives.covariates["seal"].isin(["A", "B"]) ^ (lives.covariates["batch"] == "b1")).to_numpy()
    # failures only where the two terms disagree is no separation; a third term that marks it is
    marked = _with(lives, mark=np.where(cell, "yes", "no"))
    upper = np.where(cell, np.inf, lives.upper)
    fit = fit_time_ratios(marked.replace(upper=upper), ["mark", "batch"])
    assert any("no failures with yes" in n for n in fit.notes)
    twin = _with(lives, twin=lives.covariates["batch"] + "x")
    fit = fit_time_ratios(twin, ["seal", "batch", "twin"])
    rows = fit.table.set_index("term")["log_time_ratio"]
    assert rows["seal"].notna().all()
    assert rows[["batch", "twin"]].isna().all()
    (note,) = [n for n in fit.notes if "cannot be told apart" in n]
    assert "batch = b2" in note
    assert "twin = b2x" in note
    alone = fit_time_ratios(lives, ["seal", "batch"])
    assert fit.log_likelihood == pytest.approx(alone.log_likelihood, rel=1e-9)
    np.testing.assert_allclose(rows["seal"], alone.table["log_time_ratio"][:3], rtol=1e-6)


def test_crossed_cells_can_separate_without_an_empty_level():
    # everyone suspended in (q, x), all others failed: the effect of q can grow for ever if that of y makes up for it
    a, b = np.repeat(["p", "q", "q"], 8), np.repeat(["x", "x", "y"], 8)
    failed = np.r_[np.ones(8), np.zeros(8), np.ones(8)].astype(bool)
    lives = Lives.from_arrays(np.tile(np.arange(3, 11), 3), failed, covariates={"a": a, "b": b})
    fit = fit_time_ratios(lives, ["a", "b"])
    assert fit.table["log_time_ratio"].isna().all()
    assert np.isfinite([fit.intercept, fit.scale, fit.log_likelihood]).all()
    assert any("only on one side of a combination" in n for n in fit.notes)


def test_nothing_failed_or_too_little_for_the_model():
    lives = _field()
    none = fit_time_ratios(lives.replace(upper=np.full(len(lives), np.inf)), ["seal", "salt"])
    assert none.table["time_ratio"].isna().all()
    assert np.isnan([none.intercept, none.scale, none.log_likelihood, none.aic]).all()
    assert any("No failures in 240 units" in n for n in none.notes)
    few = Lives.from_arrays([3, 5, 9], [True, True, True], covariates={"x": [1.0, 2.0, 4.0]})
    assert fit_time_ratios(few, "x").table["time_ratio"].notna().all()
    line = Lives.from_arrays([3, 5], [True, True], covariates={"x": [1.0, 2.0]})
    fit = fit_time_ratios(line, "x")
    assert fit.table["time_ratio"].isna().all()
    assert any("a line runs through all that is known" in n for n in fit.notes)
    held = fit_time_ratios(line, "x", distribution="exponential")
    assert held.table["time_ratio"].notna().all()


def test_one_failure_in_a_small_fleet_gives_no_absurd_figure():
    seal = ["a", "a", "a", "b", "b", "b"]
    for at in range(6):
        failed = np.arange(6) == at
        lives = Lives.from_arrays([4, 6, 9, 5, 7, 9], failed, covariates={"seal": seal})
        for shrink in (0.0, 4.0):
            fit = fit_time_ratios(lives, "seal", shrink=shrink)
            figures = np.r_[fit.table[COLUMNS[2:]].to_numpy(dtype=float).ravel(), fit.intercept, fit.scale]
            assert not np.isinf(figures).any()
            known = np.abs(figures[np.isfinite(figures)])
            assert (known < 1e6).all()
            assert fit.notes


@pytest.mark.parametrize("distribution", ["weibull", "lognormal", "loglogistic", "exponential"])
def test_shrinkage_does_not_know_the_reference(distribution):
    lives = _field()
    tables = {}
    for first in "ABCD":
        order = [first, *[x for x in "ABCD" if x != first]]
        named = _with(lives, seal=pd.Categorical(lives.covariates["seal"], order))
        fit = fit_time_ratios(named, ["seal", "salt"], shrink=4.0, distribution=distribution)
        seal = fit.table[fit.table["term"] == "seal"]
        tables[first] = dict(zip(seal["level"], seal["log_time_ratio"], strict=True)) | {first: 0.0}
        assert fit.table["p_value"].isna().all()
        assert np.isnan(fit.aic)
        assert any("standard deviation 0.5" in n for n in fit.notes)
        tables[first]["salt"], tables[first]["value"] = fit.table["log_time_ratio"].iloc[-1], fit.log_likelihood
    for first, table in tables.items():
        for level in "BCD":
            contrast = table[level] - table["A"]
            assert contrast == pytest.approx(tables["A"][level], abs=1e-7), (first, level)
        assert table["salt"] == pytest.approx(tables["A"]["salt"], rel=1e-6)
        assert table["value"] == pytest.approx(tables["A"]["value"], rel=1e-9)


def test_two_shrunken_levels_equal_the_one_dimensional_problem():
    # two effects with precision tau have a difference with precision tau / 2 and a free mean: the same as shrinking
    # the one contrast, coded -1/2 and 1/2, with tau / 2; solved here by a general optimiser
    from scipy.optimize import minimize
    from statsmodels.tools.numdiff import approx_hess

    rng = np.random.default_rng(0)
    x = np.repeat([0.0, 1.0], 15)
    t = np.ceil(60 * np.exp(0.8 * x) * rng.weibull(1.5, 30)) + 1
    fit = fit_time_ratios(
        Lives.from_arrays(t, np.ones(30, dtype=bool), covariates={"x": x.astype(int).astype(str)}), "x", shrink=4.0
    )

    def minus(v):
        life = stats.weibull_min(np.exp(-v[2]), scale=np.exp(v[0] + v[1] * x))
        return 0.5 * 2.0 * v[1] ** 2 - life.logpdf(t).sum()

    found = minimize(minus, [4, 0, 0], method="BFGS", options={"gtol": 1e-8})
    assert fit.table["log_time_ratio"][0] == pytest.approx(found.x[1], abs=1e-5)
    covariance = np.linalg.inv(approx_hess(found.x, minus))
    assert fit.table["std_error"][0] == pytest.approx(np.sqrt(covariance[1, 1]), rel=1e-4)


def test_a_shrunken_number_is_per_standard_deviation():
    lives = _field(never="")
    fit = fit_time_ratios(lives, "salt", shrink=9.0)
    grams = fit_time_ratios(_with(lives, salt=1000 * lives.covariates["salt"] + 7), "salt", shrink=9.0)
    assert grams.table["log_time_ratio"][0] * 1000 == pytest.approx(fit.table["log_time_ratio"][0], rel=1e-6)
    assert abs(fit.table["log_time_ratio"][0]) < abs(fit_time_ratios(lives, "salt").table["log_time_ratio"][0])


def test_weak_shrinkage_tends_to_the_plain_fit():
    lives = _field(never="")
    plain, weak = (fit_time_ratios(lives, ["seal", "salt"], shrink=s) for s in (0.0, 1e-7))
    np.testing.assert_allclose(weak.table["log_time_ratio"], plain.table["log_time_ratio"], atol=1e-5)
    np.testing.assert_allclose(weak.table["std_error"], plain.table["std_error"], rtol=1e-4)
    assert weak.log_likelihood == pytest.approx(plain.log_likelihood, rel=1e-9)


@pytest.mark.parametrize("shrink", [0.0, 4.0])
def test_weights_equal_replication_and_order_changes_no_digit(shrink):
    lives = _field(n=80)
    weight = np.random.default_rng(1).integers(1, 4, 80)
    joined = fit_time_ratios(lives.replace(weight=weight), ["seal", "salt"], shrink=shrink)
    rows = np.random.default_rng(2).permutation(np.repeat(np.arange(80), weight))
    spread = fit_time_ratios(lives.take(rows), ["seal", "salt"], shrink=shrink)
    pd.testing.assert_frame_equal(joined.table, spread.table, check_exact=True)
    assert joined.log_likelihood == spread.log_likelihood
    assert joined.notes == spread.notes


def test_prediction_stands_at_the_references_unless_told():
    lives = _field(never="")
    fit = fit_time_ratios(lives, ["seal", "salt"])
    shape = 1 / fit.scale
    eta = np.exp(fit.intercept)
    np.testing.assert_allclose(fit.survival([0, 30]), [1, np.exp(-((30 / eta) ** shape))])
    better = eta * fit.table["time_ratio"][0] * fit.table["time_ratio"].iloc[-1] ** 5
    at = {"seal": "B", "salt": 5}
    np.testing.assert_allclose(fit.survival(30.0, at), np.exp(-((30 / better) ** shape)))
    row = fit.quantile(0.1, at).iloc[0]
    assert row["time"] == pytest.approx(better * (-np.log(0.9)) ** fit.scale)
    assert row["lower"] < row["time"] < row["upper"]
    assert fit.survival(row["time"], at) == pytest.approx(0.9)
    # numbers far from 0 do not spoil the limits at a place inside the data
    moved = fit_time_ratios(_with(lives, salt=lives.covariates["salt"] + 1e4), ["seal", "salt"])
    np.testing.assert_allclose(moved.quantile(0.1, {"seal": "B", "salt": 10005}).iloc[0], row, rtol=1e-4)


def test_the_intercept_stands_at_references_that_never_met():
    """No unit has both reference levels; the intercept and the effects are those of columns written by hand."""
    rng = np.random.default_rng(5)
    seal, board = np.repeat(["cord", "ring", "ring"], 40), np.repeat(["two", "one", "two"], 40)
    time = np.ceil(90 * rng.weibull(1.4, 120) * np.where(seal == "ring", 1.5, 1.0))
    lives = Lives.from_arrays(time, rng.random(120) < 0.8, covariates={"seal": seal, "board": board})
    fit = fit_time_ratios(lives, ["seal", "board"])
    columns = np.column_stack([seal == "ring", board == "two"]).astype(float)
    dense = fit_batch(AftProblem.build(lives.lower, lives.upper, lives.entry, columns=columns), np.ones(120))
    assert fit.table["level"].tolist() == ["ring", "two"]
    assert fit.intercept == pytest.approx(dense.intercept[0], abs=1e-6)
    assert fit.table["log_time_ratio"].to_numpy() == pytest.approx(dense.coefficients[0], abs=1e-6)


def test_prediction_without_the_unknown_level_still_works():
    fit = fit_time_ratios(_field(), "seal")
    assert np.isfinite(fit.survival(30, {"seal": "B"}))
    assert np.isnan(fit.survival(30, {"seal": "D"}))
    assert np.isnan(fit.quantile(0.1, {"seal": "D"})["time"][0])


def test_missing_levels_and_booleans_are_levels():
    lives = _field(never="")
    vent = lives.covariates["batch"].where(lives.covariates["batch"] != "b2", None)
    fit = fit_time_ratios(_with(lives, vent=vent, painted=lives.covariates["salt"] > 5), ["vent", "painted"])
    assert fit.table["level"].tolist() == ["b3", "not recorded", "True"]


def test_clusters_are_mentioned():
    lives = _field().replace(cluster=np.arange(240) // 2)
    assert any("240 lives belong to 120 clusters" in n for n in fit_time_ratios(lives, "seal").notes)


def test_covers_the_truth_of_a_known_fleet():
    rng = np.random.default_rng(11)
    n = 4000
    seal = rng.choice(["cord", "flat"], n)
    life = 120 * np.exp(0.4 * (seal == "flat")) * rng.weibull(2.0, n)
    # visits every 30 days up to 150, some units put out late under observation
    entry = np.where(rng.random(n) < 0.3, 20.0, 0.0)
    seen = life > entry
    life, seal, entry = life[seen], seal[seen], entry[seen]
    lower = np.minimum(np.floor(life / 30) * 30, 150)
    upper = np.where(life <= 150, lower + 30, np.inf)
    lives = Lives.from_arrays(lower=lower, upper=upper, entry=entry, covariates={"seal": seal})
    fit = fit_time_ratios(lives, "seal")
    assert abs(fit.table["log_time_ratio"][0] - 0.4) < 3 * fit.table["std_error"][0]
    assert fit.scale == pytest.approx(0.5, abs=0.04)
    assert fit.intercept == pytest.approx(np.log(120), abs=0.05)


def test_errors_say_what_to_do():
    lives = _field(n=40)
    with pytest.raises(UsageError, match="unknown covariate 'seel'; did you mean 'seal'"):
        fit_time_ratios(lives, ["seel"])
    with pytest.raises(UsageError, match="distribution must be one of"):
        fit_time_ratios(lives, "seal", distribution="gamma")
    with pytest.raises(UsageError, match="shrink must be a finite number of at least 0; got -1"):
        fit_time_ratios(lives, "seal", shrink=-1)
    with pytest.raises(UsageError, match="confidence must lie between 0 and 1"):
        fit_time_ratios(lives, "seal", confidence=95)
    with pytest.raises(EstimateError, match="one level only"):
        fit_time_ratios(_with(lives, seal="A"), "seal")
    with pytest.raises(EstimateError, match="named twice"):
        fit_time_ratios(lives, ["seal", "seal"])
    with pytest.raises(EstimateError, match="there are no lives"):
        fit_time_ratios(lives.take(np.zeros(40, dtype=bool)), [])
    with pytest.raises(LivesError, match="salt is missing or infinite in row 2"):
        fit_time_ratios(_with(lives, salt=np.where(np.arange(40) == 2, np.nan, 1.0 * np.arange(40))), "salt")
    zero = Lives.from_arrays([4, 0], [True, True])
    with pytest.raises(EstimateError, match="row 1: the failure is at time 0"):
        fit_time_ratios(zero, [])
    fit = fit_time_ratios(lives, ["seal", "salt"])
    with pytest.raises(UsageError, match="unknown term 'seel'; did you mean 'seal'"):
        fit.survival(3, {"seel": "A"})
    with pytest.raises(UsageError, match="seal has no level 'Z'"):
        fit.survival(3, {"seal": "Z"})
    with pytest.raises(UsageError, match="p must lie between 0 and 1"):
        fit.quantile([0.1, 1.0])


def test_ratios_beyond_all_sense_are_not_shown():
    # a number in far too large a unit: its effect per unit is known, the ratio per unit is no figure to print
    rng = np.random.default_rng(2)
    x = rng.normal(size=60)
    lives = Lives.from_arrays(
        100 * np.exp(0.5 * x) * rng.weibull(1.5, 60), np.ones(60, dtype=bool), covariates={"x": x / 1000}
    )
    fit = fit_time_ratios(lives, "x")
    row = fit.table.iloc[0]
    assert row["log_time_ratio"] == pytest.approx(500, rel=0.4)
    assert row[["time_ratio", "lower", "upper"]].isna().all()
    assert any("beyond a million times" in n for n in fit.notes)
