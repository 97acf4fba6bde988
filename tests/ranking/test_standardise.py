"""Standardisation against a published worked example, numerical integration and the fit of a second route."""

import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.integrate import quad
from scipy.optimize import minimize

from workbench import read_log, simulate_season
from workbench.estimate.aft.time_ratios import fit_time_ratios
from workbench.estimate.curves import differences_within
from workbench.estimate.likelihood import AftBatch, family_of
from workbench.lives import Lives
from workbench.ranking.model.design import build_design
from workbench.ranking.model.fitting import SHAPE_SD, fit_design, fitted_design, problem_of, resample_design
from workbench.ranking.model.standardise import restricted_life, standardise

from .seasons import make_lives


def _transplants() -> pd.DataFrame:
    """Hernán & Robins, Causal Inference: What If, table 2.2: 20 people, treated or not, in critical state or not.

    Deaths: L=0: 1 of 4 untreated, 1 of 4 treated; L=1: 2 of 3 untreated, 6 of 9 treated (from memory of the table).
    """
    counts = [
        (0, 0, 1, 1),
        (0, 0, 0, 3),
        (0, 1, 1, 1),
        (0, 1, 0, 3),
        (1, 0, 1, 2),
        (1, 0, 0, 1),
        (1, 1, 1, 6),
        (1, 1, 0, 3),
    ]
    rows = [(state, treated, died) for state, treated, died, times in counts for _ in range(times)]
    return pd.DataFrame(rows, columns=["critical", "treated", "died"])


def test_standardised_risk_of_the_heart_transplants():
    """What If, section 2.3: both standardised risks are 0.5, though 7 of 13 treated and 3 of 7 untreated died."""
    people = _transplants()
    lives = Lives.from_arrays(
        lower=np.where(people.died, 0.0, 10.0),
        upper=np.where(people.died, 10.0, np.inf),
        covariates=pd.DataFrame({"treated": people.treated.astype(bool), "critical": people.critical.map(str)}),
    )
    design = build_design(lives, "treated", "critical")
    critical = design.block("critical")
    # shape 1 and locations that give the table's risks at day 10 exactly: 1/4 where L=0, 2/3 where L=1, whatever A
    risk = np.array([2 / 3 if level == "1" else 1 / 4 for level in critical.levels])
    effects = np.zeros((1, design.columns.shape[1]))
    effects[0, critical.start : critical.stop] = np.log(10.0) - np.log(-np.log(1 - risk))
    fits = AftBatch(effects, np.zeros(1), np.ones(1), np.zeros(1), np.array([True]))
    both = standardise(design, fits, 10.0)["treated"]
    assert both.survival[0] == pytest.approx([0.5, 0.5])
    crude = people.groupby("treated").died.mean()
    assert crude.tolist() == pytest.approx([3 / 7, 7 / 13])


def test_comparison_within_states_of_the_heart_transplants_shows_no_difference():
    """What If, table 2.2: inside each state treated and untreated die alike."""
    people = _transplants()
    died = people.died.to_numpy(dtype=bool)
    found = differences_within(
        Lives.from_arrays(np.where(died, 5.0, 10.0), died),
        people.treated.to_numpy(),
        people.critical.to_numpy(),
        time=10.0,
        reference=0,
    )[1]
    assert found.difference == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("location", "scale"), [(5.0, 0.4), (5.0, 1.0), (5.0, 1.7), (3.0, 0.5), (9.0, 0.3), (0.0, 0.2)]
)
def test_restricted_life_is_the_area_under_the_curve(location, scale):
    area = quad(
        lambda t: np.exp(-((t / np.exp(location)) ** (1 / scale))), 0, 180, epsabs=1e-10, limit=500, points=[1, 5]
    )
    assert restricted_life(np.array([location]), scale, 180.0)[0] == pytest.approx(area[0], rel=1e-7)


def test_replicates_and_single_fits_agree_on_share_and_days():
    design = build_design(make_lives(1), ["seal", "vent"], "environment")
    fits = resample_design(fitted_design(design), 20, seed=1)
    together = standardise(design, fits, 180.0)
    for b in range(20):
        parts = (
            getattr(fits, n)[b : b + 1] for n in ("coefficients", "intercept", "scale", "log_likelihood", "converged")
        )
        alone = standardise(design, AftBatch(*parts), 180.0)
        for name in ("seal", "vent"):
            assert together[name].survival[b] == pytest.approx(alone[name].survival[0], abs=2e-6)
            assert together[name].days[b] == pytest.approx(alone[name].days[0], abs=0.02)


