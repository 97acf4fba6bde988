"""Sensitivity: missing units failed, working or crossed, counts that flip a sign, other clocks, and second opinions."""

import sys
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from workbench.lives import Lives
from workbench.ranking.checks.missing_units import FlipCount, missing_units
from workbench.ranking.checks.opinions import agreement_of, log_hazard_ratios
from workbench.ranking.checks.raw import raw_comparisons
from workbench.ranking.checks.sensitivity import (
    ALL_FAILED,
    ALL_WORKED,
    NO_DEAD_ON_ARRIVAL,
    SEASON_CLOCK,
    season_clock,
)
from workbench.ranking.choices.rank import rank_choices
from workbench.ranking.model.design import build_design
from workbench.ranking.model.fitting import fit_design, problem_of
from workbench.ranking.model.standardise import standardise

from .seasons import make_lives, season_of_gone_rings, sensitivity_at

MISSING = sys.modules["workbench.ranking.checks.missing_units"]


@pytest.fixture(scope="module")
def lives():
    return make_lives(21, 160, missing=0.25)


@pytest.fixture(scope="module")
def runs(lives):
    return sensitivity_at(build_design(lives, ["seal", "vent"], "environment"), 180.0)


def _gain(lives: Lives, level: str, mission: float = 180.0, reference: str | None = None) -> float:
    """The gain by a fit of its own, from lives changed by hand."""
    design = build_design(
        lives, ["seal", "vent"], "environment", reference=None if reference is None else {"seal": reference}
    )
    fit = fit_design(problem_of(design), design.lives.weight.astype(float))
    seal = standardise(design, fit, mission)["seal"]
    share = dict(zip(seal.levels, seal.survival[0], strict=True))
    return share[level] - share[design.block("seal").reference]


def _seal_runs(runs, run: str) -> dict[str, float]:
    table = runs.table[(runs.table.run == run) & (runs.table.choice == "seal")]
    return table.set_index("level").survival_gain.to_dict()


def test_all_missing_failed_equals_changed_lives(lives, runs):
    gone = (lives.covariates.outcome == "missing").to_numpy()
    changed = lives.replace(upper=np.where(gone, lives.lower + 1, lives.upper))
    for level, gain in _seal_runs(runs, ALL_FAILED).items():
        assert gain == pytest.approx(_gain(changed, level), abs=1e-6)


def test_all_missing_worked_on_equals_changed_lives(lives, runs):
    gone = (lives.covariates.outcome == "missing").to_numpy()
    changed = lives.replace(lower=np.where(gone, 220.0, lives.lower), upper=lives.upper)
    for level, gain in _seal_runs(runs, ALL_WORKED).items():
        assert gain == pytest.approx(_gain(changed, level), abs=1e-6)


def test_crossed_runs_bound_the_gain(runs):
    table = runs.table[runs.table.choice == "seal"]
    crossed = table[table.run.str.contains("missing units with")]
    assert len(crossed) == 2 * 2
    for level, part in crossed.groupby("level"):
        inside = [_seal_runs(runs, run)[level] for run in (ALL_FAILED, ALL_WORKED)]
        assert part.survival_gain.min() <= min(inside) and max(inside) <= part.survival_gain.max()


def test_every_site_is_left_out_once_and_equals_its_own_fit(lives, runs):
    left_out = [r for r in runs.table.run.unique() if r.startswith("without site")]
    assert len(left_out) == lives.covariates.site.nunique()
    # the fleet stays the same, so the gain differs from a ranking of the smaller log; the sign of both must agree
    without = _seal_runs(runs, "without site site 4")
    base = build_design(lives, ["seal", "vent"], "environment").block("seal").reference
    smaller = lives.take((lives.covariates.site != "site 4").to_numpy())
    for level, gain in without.items():
        assert gain == pytest.approx(_gain(smaller, level, reference=base), abs=0.05)


