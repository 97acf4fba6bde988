"""The classifier of the mission: labels by hand, scikit-learn as second program, known truth, silence where due."""

import warnings

import numpy as np
import pandas as pd
import pytest

from workbench.errors import UsageError
from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.shared.terms import terms_of
from workbench.lives import Lives
from workbench.log.season_log.reading import read_log
from workbench.ranking.mission.classify import classify_mission
from workbench.ranking.mission.mission_folds import Folds, mission_folds
from workbench.ranking.mission.mission_importance import importance_of, predict_held_out, together, training_shares
from workbench.ranking.mission.mission_labels import (
    DOUBTFUL,
    FAILED_BY_MISSION,
    LASTED,
    life_curve,
    mission_labels,
    share_failed,
)
from workbench.ranking.mission.mission_model import LevelColumns, fit_on_shares, mission_pipeline, model_columns
from workbench.report.figures import draw
from workbench.report.figures.style import new_axes
from workbench.simulate import simulate_season

pytestmark = pytest.mark.slow

CHOICES = ["lid_seal", "vent", "board_protection", "seal_bonded", "closure", "shade"]
STRONG = {"lid_seal": {"cord": 0.6, "o_ring": 1.4}, "board_protection": {"potting": 1.0}}


def _season(folder, n, seed, **options):
    log, truth = simulate_season(n, seed=seed, **options)
    path = folder / f"season_{seed}.csv"
    log.to_csv(path, index=False)
    return read_log(path).lives(), truth


@pytest.fixture(scope="module")
def strong(tmp_path_factory):
    lives, _ = _season(tmp_path_factory.mktemp("strong"), 300, 3, effects=STRONG, competing=False)
    return lives, classify_mission(lives, CHOICES, mission=180)


def _known(n=120, seed=1):
    """Lives whose outcome at day 100 is known for all, at six sites, with one choice that matters and a number."""
    rng = np.random.default_rng(seed)
    seal = rng.choice(["cord", "ring"], n)
    depth = rng.normal(30, 10, n)
    failed = rng.random(n) < np.where(seal == "ring", 0.2, 0.6)
    columns = {
        "seal": seal,
        "vent": rng.choice(["none", "vent"], n),
        "depth": depth,
        "site": [f"s{i % 6}" for i in range(n)],
    }
    return Lives.from_arrays(np.where(failed, rng.integers(1, 100, n), 120), failed, covariates=pd.DataFrame(columns))


def _parts(lives, choices=("seal", "vent"), adjust=("depth",), mission=100.0):
    lives = lives.take(lives.canonical_order([*choices, *adjust, "site"]))
    labels = mission_labels(lives, mission)
    columns = model_columns(terms_of(lives, [*choices, *adjust]), lives.weight, adjust)
    folds = mission_folds(lives, labels, "site", rng=np.random.default_rng([0, 0]))
    return lives, labels, columns, folds, training_shares(lives, labels, mission, folds=folds)


def test_labels_by_hand():
    """Failed: upper <= mission; lasted: lower >= mission; lost early and straddling: not known."""
    lives = Lives.from_arrays(lower=[50, 100, 80, 100, 60, 90], upper=[50, 100, 100, np.inf, np.inf, 110])

    assert mission_labels(lives, 100).tolist() == [
        FAILED_BY_MISSION,
        FAILED_BY_MISSION,
        FAILED_BY_MISSION,
        LASTED,
        DOUBTFUL,
        DOUBTFUL,
    ]


def test_shares_of_doubtful_lives_by_hand():
    """Four fail on days 20, 60, 80 and 140. Lost at 40: 2 of the 3 left fail by 100. Failed in (70, 150]: 1 of 2."""
    trained = Lives.from_arrays([20, 60, 80, 140], [True] * 4)
    asked = Lives.from_arrays(lower=[40, 70, 90, 30, 100], upper=[np.inf, 150, 130, 30, np.inf])
    labels = mission_labels(asked, 100)

    shares = share_failed(asked, labels, 100.0, curve=life_curve(trained))
    # no training life failed in (90, 130], so its 10 of 40 days before the mission count
    assert shares == pytest.approx([2 / 3, 1 / 2, 10 / 40, 1.0, 0.0])


