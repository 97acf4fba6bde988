"""Simulated seasons: the log looks as asked for, and its known truth is found again by programs that do not know it."""

import json
import warnings

import numpy as np
import pandas as pd
import pytest

from workbench.errors import UsageError
from workbench.scenario.paper.dirt import DIRT, dirty
from workbench.scenario.paper.logbook import LOG_COLUMNS
from workbench.scenario.world.choices import CHOICES, complete_effects, default_effects, level_names
from workbench.scenario.world.mechanisms import MECHANISMS
from workbench.scenario.world.places import PLACES
from workbench.simulate import simulate_season

pytestmark = pytest.mark.slow

DATES = ("deployed_on", "observed_from", "last_good_on", "failed_on", "found_on")


def _ages(log: pd.DataFrame) -> pd.DataFrame:
    days = {name: pd.to_datetime(log[name], format="%Y-%m-%d") for name in DATES}
    return pd.DataFrame({name: (days[name] - days["deployed_on"]).dt.days for name in DATES})


def test_the_same_seed_gives_the_same_log_and_truth():
    first, truth = simulate_season(50, seed=4)
    again, truth_again = simulate_season(50, seed=4)
    other, _ = simulate_season(50, seed=5)

    pd.testing.assert_frame_equal(first, again)
    assert truth == truth_again
    assert not first.equals(other)


def test_truth_is_plain_and_has_one_value_a_row():
    log, truth = simulate_season(80, seed=1, redeployed_share=0.05, refit_share=0.05)

    assert json.loads(json.dumps(truth)) == truth
    for key in ("failure_day", "mechanism", "lost_day", "visit_days"):
        assert len(truth[key]) == len(log), key
    assert {len(v) for v in truth["mechanism_days"].values()} == {len(log)}


def test_cells_are_text_or_empty_under_the_headings_of_the_dictionary():
    log, _ = simulate_season(60, seed=2)

    assert tuple(log.columns) == LOG_COLUMNS
    assert all(isinstance(v, str) and v for v in log.to_numpy().ravel() if not pd.isna(v))
    for choice, levels in level_names().items():
        assert set(log[choice]) <= set(levels)
    assert log["unit_id"].is_unique and log["unit_id"].iloc[0] == "LM-001"
    assert set(log["site"]) == {p.name for p in PLACES}


def test_units_end_in_about_the_shares_asked_for():
    ends = pd.concat([simulate_season(400, seed=s)[0]["outcome"] for s in range(10)]).value_counts(normalize=True)

    assert ends["failed"] == pytest.approx(0.30, abs=0.02)
    assert ends["working"] == pytest.approx(0.55, abs=0.02)
    assert ends["missing"] == pytest.approx(0.10, abs=0.015)
    assert ends["withdrawn"] == pytest.approx(0.05, abs=0.01)


def test_units_expected_to_fail_are_the_share_asked_for():
    """The baseline is set so that this share fails before the last retrieval, whatever the fleet carries."""
    for share in (0.15, 0.6):
        logs = [simulate_season(1000, seed=s, failed_share=share, dead_on_arrival_share=0.0) for s in range(3)]
        failed = [np.mean(np.array(t["failure_day"]) <= [v[-1] for v in t["visit_days"]]) for _, t in logs]
        assert np.mean(failed) == pytest.approx(share, abs=0.03)


def test_what_was_written_down_agrees_with_what_happened():
    log, truth = simulate_season(1500, seed=3, refit_share=0.03, redeployed_share=0.03)
    ages, dies = _ages(log), np.array(truth["failure_day"])
    outcome, basis = log["outcome"], log["time_basis"]

    failed = (outcome == "failed").to_numpy()
    alive = outcome.isin(["working", "withdrawn"]).to_numpy()
    assert (ages["found_on"].fillna(9e9)[failed] >= dies[failed]).all()
    assert (ages["last_good_on"].fillna(-1)[failed] < np.maximum(dies[failed], 1)).all()
    exact = failed & log["failed_on"].notna().to_numpy() & (basis != "guess").to_numpy()
    assert exact.sum() > 30 and (ages["failed_on"][exact] == dies[exact]).all()
    memory = failed & (basis == "last_record").to_numpy() & (dies > 0)
    assert memory.sum() > 30 and (ages["last_good_on"][memory] == dies[memory] - 1).all()
    assert (ages["last_good_on"][alive] < dies[alive]).all()
    missing = (outcome == "missing").to_numpy()
    seen = ages["last_good_on"].fillna(-1)[missing]
    lost = np.array([np.inf if d is None else d for d in truth["lost_day"]])[missing]
    assert missing.sum() > 80 and (seen < lost).all() and (seen < dies[missing]).all()