def test_the_flip_count_is_the_first_that_flips(lives):
    """Take the missing with the level, let the first k fail by hand: k - 1 keeps the sign, k changes it."""
    weak = {"seal": {"flat": 0.0, "cord": 0.0, "ring": 0.1}, "vent": {"none": 0.0, "membrane": 0.0}}
    found = 0
    for seed in range(8):
        lives = make_lives(seed, 160, weak, missing=0.3)
        got = sensitivity_at(build_design(lives, ["seal", "vent"], "environment"), 180.0)
        for (choice, level), count in got.flip_counts.items():
            if choice != "seal" or count.needed is None:
                continue
            gone = np.flatnonzero(
                (lives.covariates.outcome == "missing").to_numpy() & (lives.covariates.seal == count.side).to_numpy()
            )
            gone = gone[np.argsort(lives.lower[gone], kind="stable")]
            assert len(gone) == count.missing
            if len(np.unique(lives.lower[gone])) < len(gone):
                continue  # ties could be taken in another order
            gains = []
            for k in (0, count.needed - 1, count.needed):
                upper = lives.upper.copy()
                upper[gone[:k]] = lives.lower[gone[:k]] + 1
                gains.append(_gain(lives.replace(upper=upper), level))
            assert gains[0] * gains[1] > 0 >= gains[0] * gains[2]
            found += 1
    assert found >= 3


def test_of_many_missing_units_too_the_flip_count_is_the_first_that_flips(monkeypatch):
    """Counts tried near the turn alone, as where many are missing, against all counts tried; some never turn."""
    weak = {"seal": {"flat": 0.0, "cord": 0.15, "ring": 0.8}, "vent": {"none": 0.0, "membrane": 0.1}}
    design = build_design(make_lives(2, 600, weak, missing=0.3), ["seal", "vent"], "environment")
    near = sensitivity_at(design, 180.0).flip_counts
    monkeypatch.setattr(MISSING, "AT_ONCE", 1000)
    assert near == sensitivity_at(design, 180.0).flip_counts
    needed = [count.needed for count in near.values()]
    assert min(count.missing for count in near.values()) > 25 and None in needed and any(needed)


def test_flip_counts_read_as_sentences():
    assert FlipCount("ring", 7, 3).sentence("seal") == (
        "would change sign if 3 of the 7 missing units with seal = ring had failed"
    )
    assert "even if all 7 missing units" in FlipCount("ring", 7, None).sentence("seal")
    assert FlipCount("ring", 0, None).sentence("seal") == "no unit with seal = ring is missing"


def test_weighted_missing_rows_are_split_to_whole_units(lives):
    weighted = lives.replace(weight=np.full(len(lives), 3))
    missing, notes = missing_units(build_design(weighted, ["seal", "vent"]))
    assert notes == ()
    everyone = np.ones(len(missing.of), dtype=bool)
    for k in (0, 1, 4, missing.units):
        weights = missing.weights(failed=everyone, first=k)
        assert weights.min() >= 0 and weights.sum() == pytest.approx(weighted.units)
        assert weights[len(missing.base) : len(missing.base) + len(missing.of)].sum() == pytest.approx(k)


def test_dead_on_arrival_units_are_left_out_in_a_run():
    lives = make_lives(3, 150)
    dead = np.arange(150) < 6
    lives = lives.replace(lower=np.where(dead, 0, lives.lower), upper=np.where(dead, 1, lives.upper))
    got = sensitivity_at(build_design(lives, ["seal", "vent"], "environment"), 180.0)
    assert "without units dead on arrival" in set(got.table.run)


def test_runs_that_need_what_the_lives_lack_are_skipped_with_a_sentence(lives):
    frame = lives.covariates
    bare = lives.replace(covariates=frame.drop(columns=["outcome", "followed_to"]))
    got = sensitivity_at(build_design(bare, ["seal", "vent"]), 180.0)
    assert ALL_FAILED not in set(got.table.run) and "carry no outcome" in got.notes[0]
    half = lives.replace(covariates=frame.drop(columns=["followed_to"]))
    got = sensitivity_at(build_design(half, ["seal", "vent"]), 180.0)
    runs = set(got.table.run)
    assert ALL_FAILED in runs and ALL_WORKED not in runs and "could not be taken as working on" in got.notes[0]