def test_life_curve_agrees_with_the_product_limit_curve():
    rng = np.random.default_rng(0)
    time, failed = rng.integers(1, 200, 80), rng.random(80) < 0.5
    lives = Lives.from_arrays(time, failed)
    days = np.arange(5.0, time.max(), 15)

    expected = survival_curve(lives).at(days)["survival"].to_numpy()
    assert 1 - life_curve(lives).failed_by(days) == pytest.approx(expected, abs=1e-7)


def test_life_curve_agrees_with_the_interval_curve():
    rng = np.random.default_rng(1)
    life, gap = rng.weibull(1.5, 60) * 150, rng.integers(20, 45, 60)
    lower = np.floor(life / gap) * gap
    upper = np.where(lower > 160, np.inf, lower + gap)
    lives = Lives.from_arrays(lower=np.minimum(lower, 160), upper=upper)
    days = np.array([30.0, 60.0, 100.0, 150.0])

    expected = survival_curve(lives).at(days)["survival"].to_numpy()
    assert 1 - life_curve(lives).failed_by(days) == pytest.approx(expected, abs=1e-4)


def test_base_rate_is_the_true_chance_of_failing_by_the_mission(tmp_path):
    """Visits and losses hide outcomes; counting them as lasted or dropping them would miss the truth by far."""
    found, true, dropped, lasted = [], [], [], []
    for seed in range(4):
        options = {"failed_share": 0.5, "informative_share": 0.0, "missing_share": 0.25, "telemetry_share": 0.0}
        lives, truth = _season(tmp_path, 1200, seed, **options)
        labels = mission_labels(lives, 180)
        curve = life_curve(lives)
        found.append(np.average(share_failed(lives, labels, 180.0, curve=curve)))
        true.append(1 - truth["fleet_mission_survival"])
        dropped.append(np.mean(labels[labels != DOUBTFUL] == FAILED_BY_MISSION))
        lasted.append(np.mean(labels == FAILED_BY_MISSION))
    assert np.mean(found) == pytest.approx(np.mean(true), abs=0.015)
    assert abs(np.mean(lasted) - np.mean(true)) > 0.05
    assert np.mean(lasted) < np.mean(found) < np.mean(dropped) + 0.05


def test_folds_hold_whole_sites_with_both_outcomes(strong):
    lives, _ = strong
    labels = mission_labels(lives, 180)
    folds = mission_folds(lives, labels, "site", rng=np.random.default_rng(0))

    assert folds.count == 5
    for f in range(5):
        assert {FAILED_BY_MISSION, LASTED} <= set(labels[folds.fold == f])
    assert pd.Series(folds.fold).groupby(lives.covariates["site"].to_numpy()).nunique().max() == 1


def test_sites_are_held_out_one_by_one_when_folds_cannot_be_made():
    site = np.repeat(["a", "b", "c", "d"], 10)
    failed = (site == "a") | ((site == "b") & (np.arange(40) % 10 < 5))
    lives = Lives.from_arrays(np.where(failed, 50, 120), failed, covariates={"site": site})
    folds = mission_folds(lives, mission_labels(lives, 100), "site", rng=np.random.default_rng(0))

    assert folds.count == 4 and folds.note.startswith("Each site was held out in turn")


