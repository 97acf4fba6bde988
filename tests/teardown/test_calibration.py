"""Calibration: on seasons with known truth the probabilities mean what they say, and imputing beats leaving out."""

import numpy as np
import pytest

from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.lives import UNDETERMINED, Lives
from workbench.simulate import simulate_season
from workbench.teardown.ends.imputation import draw_mechanisms, imputed_incidence
from workbench.teardown.mechanisms.mechanism import suggest_from_records
from workbench.teardown.mechanisms.sign_families import MOISTURE_RELATED

pytestmark = pytest.mark.slow

SEEDS = range(100, 108)
WATER = MOISTURE_RELATED


def season(seed, **options):
    log, truth = simulate_season(168, seed=seed, **options)
    return log, truth, suggest_from_records(log)


def test_probabilities_are_calibrated_on_simulated_seasons():
    chance, right, named, named_right = [], [], [], []
    for seed in SEEDS:
        _, truth, s = season(seed)
        opened = ~np.isnan(s.teardowns.seen[s.rows]).all(axis=1)
        true = np.asarray(truth["mechanism"], dtype=object)[s.rows]
        chance += s.columns["probability"][opened].tolist()
        right += (s.columns["best"] == true)[opened].tolist()
        named += (s.columns["mechanism"] != UNDETERMINED)[opened].tolist()
        named_right += (s.columns["mechanism"] == true)[opened].tolist()
    chance, right = np.array(chance), np.array(right)
    for low, high in ((0.0, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 1.01)):
        part = (chance >= low) & (chance < high)
        assert part.sum() >= 30
        slack = 0.07 + 2.6 * np.sqrt(0.25 / part.sum())
        assert abs(chance[part].mean() - right[part].mean()) < slack, (low, chance[part].mean(), right[part].mean())
    assert np.mean(np.array(named_right)[np.array(named)]) > 0.80


def known_lives(log, truth):
    """Lives with exact days, as recorded, and the same with the true mechanism."""
    failed = (log["outcome"] == "failed").to_numpy()
    age = np.where(failed, np.ceil(np.asarray(truth["failure_day"], dtype=float)), 180.0)
    true = np.where(failed, np.asarray(truth["mechanism"], dtype=object), "")
    said = log["mechanism"].astype(object).where(log["mechanism"].notna(), "").to_numpy()
    said = np.where(failed, np.where(np.isin(said, ("", UNDETERMINED)), UNDETERMINED, true), "")
    return (Lives.from_arrays(np.maximum(age, 1.0), failed, cause=cause) for cause in (said, true))


def share_lost(lives, day=150.0):
    at = cumulative_incidence(lives).at([day])
    return float(at.loc[at["cause"].isin(WATER), "incidence"].sum())


def test_imputing_beats_leaving_undetermined_failures_out():
    truth_is, imputed, left_out, recorded = [], [], [], []
    for seed in SEEDS:
        log, truth, s = season(seed, undetermined_share=0.4)
        lives, true = known_lives(log, truth)
        unknown = np.asarray(lives.cause) == UNDETERMINED
        drawn = draw_mechanisms(s, np.flatnonzero(unknown), seed=1)
        merge = dict.fromkeys(MOISTURE_RELATED, "water")
        table = imputed_incidence(lives, drawn, [150.0], merge=merge).table.set_index("cause")
        truth_is.append(share_lost(true))
        imputed.append(float(table.loc["water", "incidence"]))
        recorded.append(float(table.loc["water", "recorded"]))
        left_out.append(share_lost(lives.take(~unknown)))
        assert table.loc["water", "recorded"] <= truth_is[-1] + 1e-9 <= table.loc["water", "most"] + 2e-9
        assert table.loc["water", "lower"] < truth_is[-1] < table.loc["water", "upper"]
    error = {k: abs(np.mean(v) - np.mean(truth_is)) for k, v in (("in", imputed), ("out", left_out), ("own", recorded))}
    assert error["out"] > 0.015  # leaving them out is far off ...
    assert error["in"] < 0.4 * error["out"]  # ... imputing is not
    assert error["in"] < 0.4 * error["own"]