def test_flips_mark_a_changed_sign(lives, runs):
    design = build_design(lives, ["seal", "vent"], "environment")
    main = {}
    fit = fit_design(problem_of(design), design.lives.weight.astype(float))
    for choice, put_in in standardise(design, fit, 180.0).items():
        base = put_in.levels.index(design.block(choice).reference)
        main |= {
            (choice, v): g for v, g in zip(put_in.levels, put_in.survival[0] - put_in.survival[0, base], strict=True)
        }
    for row in runs.table.itertuples():
        assert row.flips == (row.survival_gain * main[row.choice, row.level] < 0)


def test_day_of_season_is_a_clock_only_when_deployment_took_long(lives):
    frame = lives.covariates
    start = np.datetime64("2025-03-01")
    rng = np.random.default_rng(0)
    quick = frame.assign(deployed_on=pd.to_datetime(start + rng.integers(0, 20, len(lives))))
    slow_days = rng.integers(0, 90, len(lives))
    slow = frame.assign(deployed_on=pd.to_datetime(start + slow_days))
    assert season_clock(build_design(lives.replace(covariates=quick), ["seal", "vent"])) is None
    design = build_design(lives.replace(covariates=slow), ["seal", "vent"])
    moved = season_clock(design).design
    assert moved is not None
    put_out = moved.lives.entry
    assert put_out.min() == slow_days.min() - slow_days.min() and put_out.max() == np.ptp(slow_days)
    assert moved.lives.lower == pytest.approx(design.lives.lower + put_out)
    got = rank_choices(lives.replace(covariates=slow), ["seal", "vent"], mission=180, resamples=100)
    assert SEASON_CLOCK in set(got.sensitivity.table.run)
    assert got.table.gain_season_clock.notna().all()


def test_a_clear_result_that_hangs_on_missing_units_is_not_clear():
    """Ring looks far better only because its failed units are missing: with all missing failed the sign changes."""
    lives = season_of_gone_rings(0.55, (0.08, 0.4))
    got = rank_choices(lives, "seal", mission=180, resamples=200, reference={"seal": "flat"}).of("seal")
    row = got.set_index("level").loc["ring"]
    assert row.survival_gain > 0 > row.gain_missing_failed
    assert row.grade == "unclear" and "missing more often (56 %) than others (0 %)" in row.note
    assert 0 < row.missing_flip <= (lives.covariates["outcome"] == "missing").sum()


def test_hazard_ratios_use_the_same_levels_and_point_the_same_way(lives):
    design = build_design(lives, ["seal", "vent"], "environment")
    ratios = log_hazard_ratios(design)[0]
    assert set(ratios) == {(b.name, v) for b in design.choices for v in b.ranked}
    for block in design.choices:
        assert ratios[block.name, block.reference] == 0.0
    gains = _gain(lives, "ring") - _gain(lives, "flat")
    assert (ratios["seal", "ring"] - ratios["seal", "flat"]) * gains < 0


def test_a_ranking_is_not_refused_for_hazard_ratios_that_cannot_be_had(monkeypatch):
    """As with spans of tens of thousands of lives that all differ; here the bound is drawn down to a small season."""
    monkeypatch.setattr("workbench.estimate.cox.interval_likelihood.MOST_CELLS", 10)
    ranking = rank_choices(make_lives(3), ["seal", "vent"], adjust="environment", mission=180, resamples=20)
    table = ranking.table
    compared = table[table.level != table.reference]
    assert compared.hazard_ratio.isna().all() and compared.survival_gain.notna().all()
    assert any("different ends are too many" in str(note) for note in ranking.notes)
    (agreement,) = (a for a in ranking.agreements if a.view == "hazard ratios")
    assert np.isnan(agreement.share)


def test_agreement_is_one_number_and_names_what_disagrees():
    gains = {("seal", "ring"): 0.2, ("seal", "cord"): 0.1, ("vent", "membrane"): -0.1, ("vent", "x"): 0.3}
    other = {("seal", "ring"): 0.4, ("seal", "cord"): -0.1, ("vent", "membrane"): -2.0, ("vent", "x"): float("nan")}
    got = agreement_of("hazard ratios", gains, other)
    assert got.share == pytest.approx(2 / 3) and got.disagreeing == (("seal", "cord"),)
    assert got.sentence == (
        "The ranking points the same way as hazard ratios in 2 of 3 comparisons (67 %); not for seal = cord."
    )
    assert np.isnan(agreement_of("x", {}, {}).share)


