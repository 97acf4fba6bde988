"""Where it helps: effects that differ by place are found, put into the fleet as it stands, and told with limits."""

from dataclasses import replace

import numpy as np
import pytest

from tests.studies.attacked_seasons import ATTACKS, CHOICES, ENVIRONMENTS, NONE, attacked_season
from workbench.estimate.likelihood import fit_batch
from workbench.estimate.turnbull import pseudo_shares
from workbench.ranking.checks.differing import differing_effects
from workbench.ranking.choices.rank import rank_choices
from workbench.ranking.choices.where import where_it_helps
from workbench.ranking.model import build_design, fit_design, interact, problem_of, standardise, standardise_places

from .seasons import make_lives

pytestmark = pytest.mark.slow

AT_THE_MARSH = {"marsh": 1.2, "bog": 0.0, "lane": 0.0}
LOCAL = ATTACKS["helps here, harms there"]


def asked(lives, **options):
    settings = {"adjust": "environment", "mission": 180, "only": "vent", "reference": {"vent": "none"}} | options
    return where_it_helps(lives, list(CHOICES), **settings)


def test_places_by_their_units_are_the_fleet_where_effects_are_one():
    """Standardisation is a mean over strata: Hernán & Robins, Causal Inference: What If, section 2.3."""
    design = build_design(make_lives(1, 120), ["seal", "vent"], ["environment"])
    block = design.block("seal")
    place = np.asarray(design.block("environment").codes)
    wider = interact(design, block, places=design.block("environment").levels, place=place)
    fit = fit_design(problem_of(design), design.lives.weight.astype(float))
    alone = standardise(design, fit, 180.0)["seal"]
    more = wider.design.columns.shape[1] - design.columns.shape[1]
    widened = type(fit)(
        np.column_stack([fit.coefficients, np.zeros((1, more))]), fit.intercept, fit.scale, fit.log_likelihood,
        fit.converged,
    )  # fmt: skip
    in_places = standardise_places(wider, widened, 180.0, days=True)
    share = np.bincount(place, design.lives.weight) / design.lives.weight.sum()
    assert in_places.survival[0] @ share == pytest.approx(alone.survival[0])
    assert in_places.days[0] @ share == pytest.approx(alone.days[0])


def test_with_much_data_each_place_gets_the_gain_that_is_true_there():
    lives, _ = attacked_season(LOCAL, 3, units=6000)
    design = build_design(lives, list(CHOICES), ["environment"], reference={"vent": "none"})
    environment = design.block("environment")
    wider = interact(design, design.block("vent"), places=environment.levels, place=np.asarray(environment.codes))
    survival = standardise_places(
        wider, fit_batch(problem_of(wider.design), lives.weight[design.rows_from] * 1.0), 180.0
    ).survival[0]
    base = design.block("vent").ranked.index("none")
    gains = dict(zip(environment.levels, survival[1 - base] - survival[base], strict=True))
    assert gains["marsh"] > 0.12 and gains["lane"] < -0.05 and abs(gains["bog"]) < 0.08
    assert list(ENVIRONMENTS) == sorted(gains, key=lambda e: -gains[e])


def test_effects_that_differ_are_found_and_equal_ones_are_not():
    p = {
        name: [
            differing_effects(design, pseudo_shares(design.lives, 180.0))["vent"]
            for design in (build_design(x[0], list(CHOICES), ["environment"]) for x in seasons)
        ]
        for name, seasons in (
            (name, [attacked_season(attack, 3100 + s) for s in range(12)])
            for name, attack in (("none", NONE), ("local", LOCAL))
        )
    }
    assert sum(v < 0.05 for v in p["none"]) <= 2
    assert sum(v < 0.05 for v in p["local"]) >= 2
    assert np.median(p["local"]) < np.median(p["none"])


def test_the_table_counts_each_place_and_says_where_in_words():
    lives, _ = attacked_season(LOCAL, 3, units=700)
    found = asked(lives)
    table = found.table.set_index("environment")
    assert table.units.sum() + table.reference_units.sum() == 700
    assert table.failures.sum() + table.reference_failures.sum() == lives.failures
    assert (table.lower < table.survival_gain).all() and (table.survival_gain < table.upper).all()
    assert table.verdict["marsh"] == "helps" and table.verdict["lane"] == "harms"
    said = found.sentence("vent", "membrane", {"marsh": "the marsh"})
    assert said.startswith("helps in the marsh, harms in lane") and "bog" in said
    assert found.sentence("vent", "none") == ""
    assert asked(lives).table.equals(found.table)


def test_limits_widen_with_every_choice_told_beside():
    lives, _ = attacked_season(NONE, 5)
    alone = asked(lives).table
    beside = asked(lives, only=["vent", "lid_seal"]).table
    beside = beside[beside.choice == "vent"]
    assert alone.survival_gain.tolist() == beside.survival_gain.tolist()
    assert ((beside.upper - beside.lower).to_numpy() > (alone.upper - alone.lower).to_numpy()).all()


def test_few_units_in_a_place_and_no_place_at_all_are_said():
    lives, _ = attacked_season(NONE, 5)
    frame = lives.covariates.copy(deep=True)
    rare = (frame.environment == "bog") & (frame.vent == "membrane")
    frame.loc[rare[rare].index[3:], "vent"] = "none"
    row = asked(lives.replace(covariates=frame)).table.set_index("environment").loc["bog"]
    assert row.units == 3 and np.isnan(row.survival_gain) and row.verdict == "cannot tell"
    bare = where_it_helps(lives.replace(covariates=frame[["vent", "site"]]), "vent", mission=180)
    assert len(bare.table) == 0 and "No kind of place is recorded" in bare.notes[0]


def test_where_effects_differ_the_ranking_takes_what_a_level_does_in_each_place():
    lives, truth = attacked_season(replace(NONE, local=AT_THE_MARSH, follows=0.6), 12, units=3000)
    options = {"adjust": "environment", "mission": 180, "resamples": 60, "reference": {"vent": "none"}}
    got = rank_choices(lives, list(CHOICES), **options)
    row = got.of("vent").set_index("level").loc["membrane"]
    assert row.place_p < 0.05
    assert any("vent works differently by environment, beyond chance" in note for note in got.notes)
    true = truth["vent"]["membrane"] - truth["vent"]["none"]
    assert row.lower <= true <= row.upper
    assert row.survival_gain == pytest.approx(true, abs=0.03)
    design = build_design(lives, list(CHOICES), ["environment"], reference={"vent": "none"})
    one = standardise(design, fit_design(problem_of(design), lives.weight[design.rows_from] * 1.0), 180.0)["vent"]
    base = one.levels.index("none")
    single = one.survival[0, 1 - base] - one.survival[0, base]
    assert abs(single - true) > abs(row.survival_gain - true)
    others = got.table[got.table.choice != "vent"]
    assert (others.place_p >= 0.05).all()