def test_dates_stand_in_order_and_in_the_season():
    log, _ = simulate_season(600, seed=6)
    ages = _ages(log)

    assert (ages["last_good_on"].fillna(0) <= ages["failed_on"].fillna(9999)).all()
    sure = (log["outcome"] != "missing") & ages["found_on"].notna()
    assert (ages["last_good_on"].fillna(0) <= ages["found_on"])[sure].all()
    assert pd.to_datetime(log["deployed_on"]).min() == pd.Timestamp("2025-03-10")
    assert pd.to_datetime(log["found_on"]).max() <= pd.Timestamp("2025-03-10") + pd.Timedelta(days=246)


def test_sites_are_visited_every_three_to_six_weeks():
    _, truth = simulate_season(200, seed=8, visit_skipped=0.0)
    gaps = np.concatenate([np.diff([0, *v]) for v in truth["visit_days"]])

    assert np.quantile(gaps, 0.1) >= 20 and gaps.max() <= 42 + 21
    assert 28 <= np.median(gaps) <= 35


def test_effects_are_found_again_by_a_weibull_fit_to_the_true_times():
    """One life with one law: lifelines' Weibull accelerated failure time model finds the effects (log time)."""
    from lifelines import WeibullAFTFitter

    effects = {"lid_seal": {"cord": 0.3, "o_ring": 0.7}, "vent": {"membrane": -0.2}}
    log, truth = simulate_season(
        6000, seed=11, effects=effects, competing=False, exposure_strength=0.0, site_sd=0.0, dead_on_arrival_share=0.0
    )
    days = np.min(list(truth["mechanism_days"].values()), axis=0)
    design = pd.get_dummies(log[["lid_seal", "vent", "closure"]], dtype=float)
    design = design.drop(columns=["lid_seal_flat_gasket", "vent_none", "closure_screws"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = WeibullAFTFitter().fit(design.assign(days=days, seen=1), "days", "seen")
    found, error = fit.params_["lambda_"], fit.standard_errors_["lambda_"]

    assert abs(found["lid_seal_cord"] - 0.3) < 3.5 * error["lid_seal_cord"] < 0.12
    assert abs(found["lid_seal_o_ring"] - 0.7) < 3.5 * error["lid_seal_o_ring"] < 0.12
    assert abs(found["vent_membrane"] + 0.2) < 3.5 * error["vent_membrane"] < 0.12
    assert abs(found["closure_latches"]) < 3.5 * error["closure_latches"] < 0.12
    assert float(np.exp(fit.params_["rho_"]["Intercept"])) == pytest.approx(truth["shape"]["lid_seal_leak"], rel=0.03)


def test_a_choice_acts_only_on_mechanisms_that_it_can_prevent():
    effects = {"board_protection": {"potting": 1.0}}
    log, truth = simulate_season(4000, seed=12, effects=effects, exposure_strength=0.0, site_sd=0.0)
    potted = (log["board_protection"] == "potting").to_numpy()
    for name in MECHANISMS:
        days = np.log(np.array(truth["mechanism_days"][name]))
        shift = days[potted].mean() - days[~potted].mean()
        spread = 3.5 * days.std() * np.sqrt(1 / potted.sum() + 1 / (~potted).sum())
        expected = 1.0 if name in truth["prevents"]["board_protection"] else 0.0
        assert abs(shift - expected) < spread, name
    assert "battery_exhausted" not in truth["prevents"]["board_protection"]


def test_true_mission_survival_is_what_a_whole_fleet_with_that_level_shows():
    """The standardised truth against a count: everybody is given the level, failure days are drawn and counted."""
    options = {"seed": 21, "failed_share": 0.5, "confounding": 0.8, "effects": {"lid_seal": {"o_ring": 0.9}}}
    log, truth = simulate_season(20_000, **options)
    shown = np.mean(np.array(truth["failure_day"]) > 180)
    assert truth["fleet_mission_survival"] == pytest.approx(shown, abs=0.01)
    days = np.clip(np.array(truth["failure_day"]) - 0.5, 0, 180)  # the day was rounded up
    assert truth["fleet_restricted_mean"] == pytest.approx(days.mean(), abs=1.0)

    seals = truth["mission_survival"]["lid_seal"]
    site, seal = log["site"], log["lid_seal"]
    lasts = pd.Series(np.array(truth["failure_day"]) > 180)
    by_site = lasts.groupby([site, seal]).mean().unstack()
    weights = site.value_counts(normalize=True).reindex(by_site.index).to_numpy()
    for level in ("flat_gasket", "o_ring"):
        assert seals[level] == pytest.approx(float((by_site[level] * weights).sum()), abs=0.02)
    assert seals["cord"] == pytest.approx(seals["flat_gasket"])
    assert truth["restricted_mean"]["lid_seal"]["o_ring"] > truth["restricted_mean"]["lid_seal"]["flat_gasket"]


def test_good_seals_sent_to_bad_places_make_raw_shares_mislead():
    log, truth = simulate_season(6000, seed=31, confounding=0.9, effects={}, exposure_strength=2.0, site_sd=0.0)
    lasts = pd.Series(np.array(truth["failure_day"]) > 180).groupby(log["lid_seal"]).mean()

    assert lasts["o_ring"] < lasts["flat_gasket"] - 0.05
    assert truth["mission_survival"]["lid_seal"]["o_ring"] == truth["mission_survival"]["lid_seal"]["flat_gasket"]


def test_a_season_without_effects_has_none_in_its_truth():
    _, truth = simulate_season(100, seed=1, effects={})

    for levels in truth["mission_survival"].values():
        assert len(set(levels.values())) == 1
    assert all(effect == 0 for levels in truth["effects"].values() for effect in levels.values())


def test_an_aliased_choice_follows_the_batch():
    log, truth = simulate_season(120, seed=1, alias="closure")

    assert (log.groupby("batch")["closure"].nunique() == 1).all()
    assert log["closure"].nunique() == 2 and truth["alias"] == {"closure": "batch"}


def test_a_refit_closes_one_row_and_opens_another_with_the_same_clock():
    log, _ = simulate_season(300, seed=2, refit_share=0.05)
    twice = log[log["unit_id"].duplicated(keep=False)]

    assert twice["unit_id"].nunique() == 15
    for _, pair in twice.groupby("unit_id"):
        before, after = pair.iloc[0], pair.iloc[1]
        assert (before["outcome"], before["withdrawn_reason"]) == ("withdrawn", "refit")
        assert before["found_on"] == after["observed_from"] and before["deployed_on"] == after["deployed_on"]
        assert before["lid_seal"] != "o_ring" and after["lid_seal"] == "o_ring"
        assert pd.isna(after["last_good_on"]) or after["last_good_on"] >= after["observed_from"]


def test_a_repaired_unit_goes_out_again_later():
    log, _ = simulate_season(300, seed=2, redeployed_share=0.05)
    twice = log[log["unit_id"].duplicated(keep=False)]

    assert twice["unit_id"].nunique() == 15
    for _, pair in twice.groupby("unit_id"):
        assert pair["deployment"].tolist() == ["1", "2"]
        assert pair["found_on"].iloc[0] < pair["deployed_on"].iloc[1]


def test_signs_at_teardown_speak_for_the_mechanism():
    log, truth = simulate_season(3000, seed=5)
    true = pd.Series(truth["mechanism"])
    opened = (log["outcome"] == "failed") & log["opened_on"].notna()
    looked = opened & (log["tooth_marks"] != "not_checked")

    bitten = (log["tooth_marks"] == "yes")[looked].groupby(true[looked]).mean()
    assert bitten["animal_bite"] == pytest.approx(0.9, abs=0.1)
    assert bitten.drop("animal_bite").max() < 0.2
    verdict = log["mechanism"][opened]
    assert verdict.isna().mean() == pytest.approx(0.15, abs=0.04)
    assert (verdict.dropna() == true[verdict.dropna().index]).mean() == pytest.approx(0.93, abs=0.03)
    assert log["mechanism"][log["outcome"] != "failed"].isna().all()
    assert (log["opened_on"].notna() & (log["outcome"] == "working")).sum() > 300


def test_costs_add_up():
    log, _ = simulate_season(40, seed=1)
    for _, row in log.iterrows():
        extra = sum(CHOICES[c].levels[row[c]][2] for c in CHOICES)
        assert float(row["unit_cost"]) == pytest.approx(61.0 + extra)


def test_more_sites_than_the_nine_are_made_up():
    log, truth = simulate_season(200, seed=1, sites=25)

    assert log["site"].nunique() == 25 and len(truth["site_effects"]) == 25


@pytest.mark.parametrize("options", [{"n": 1}, {"n": 2, "sites": 1}, {"n": 3, "sites": 12, "mission": 400}])
def test_the_smallest_seasons_can_be_made(options):
    log, truth = simulate_season(**({"seed": 1} | options))

    assert len(log) == options["n"] == len(truth["failure_day"])
    assert 0 < truth["fleet_mission_survival"] < 1


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"n": 0}, "n must be a whole number of at least 1"),
        ({"visit_gaps": (3, 4)}, "did you mean 'visit_gap'"),
        ({"effects": {"lid_seel": {}}}, "did you mean 'lid_seal'"),
        ({"effects": {"lid_seal": {"oring": 1.0}}}, "did you mean 'o_ring'"),
        ({"effects": {"lid_seal": {"o_ring": float("nan")}}}, "effect of lid_seal = o_ring"),
        ({"missing_share": 1.5}, "missing_share must lie between 0 and 1"),
        ({"failed_share": 0.0}, "failed_share"),
        ({"start": "10/03/2025"}, "start must be an ISO date"),
        ({"visit_gap": (40, 20)}, "visit_gap must be a shortest and a longest"),
        ({"visit_gap": 30}, "visit_gap must be a shortest and a longest"),
        ({"days": 40}, "days must exceed"),
        ({"effects": ["lid_seal"]}, "effects must look like"),
        ({"effects": {"lid_seal": 0.5}}, "effects must look like"),
        ({"batches": {}}, "batches must give at least one level a share"),
        ({"shares": {"vent": {"none": 0.0}}}, "shares of vent must give at least one level a share"),
        ({"shares": {"vent": {"none": -1.0}}}, "shares of vent, none must be a finite number"),
        ({"alias": "colour"}, "alias must be one of"),
        ({"shares": {"vent": {"hole": 1.0}}}, "unknown level of vent 'hole'"),
    ],
)
def test_impossible_options_are_refused_in_one_sentence(arguments, words):
    with pytest.raises(UsageError) as error:
        simulate_season(**({"n": 10, "seed": 1} | arguments))
    assert words in str(error.value) and "\n" not in str(error.value)


