"""Second estimate: pseudo-values by hand, published standardised risks, errors of a second program, repeated rows."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from workbench.estimate.likelihood import family_of
from workbench.estimate.turnbull import pseudo_shares
from workbench.lives import Lives
from workbench.ranking.choices.core import Looks, core_of
from workbench.ranking.choices.rank import rank_choices
from workbench.ranking.model import build_design, fit_design, fitted_design, problem_of, standardise

from .seasons import make_lives, second_of


def test_pseudo_values_by_hand():
    """Failures at 1, 3 and 4, a suspension at 2: the product-limit share is 3/8 after day 3; derivatives by hand."""
    lives = Lives.from_arrays([1, 2, 3, 4], [1, 0, 1, 1])
    values = pseudo_shares(lives, 3.5)
    assert values == pytest.approx([0.0, 0.5, -0.25, 1.25], abs=1e-7)
    assert values.mean() == pytest.approx(3 / 8)


def test_without_suspensions_a_pseudo_value_is_whether_the_unit_lasted():
    """Andersen & Pohar Perme (2010), section 2: the pseudo-value of a complete life is its indicator."""
    lives = Lives.from_arrays([1, 5, 9, 12, 12], [1, 1, 1, 1, 1])
    assert pseudo_shares(lives, 9) == pytest.approx([0, 0, 0, 1, 1], abs=1e-7)


def test_of_many_complete_lives_too_a_pseudo_value_is_whether_the_unit_lasted():
    """As above; the curvature of 20,000 levels spans ten powers of ten."""
    time = 300 * np.random.default_rng(1).random(20_000)
    assert pseudo_shares(Lives.from_arrays(time, np.ones(20_000)), 180) == pytest.approx((time > 180) * 1.0, abs=1e-6)


def test_pseudo_values_of_many_lives_with_spans_are_close_to_leaving_one_out():
    """Exact failures, spans of which each goes over hundreds of those, and suspensions."""
    rng = np.random.default_rng(2)
    life, end = 300 * rng.random(2000) ** 0.7, rng.uniform(150, 260, 2000)
    width = np.where(rng.random(2000) < 1 / 3, rng.uniform(20, 40, 2000), 0.0)
    lower = np.where(life <= end, np.maximum(life - 0.4 * width, 0.0), end)
    lives = Lives.from_arrays(lower=lower, upper=np.where(life <= end, lower + width, np.inf))
    values = pseudo_shares(lives, 180)
    for i in (0, 31, 77, 1234):
        rest = pseudo_shares(lives.take(np.delete(np.arange(2000), i)), 180).mean()
        assert values[i] == pytest.approx(2000 * values.mean() - 1999 * rest, abs=0.02)


@pytest.mark.parametrize("seed", [1, 2])
def test_pseudo_values_of_spans_are_close_to_leaving_each_life_out(seed):
    lives = make_lives(seed, 120)
    share = pseudo_shares(lives, 180).mean()
    for i in (0, 31, 77):
        rest = pseudo_shares(lives.take(np.delete(np.arange(120), i)), 180).mean()
        assert pseudo_shares(lives, 180)[i] == pytest.approx(120 * share - 119 * rest, abs=0.05)


def test_the_gain_is_the_published_standardised_risk_difference():
    """Hernán & Robins, Causal Inference: What If, table 2.2: 20 people, risks 7/13 and 3/7 as they are, 1/2 both when
    standardised to all; each person stands for two units here, so that every cell is large enough."""
    cells = [("mild", "no", 4, 1), ("mild", "yes", 4, 1), ("grave", "no", 3, 2), ("grave", "yes", 9, 6)]
    rows = [(e, v, 50.0 if died else 200.0, 2 * k) for e, v, n, d in cells for died, k in ((1, d), (0, n - d))]
    frame = pd.DataFrame({"environment": [r[0] for r in rows], "vent": [r[1] for r in rows]})
    lives = Lives.from_arrays(
        [r[2] for r in rows], [int(r[2] < 100) for r in rows], weight=[r[3] for r in rows], covariates=frame
    )
    design = build_design(lives, ["vent"], ["environment"], reference={"vent": "no"})
    assert second_of(design, 100)["vent", "yes"].gain == pytest.approx(0.0, abs=1e-12)
    alone = build_design(lives.replace(covariates=frame[["vent"]]), ["vent"], reference={"vent": "no"})
    assert second_of(alone, 100)["vent", "yes"].gain == pytest.approx(3 / 7 - 7 / 13)


def test_standard_errors_agree_with_a_second_program():
    """statsmodels, least squares with cov_type HC3, of lives known to the end."""
    rng = np.random.default_rng(4)
    frame = pd.DataFrame({"seal": rng.choice(["cord", "flat", "ring"], 90), "vent": rng.choice(["no", "yes"], 90)})
    life = np.exp(5 + 0.4 * (frame.seal == "ring") + 0.5 * rng.standard_normal(90))
    lives = Lives.from_arrays(life, np.ones(90), covariates=frame)
    found = second_of(build_design(lives, ["seal", "vent"], reference={"seal": "flat"}), 180)["seal", "ring"]
    columns = pd.get_dummies(frame)[["seal_cord", "seal_ring", "vent_yes"]].astype(float)
    fit = sm.OLS((life > 180).astype(float), sm.add_constant(columns)).fit(cov_type="HC3", use_t=True)
    assert (found.gain, found.std_error) == pytest.approx((fit.params["seal_ring"], fit.bse["seal_ring"]), rel=1e-6)
    assert (found.lower, found.upper) == pytest.approx(tuple(fit.conf_int().loc["seal_ring"]), rel=1e-6)


def test_rows_of_two_units_are_two_rows_and_a_cluster_is_told_once():
    lives = make_lives(3, 120)
    weighted = lives.replace(weight=np.full(120, 2))
    twice = lives.take(np.repeat(np.arange(120), 2))
    one, two = (second_of(build_design(x, ["seal"], ["environment"]), 180) for x in (weighted, twice))
    for pair, found in one.items():
        assert (found.gain, found.std_error) == pytest.approx((two[pair].gain, two[pair].std_error), rel=1e-6)
    clustered = twice.replace(cluster=np.repeat(np.arange(120), 2).astype(str))
    together = second_of(build_design(clustered, ["seal"], ["environment"]), 180)
    for pair, found in together.items():
        assert found.std_error > 1.3 * two[pair].std_error


def test_a_level_that_goes_with_a_site_alone_has_no_second_estimate():
    lives = make_lives(5, 120)
    frame = lives.covariates.copy()
    frame["seal"] = np.where(frame.site == "site 0", "ring", "flat")
    found = second_of(build_design(lives.replace(covariates=frame), ["seal"], ["environment"]), 180)
    assert np.isnan(found["seal", "ring"].gain)


def test_there_is_none_where_no_life_is_known_to_have_ended_by_the_mission():
    """All that failed did so between day 10 and day 300: what lasted to day 9 differs by no level."""
    seal = np.repeat(["flat", "o_ring"], 40)
    upper = np.where(np.arange(80) % np.where(seal == "flat", 2, 5) == 0, 300.0, np.inf)
    lower = np.where(np.isfinite(upper), 10.0, 300.0)
    lives = Lives.from_arrays(lower=lower, upper=upper, covariates=pd.DataFrame({"seal": seal}))
    found = second_of(build_design(lives, ["seal"], reference={"seal": "flat"}), 9)["seal", "o_ring"]
    assert np.isnan([found.gain, found.std_error, found.lower, found.upper]).all()


def test_limits_reach_as_far_as_other_ways_of_asking_move_the_gain():
    """Half-way to the second estimate, or to the gain of other lives as far as they are as likely, by their refits."""
    lives = make_lives(3, 120)
    options = {"resamples": 60, "seed": 0, "confidence": 0.95}
    design = build_design(lives, ["seal", "vent"], ["environment"])
    shares = pseudo_shares(design.lives, 180.0)
    plain, second = core_of(fitted_design(design), 180.0, shares, **options, looks=Looks()), second_of(design, 180.0)
    fits = {
        d: fit_design(replace(problem_of(design), family=family_of(d)), design.lives.weight * 1.0)
        for d in ("weibull", "lognormal", "loglogistic")
    }
    best = fits["weibull"].log_likelihood[0]
    others = {d: standardise(design, fit, 180.0, distribution=d) for d, fit in fits.items() if d != "weibull"}
    got = rank_choices(lives, ["seal", "vent"], adjust="environment", mission=180, resamples=60)
    furthest = set()
    for name, figure in plain.items():
        table = got.of(name).set_index("level")
        base = figure.block.ranked.index(figure.block.reference)
        for i, level in enumerate(figure.block.ranked):
            if level == figure.block.reference:
                assert np.isnan(table.lower[level])
                continue
            moves = {"": 0.0, "second": 0.5 * (second[name, level].gain - figure.gain[i])}
            for d, other in others.items():
                gain = other[name].survival[0, i] - other[name].survival[0, base]
                likely = np.exp(min(fits[d].log_likelihood[0] - best, 0.0))
                moves[d] = likely * (gain - figure.gain[i])
            furthest |= {min(moves, key=moves.get), max(moves, key=moves.get)}
            assert table.lower[level] == pytest.approx(figure.lower[i] + min(moves.values()))
            assert table.upper[level] == pytest.approx(figure.upper[i] + max(moves.values()))
            assert table.survival_gain[level] == pytest.approx(figure.gain[i])
    assert "second" in furthest and furthest & set(others)


@pytest.mark.parametrize(("lognormal", "named"), [(True, True), (False, False)])
def test_lives_that_another_distribution_describes_clearly_better_are_named(lognormal, named):
    rng = np.random.default_rng(2)
    seal = rng.choice(["flat", "ring"], 500)
    luck = 0.8 * rng.standard_normal(500) if lognormal else np.log(rng.weibull(1.5, 500))
    life = np.exp(5.0 + 0.3 * (seal == "ring") + luck)
    lives = Lives.from_arrays(np.minimum(life, 300.0), life <= 300, covariates={"seal": seal})
    ranking = rank_choices(lives, "seal", mission=180, resamples=20)
    assert any("Lognormal lives describe these failures better" in str(note) for note in ranking.notes) == named
    assert (max(other.likelihood for other in ranking.sensitivity.other_lives) == 1.0) == named