def test_without_sites_units_or_rows_are_held_out():
    lives = _known()
    columns = lives.covariates.drop(columns="site")
    by_row = classify_mission(lives.replace(covariates=columns), ["seal"], mission=100)
    by_unit = classify_mission(lives.replace(covariates=columns, cluster=np.arange(120) // 2), ["seal"], mission=100)

    assert any("folds of whole rows" in n and "each row stands for itself" in n for n in by_row.notes)
    assert any("folds of whole units" in n for n in by_unit.notes)


def test_held_out_predictions_are_those_of_scikit_learn():
    """Outcomes known for all: cross_val_predict over the same folds and brier_score_loss of scikit-learn."""
    from sklearn.metrics import brier_score_loss
    from sklearn.model_selection import PredefinedSplit, cross_val_predict

    lives, labels, columns, folds, shares = _parts(_known())
    pipeline = mission_pipeline(columns)
    own = predict_held_out(pipeline, columns.values, shares, weight=np.ones(len(lives)), folds=folds)
    split = PredefinedSplit(folds.fold)
    theirs = cross_val_predict(pipeline, columns.values, labels, cv=split, method="predict_proba")[:, 1]

    assert own.predicted == pytest.approx(theirs, abs=1e-4)
    result = classify_mission(_known(), ["seal", "vent"], adjust=["depth"], mission=100)
    assert result.skill["brier"] == pytest.approx(brier_score_loss(labels, theirs), abs=1e-4)
    rate = np.array([labels[folds.fold != f].mean() for f in folds.fold])
    assert result.skill["brier_base"] == pytest.approx(brier_score_loss(labels, rate), abs=1e-9)
    assert result.skill["skill"] == pytest.approx(1 - result.skill["brier"] / result.skill["brier_base"])


def test_importance_is_the_mean_of_scikit_learns_permutation_importance():
    from sklearn.inspection import permutation_importance

    lives, labels, columns, _, _ = _parts(_known(160))
    fold = (np.arange(len(lives)) % 2).astype(np.int64)
    folds = Folds(fold, np.arange(len(lives)), "")
    shares = training_shares(lives, labels, 100.0, folds=folds)
    weight = np.ones(len(lives))
    held_out = predict_held_out(mission_pipeline(columns), columns.values, shares, weight=weight, folds=folds)
    theirs = np.mean(
        [
            permutation_importance(
                held_out.models[f],
                columns.values[fold == f],
                labels[fold == f],
                scoring="neg_brier_score",
                n_repeats=150,
                random_state=0,
            ).importances_mean[:2]
            for f in range(2)
        ],
        axis=0,
    )

    rng = np.random.default_rng(0)
    own = [importance_of(held_out, columns.values, [place], weight=weight, folds=folds, rng=rng) for place in range(2)]
    assert own == pytest.approx(theirs, abs=0.002)
    assert own[0] > 0.02 > own[1]


def test_model_is_the_penalised_likelihood_that_it_claims_to_be():
    """Minimum of the log-loss plus w'w / (2 sd^2), with rows split by their share, found by scipy instead."""
    from scipy.optimize import minimize

    lives, _, columns, _, _ = _parts(_known())
    rng = np.random.default_rng(2)
    share, weight = rng.random(len(lives)), rng.integers(1, 4, len(lives)).astype(float)
    model = fit_on_shares(mission_pipeline(columns), columns.values, share, weight=weight)
    wide = LevelColumns(sizes=[2, 2, 0], scales=[1.0, 1.0, 2.0]).fit_transform(columns.values)

    def loss(w):
        eta = w[0] + wide @ w[1:]
        return weight @ (np.logaddexp(0, eta) - share * eta) + w[1:] @ w[1:] / (2 * 0.5**2)

    best = minimize(loss, np.zeros(1 + wide.shape[1]), method="BFGS", options={"gtol": 1e-8}).x
    chance = 1 / (1 + np.exp(-(best[0] + wide @ best[1:])))
    assert model.predict_proba(columns.values)[:, 1] == pytest.approx(chance, abs=1e-3)


def test_level_columns_keep_the_conventions_of_scikit_learn():
    from sklearn.base import clone
    from sklearn.utils.estimator_checks import check_estimator

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # one check is skipped with a warning where a variable of scipy is not set
        check_estimator(LevelColumns())
    own = LevelColumns(sizes=[3, 0], scales=[1.0, 2.0])
    assert clone(own).get_params() == own.get_params() == {"sizes": [3, 0], "scales": [1.0, 2.0]}
    made = own.fit_transform(np.array([[0, 5.0], [2, 7.0], [9, 1.0]]))
    assert made.tolist() == [[1, 0, 0, 10], [0, 0, 1, 14], [0, 0, 0, 2]]
    with pytest.raises(UsageError, match="sizes has 2 values for 3 columns"):
        LevelColumns(sizes=[2, 2]).fit(np.zeros((4, 3)))


def test_classes_are_never_reweighted():
    columns = _parts(_known())[2]
    for forest in (False, True):
        parameters = mission_pipeline(columns, forest=forest).get_params()
        weights = {k: v for k, v in parameters.items() if k.endswith("class_weight")}
        assert weights and all(v is None for v in weights.values())


def test_a_season_without_effects_shows_no_skill(tmp_path):
    verdicts = []
    for seed in range(4):
        lives, _ = _season(tmp_path, 168, seed, effects={}, confounding=0.5)
        result = classify_mission(lives, CHOICES, mission=180)
        verdicts.append(result.skill["verdict"])
        if verdicts[-1] == "no skill":
            assert not result.table["counts"].any()
            assert any(n.startswith("No skill: ") for n in result.notes)
    assert verdicts.count("no skill") >= 3


def test_strong_effects_show_skill_and_count(strong):
    _, result = strong
    table = result.table.set_index("choice")

    assert (
        result.skill["verdict"] == "skill" and 0 < result.skill["lower"] < result.skill["skill"] < result.skill["upper"]
    )
    assert table["counts"]["lid_seal"] and table["counts"]["board_protection"]
    assert not table.loc[["vent", "seal_bonded", "closure", "shade"], "counts"].all()
    assert table.index[0] == "lid_seal" and (np.diff(table["importance"]) <= 0).all()
    levels = result.levels.set_index(["choice", "level"])["mission_survival"]
    assert levels["lid_seal", "flat_gasket"] < levels["lid_seal", "cord"] < levels["lid_seal", "o_ring"]


def test_columns_without_meaning_rarely_count(tmp_path):
    """Four choices have no effect in each season; about one in twenty should pass the line that noise draws."""
    passed = 0
    for seed in range(4):
        lives, _ = _season(tmp_path, 200, seed, effects=STRONG, competing=False)
        table = classify_mission(lives, CHOICES, mission=180).table.set_index("choice")
        null = table.loc[["vent", "seal_bonded", "closure", "shade"]]
        passed += int((null["importance"] > null["noise"]).sum())
    assert passed <= 4  # of 16


def test_result_has_the_columns_of_the_contract(strong):
    _, result = strong

    assert list(result.calibration.columns)[:5] == ["low", "high", "units", "predicted", "observed"]
    assert {"brier", "brier_base", "skill", "lower", "upper", "verdict"} <= set(result.skill)
    assert list(result.table.columns) == ["choice", "together", "importance", "noise", "counts", "note"]
    result.skill["brier"] = 0.0
    assert result.skill["brier"] > 0


def test_calibration_bins_hold_every_unit_once(strong):
    lives, result = strong
    bins = result.calibration

    assert 2 <= len(bins) <= 5 and bins["units"].sum() == lives.units == result.skill["units"]
    assert np.average(bins["observed"], weights=bins["units"]) == pytest.approx(result.skill["base_rate"], abs=0.02)
    assert (bins["low"] <= bins["predicted"]).all() and (bins["predicted"] <= bins["high"]).all()
    assert (bins["lower"] < bins["observed"]).all() and (bins["observed"] < bins["upper"]).all()


def test_order_of_rows_changes_no_digit(strong):
    lives, result = strong
    shuffled = classify_mission(lives.take(np.random.default_rng(5).permutation(len(lives))), CHOICES, mission=180)

    pd.testing.assert_frame_equal(shuffled.table, result.table)
    pd.testing.assert_frame_equal(shuffled.calibration, result.calibration)
    assert shuffled.skill == result.skill and shuffled.notes == result.notes


def test_weights_equal_repeated_rows():
    lives = _known(60)
    weight = np.random.default_rng(0).integers(1, 4, 60)
    weighted = classify_mission(lives.replace(weight=weight), ["seal"], adjust=["depth"], mission=100)
    repeated = classify_mission(lives.take(np.repeat(np.arange(60), weight)), ["seal"], adjust=["depth"], mission=100)

    for key in ("brier", "brier_base", "brier_first", "skill", "lower", "upper", "base_rate"):
        assert weighted.skill[key] == pytest.approx(repeated.skill[key], abs=1e-4), key
    assert weighted.table["importance"].to_numpy() == pytest.approx(repeated.table["importance"].to_numpy(), abs=1e-4)
    assert weighted.skill["units"] == repeated.skill["units"] == weight.sum()


def test_names_of_levels_change_nothing():
    lives = _known()
    renamed = lives.covariates.replace({"seal": {"ring": "a", "cord": "b"}})
    one = classify_mission(lives, ["seal", "vent"], mission=100).skill
    other = classify_mission(lives.replace(covariates=renamed), ["seal", "vent"], mission=100).skill

    assert one["brier"] == pytest.approx(other["brier"], abs=1e-6)


def test_choices_that_say_the_same_are_handed_out_together():
    lives = _known()
    copy = lives.covariates.assign(twin=np.where(lives.covariates["seal"] == "ring", "yes", "no"))
    result = classify_mission(lives.replace(covariates=copy), ["seal", "twin", "vent"], mission=100)
    table = result.table.set_index("choice")

    assert table["together"].to_dict() == {"seal": "twin", "twin": "seal", "vent": ""}
    assert dict(zip(table.index, result.partners, strict=True)) == {"seal": ("twin",), "twin": ("seal",), "vent": ()}
    assert table["importance"]["seal"] == table["importance"]["twin"] > 0.02


def test_likeness_of_choices_is_cramers_v_as_scipy_has_it():
    from scipy.stats.contingency import association

    from workbench.ranking.mission.mission_importance import _cramer

    rng = np.random.default_rng(0)
    a, b = rng.integers(0, 3, 200), rng.integers(0, 2, 200)
    table = np.array([[np.sum((a == i) & (b == j)) for j in range(2)] for i in range(3)])
    assert _cramer(a, b, np.ones(200)) == pytest.approx(association(table, method="cramer"))
    columns = _parts(_known())[2]
    assert together(columns, [0, 1], np.ones(120)) == [(0,), (1,)]


def test_from_a_hundred_failures_a_forest_takes_part():
    lives = _known(300)
    result = classify_mission(lives, ["seal"], mission=100)

    assert result.skill["failures"] >= 100
    assert any("averaged with a forest" in n for n in result.notes)
    assert not any("forest" in n for n in classify_mission(_known(120), ["seal"], mission=100).notes)


def test_missing_choices_are_a_level_of_their_own():
    lives = _known()
    gaps = lives.covariates.assign(vent=lives.covariates["vent"].where(np.arange(120) % 5 > 0))
    levels = classify_mission(lives.replace(covariates=gaps), ["vent"], mission=100).levels

    assert levels["level"].tolist() == ["none", "vent", "not recorded"] and levels["units"].sum() == 120


def test_figure_shows_each_bin_with_its_units_and_the_verdict(strong):
    _, result = strong
    ax = new_axes()
    draw(result, ax)
    words = [t.get_text() for t in ax.texts]

    for units in result.calibration["units"]:
        assert f"{units} units" in words
    assert any("The choices help to predict which units fail" in w for w in words)
    points = ax.lines[2].get_xydata() if len(ax.lines) > 2 else ax.lines[-1].get_xydata()
    assert points[:, 0] == pytest.approx(100 * result.calibration["predicted"].to_numpy())
    assert points[:, 1] == pytest.approx(100 * result.calibration["observed"].to_numpy())
    assert "day 180" in ax.get_xlabel() and "%" in ax.get_ylabel()