def test_effects_not_named_are_none():
    assert complete_effects(None) == default_effects()
    assert complete_effects({"vent": {"membrane": 0.5}})["lid_seal"]["o_ring"] == 0.0
    assert all(next(iter(levels.values())) == 0.0 for levels in default_effects().values())


def test_dirt_is_put_where_the_list_says_and_nowhere_else():
    log, _ = simulate_season(120, seed=9)
    before = log.copy()
    worse, damage = dirty(log, seed=1, counts=dict.fromkeys([*DIRT, "duplicate"], 2))

    pd.testing.assert_frame_equal(log, before)
    assert len(worse) == len(log) + 2 and len(damage) == 2 * (len(DIRT) + 1)
    twice = [d["row"] for d in damage if d["kind"] == "duplicate"]
    for row in twice:
        assert worse.loc[row].equals(worse.loc[row - 1])
    mended = worse.copy()
    for fault in damage:
        for column, (old, new) in fault["columns"].items():
            cell = worse.at[fault["row"], column]
            assert (pd.isna(cell) and new is None) or cell == new
            mended.at[fault["row"], column] = np.nan if old is None else old
    mended = mended.drop(index=twice).reset_index(drop=True)
    pd.testing.assert_frame_equal(mended, log)


def test_dirt_without_a_row_left_is_refused():
    log, _ = simulate_season(5, seed=9)
    with pytest.raises(UsageError, match="no row is left for"):
        dirty(log, seed=1)
    with pytest.raises(UsageError, match="did you mean 'duplicate'"):
        dirty(log, seed=1, counts={"duplicates": 1})
