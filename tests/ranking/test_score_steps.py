"""Replicates of many lives: steps over score sums say what refits say, and are taken only where they do."""

import sys

import numpy as np
import pytest

from tests.studies.attacked_seasons import CHOICES, SOME, attacked_season
from workbench.estimate.likelihood import PriorCentre, batch_from, expand, fit_batch
from workbench.lives import Lives
from workbench.ranking.model import build_design, fit_design, fitted_design, problem_of, resample_design, standardise
from workbench.ranking.model.fitting import SHAPE_SD, replicate_weights

from .seasons import make_lives

pytestmark = pytest.mark.slow

FITTING = sys.modules["workbench.ranking.model.fitting"]
STANDARDISE = sys.modules["workbench.ranking.model.standardise"]


def _late(lives):
    entry = np.where(np.arange(len(lives)) % 3 == 0, 0.4 * lives.lower, 0.0)
    return lives.replace(entry=entry)


def _gains(design, fits):
    put_in = standardise(design, fits, 180.0)
    return {
        b.name: put_in[b.name].survival - put_in[b.name].survival[:, [b.ranked.index(b.reference)]]
        for b in design.choices
    }


def test_limits_by_steps_are_within_two_hundredths_of_their_width_of_those_by_refits():
    """The same weights and prior centres in both, so that only the step differs."""
    lives, _ = attacked_season(SOME, 3, units=5000)
    design = build_design(lives, ["lid_seal", "vent", "board_protection"], ["environment"])
    problem, weight = problem_of(design), design.lives.weight.astype(float)
    rng = np.random.default_rng(1)
    effects = rng.standard_normal((400, problem.columns)) / np.sqrt(problem.precision)
    centre = PriorCentre(effects, SHAPE_SD * rng.standard_normal(400))
    weights = replicate_weights(weight, None, 400, rng=rng)
    best = fit_design(problem, weight)
    refitted = fit_batch(problem, weights, centre, start=best)
    around = expand(problem, best, weights=weight, free_scale=True)
    sums = around.score_sums(problem.layout.points_of(problem.cells.fold(weights)))
    stepped = batch_from(problem, around.stepped(sums, centre), np.ones(400, dtype=bool))
    ours, theirs = _gains(design, stepped), _gains(design, refitted)
    for block in design.choices:
        for level, name in enumerate(block.ranked):
            if name == block.reference:
                continue
            limits = [np.quantile(g[block.name][:, level], [0.025, 0.975]) for g in (ours, theirs)]
            assert limits[0] == pytest.approx(limits[1], abs=0.02 * float(np.diff(limits[1])[0])), (block.name, name)


@pytest.mark.parametrize("late", [False, True], ids=["from start", "late entry"])
@pytest.mark.parametrize("clustered", [False, True], ids=["units", "clusters"])
def test_the_spread_of_score_sums_is_that_of_slopes_of_units(clustered, late):
    """Sum over units of slope times slope, each slope asked of the likelihood by a weight of its own."""
    lives = make_lives(2, 80)
    lives = _late(lives) if late else lives
    names = np.array([f"u{i // 2}" for i in range(80)], dtype=object)
    lives = lives.replace(cluster=names) if clustered else lives
    design = build_design(lives, "seal", ["environment"])
    problem, n = problem_of(design), len(design.lives)
    weight = design.lives.weight.astype(float)
    around = expand(problem, fit_design(problem, weight), weights=weight, free_scale=True)
    slopes = around.score_sums(problem.layout.points_of(problem.cells.fold(np.eye(n))))
    cluster = design.clusters
    if clustered:
        sums = np.stack([(weight[:, None] * slopes)[cluster == c].sum(axis=0) for c in range(cluster.max() + 1)])
        expected = sums.T @ sums
    else:
        expected = slopes.T @ (weight[:, None] * slopes)
    assert around.score_spread(weight, cluster) == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_steps_are_taken_with_many_lives_and_failures_with_every_level(monkeypatch):
    lives = make_lives(3, 400)
    design = build_design(lives, ["seal", "vent"], ["environment"])
    assert np.isfinite(resample_design(fitted_design(design), 20, 0).log_likelihood).all()
    monkeypatch.setattr(FITTING, "MOST_REFITTED", 100)
    monkeypatch.setattr(FITTING, "LEAST_FAILURES", 10)
    assert np.isnan(resample_design(fitted_design(design), 20, 0).log_likelihood).all()
    monkeypatch.setattr(FITTING, "LEAST_FAILURES", 10_000)
    assert np.isfinite(resample_design(fitted_design(design), 20, 0).log_likelihood).all()
    monkeypatch.setattr(FITTING, "LEAST_FAILURES", 10)
    few = np.array([f"u{i % 5}" for i in range(400)], dtype=object)
    clustered = build_design(lives.replace(cluster=few), ["seal", "vent"], ["environment"])
    assert np.isfinite(resample_design(fitted_design(clustered), 20, 0).log_likelihood).all()


def test_steps_spread_as_refits_do(monkeypatch):
    """Normal sums in place of weights: spreads within 5 % of refits' by 4,000 replicates each (± 1.6 %)."""
    lives, _ = attacked_season(SOME, 4, units=3000)
    design = build_design(lives, ["lid_seal", "vent"], ["environment"])
    refitted = _gains(design, resample_design(fitted_design(design), 4000, 0))
    monkeypatch.setattr(FITTING, "MOST_REFITTED", 100)
    stepped = _gains(design, resample_design(fitted_design(design), 4000, 1))
    for block in design.choices:
        others = [i for i, name in enumerate(block.ranked) if name != block.reference]
        spread = stepped[block.name].std(axis=0)[others] / refitted[block.name].std(axis=0)[others]
        assert spread == pytest.approx(1.0, abs=0.05)


def test_a_part_of_a_fleet_of_many_kinds_gives_the_limits_of_the_whole(monkeypatch):
    lives, _ = attacked_season(SOME, 5, units=1500)
    design = build_design(lives, list(CHOICES), ["environment"])
    fits = resample_design(fitted_design(design), 200, 0)
    whole = _gains(design, fits)
    monkeypatch.setattr(STANDARDISE, "MOST_PATTERNS", 256)
    part = _gains(design, fits)
    for name, gains in whole.items():
        limits, ours = (np.quantile(g, [0.025, 0.975], axis=0) for g in (gains, part[name]))
        assert np.abs(ours - limits).max() < 0.03 * (limits[1] - limits[0]).max()
        assert not np.array_equal(part[name], gains)


def test_replicates_of_lives_do_not_depend_on_the_unit_of_time(monkeypatch):
    monkeypatch.setattr(FITTING, "MOST_REFITTED", 100)
    monkeypatch.setattr(FITTING, "LEAST_FAILURES", 10)
    lives = make_lives(6, 300)
    hours = Lives.from_arrays(
        lower=24 * lives.lower, upper=24 * lives.upper, entry=24 * lives.entry, covariates=lives.covariates,
        unit="hours",
    )  # fmt: skip
    fits = [resample_design(fitted_design(build_design(x, "seal", ["environment"])), 50, 0) for x in (lives, hours)]
    assert fits[0].coefficients == pytest.approx(fits[1].coefficients, abs=1e-6)
    assert fits[0].intercept + np.log(24.0) == pytest.approx(fits[1].intercept, abs=1e-6)