def test_raw_figures_are_those_of_the_curves(lives):
    from workbench.estimate.curves.curves import survival_curve

    design = build_design(lives, ["seal", "vent"], "environment")
    raw = raw_comparisons(design, 180.0)
    curve = survival_curve(lives, "seal").at([180.0]).set_index("group").survival
    base = design.block("seal").reference
    for level in ("flat", "cord", "ring"):
        assert raw["seal", level].survival == pytest.approx(curve[level], abs=1e-6)
        assert raw["seal", level].gain == pytest.approx(curve[level] - curve[base], abs=1e-6)


def test_within_environments_undoes_what_the_environment_did():
    """Ring stood mostly where all fail more; inside each place it does better (a reversal worked by hand)."""
    counts = {  # place, seal: units, failed by the mission
        ("coast", "ring"): (40, 20),
        ("coast", "flat"): (10, 7),
        ("inland", "ring"): (10, 1),
        ("inland", "flat"): (40, 8),
    }
    rows = [(p, s, i < f) for (p, s), (n, f) in counts.items() for i in range(n)]
    frame = pd.DataFrame(rows, columns=["environment", "seal", "failed"])
    lives = Lives.from_arrays(
        np.where(frame.failed, 90.0, 200.0), frame.failed, covariates=frame[["environment", "seal"]]
    )
    raw = raw_comparisons(build_design(lives, "seal", reference={"seal": "flat"}), 180.0)["seal", "ring"]
    assert raw.gain == pytest.approx((20 + 9) / 50 - (3 + 32) / 50)
    # weights 40*10/50 = 8 in both places: (0.2 + 0.1) / 2
    assert raw.within.difference == pytest.approx(0.15)


def test_a_run_that_flips_is_named_in_the_table(runs):
    assert set(runs.table.columns) == {"run", "choice", "level", "survival_gain", "flips"}
    assert {"lognormal lives", "loglogistic lives"} <= set(runs.table.run)
    assert replace(runs, notes=("x",)).notes == ("x",)


@pytest.mark.parametrize("unit", ["hours", "weeks", "years"])
def test_another_unit_of_time_changes_no_run(unit):
    """Constants in days (the day after, dead on arrival, the clock of the season) follow the unit of the lives."""
    lives = make_lives(21, 160, missing=0.25)
    early = np.flatnonzero(lives.failed)[:3]
    lower, upper = lives.lower.copy(), lives.upper.copy()
    lower[early], upper[early] = 0, 1
    put_out = pd.Timestamp("2025-03-01") + pd.to_timedelta(np.arange(160) % 80, unit="D")
    lives = lives.replace(lower=lower, upper=upper, covariates=lives.covariates.assign(deployed_on=put_out))
    length = lives.replace(unit=unit).day
    covariates = lives.covariates.assign(followed_to=lives.covariates["followed_to"] * length)
    other = lives.replace(
        lower=lives.lower * length,
        upper=lives.upper * length,
        entry=lives.entry * length,
        covariates=covariates,
        unit=unit,
    )
    runs = [sensitivity_at(build_design(x, ["seal"]), m).table for x, m in ((lives, 180), (other, 180 * length))]
    assert {ALL_FAILED, ALL_WORKED, SEASON_CLOCK, NO_DEAD_ON_ARRIVAL} <= set(runs[0]["run"])
    assert runs[0]["run"].tolist() == runs[1]["run"].tolist()
    np.testing.assert_allclose(runs[0]["survival_gain"], runs[1]["survival_gain"], atol=2e-5)


def test_lives_counted_in_no_unit_of_time_have_no_clock_of_the_season():
    lives = make_lives(21, 160, missing=0.25)
    put_out = pd.Timestamp("2025-03-01") + pd.to_timedelta(np.arange(160) % 80, unit="D")
    lives = lives.replace(covariates=lives.covariates.assign(deployed_on=put_out), unit="cycles")
    assert season_clock(build_design(lives, ["seal"])) is None
    assert ALL_FAILED in set(sensitivity_at(build_design(lives, ["seal"]), 180).table["run"])