@pytest.mark.slow
def test_small_seasons_with_many_choices_are_refitted_whatever_the_eigenvalues_do():
    """20 units, 11 choices: on this season's 1,000 replicates the fast method for eigenvalues once gave up."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log.csv"
        simulate_season(20, seed=3)[0].to_csv(log, index=False)
        lives = read_log(log).lives()
    protection = [
        *("enclosure_rating", "lid_seal", "seal_material", "seal_bonded", "fasteners", "closure", "vent"),
        *("board_protection", "desiccant", "cable_entry", "shade"),
    ]
    design = build_design(lives, protection, "environment")
    assert resample_design(fitted_design(design), 1000, seed=0).converged.all()


@pytest.mark.parametrize("distribution", ["weibull", "lognormal", "loglogistic"])
def test_mission_survival_by_hand_in_a_fleet_of_two_kinds(distribution):
    """20 units, one exposure: the average of scipy's survival over the fleet with the level put in; days its area."""
    frame = pd.DataFrame({"seal": ["a", "b"] * 10, "place": ["x"] * 15 + ["y"] * 5})
    life = np.arange(1, 21.0) * np.where(frame["seal"] == "b", 1.5, 1.0)
    design = build_design(Lives.from_arrays(life, np.ones(20, dtype=bool), covariates=frame), "seal", "place")
    fit = fit_design(replace(problem_of(design), family=family_of(distribution)), design.lives.weight.astype(float))
    seal, place = design.block("seal"), design.block("place")
    effect, scale = fit.coefficients[0], fit.scale[0]
    got = standardise(design, fit, 12.0, distribution=distribution)["seal"]
    assert got.survival[0, got.levels.index("b")] > got.survival[0, got.levels.index("a")]
    for column, level in enumerate(got.levels):

        def share(time, level=level):
            total = 0.0
            for where, units in (("x", 15), ("y", 5)):
                log_life = fit.intercept[0] + effect[seal.start + seal.levels.index(level)]
                log_life += effect[place.start + place.levels.index(where)]
                frozen = {
                    "weibull": stats.weibull_min(1 / scale, scale=np.exp(log_life)),
                    "lognormal": stats.lognorm(scale, scale=np.exp(log_life)),
                    "loglogistic": stats.fisk(1 / scale, scale=np.exp(log_life)),
                }[distribution]
                total += units / 20 * frozen.sf(time)
            return total

        assert got.survival[0, column] == pytest.approx(share(12.0), rel=1e-9)
        assert got.days[0, column] == pytest.approx(quad(share, 0.0, 12.0)[0], abs=12e-3)  # a rule of few nodes


def test_the_fit_is_that_of_shrunken_time_ratios():
    """One choice, no site: the same model as fit_time_ratios with prior precision 4 (sd 0.5)."""
    lives = make_lives(2, n=200)
    design = build_design(lives, ["seal", "vent"], site=None)
    free = replace(problem_of(design), shape_precision=0.0)
    fit = fit_design(free, design.lives.weight.astype(float))
    seal = design.block("seal")
    effect = dict(zip(seal.levels, fit.coefficients[0, seal.start : seal.stop], strict=True))
    table = fit_time_ratios(lives, ["seal", "vent"], shrink=4.0).table
    rows = table[table.term == "seal"].set_index("level").log_time_ratio
    first = next(v for v in sorted(effect) if v not in rows.index)
    for level, value in rows.items():
        assert effect[level] - effect[first] == pytest.approx(value, abs=1e-6)
    assert fit.scale[0] == pytest.approx(fit_time_ratios(lives, ["seal", "vent"], shrink=4.0).scale, rel=1e-6)


@pytest.mark.parametrize("late", [1, 21])
def test_the_log_shape_has_a_normal_prior_around_one(late):
    """The same maximum by scipy's simplex over a density written out here; units are looked at once, at the end."""
    rng = np.random.default_rng(6)
    seal, end = np.repeat([0, 1], 40), 180.0 + rng.integers(0, late, 80)
    failed = rng.weibull(1.5, 80) * np.where(seal == 1, 420, 260) <= end
    lives = Lives.from_arrays(
        lower=np.where(failed, 0, end), upper=np.where(failed, end, np.inf), covariates={"seal": seal.astype(str)}
    )
    design = build_design(lives, ["seal"], site=None)
    fit = fit_design(problem_of(design), design.lives.weight.astype(float))

    def minus(params):
        (intercept, *effects), shape = params[:-1], np.exp(params[-1])
        hazard = np.exp(shape * (np.log(end) - intercept - np.array(effects)[seal]))
        likelihood = np.where(failed, np.log(-np.expm1(-hazard)), -hazard).sum()
        return 0.5 * (4 * np.square(effects).sum() + (params[-1] / SHAPE_SD) ** 2) - likelihood

    best = minimize(minus, [6.0, 0.0, 0.1, 0.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    best = minimize(minus, best.x, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    block = design.block("seal")
    effects = dict(zip(block.levels, fit.coefficients[0, block.start : block.stop], strict=True))
    assert [fit.intercept[0], effects["0"], effects["1"], -np.log(fit.scale[0])] == pytest.approx(
        best.x.tolist(), abs=1e-4
    )
