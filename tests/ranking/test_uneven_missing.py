"""Missing that depends: named where it is beyond chance, silent where it is not, and no clear rests on it."""

import numpy as np
import pytest

from tests.studies.attacked_seasons import ATTACKS, CHOICES, attacked_season
from workbench.ranking.checks.missing_units import missing_units
from workbench.ranking.checks.uneven_missing import uneven_missing
from workbench.ranking.choices.rank import rank_choices
from workbench.ranking.model import build_design

from .seasons import make_lives

pytestmark = pytest.mark.slow


def with_missing(share: dict, seed: int = 1):
    lives = make_lives(seed, 160, missing=0.0)
    frame = lives.covariates.copy()
    chance = np.array([share[v] for v in frame.vent])
    gone = ~lives.failed & (np.random.default_rng(seed).random(160) < chance)
    frame["outcome"] = np.where(gone, "missing", frame.outcome)
    return build_design(lives.replace(covariates=frame), ["seal", "vent"], ["environment"]), frame, gone


def test_the_level_whose_units_are_missing_more_often_is_named_with_its_shares():
    design, frame, gone = with_missing({"none": 0.02, "membrane": 0.5})
    found = next(x for x in uneven_missing(design, missing_units(design)[0], 0) if x.choice == "vent")
    ours = (frame.vent == "membrane").to_numpy()
    assert found.level == "membrane"
    assert (found.share, found.others) == pytest.approx((gone[ours].mean(), gone[~ours].mean()))
    assert "vent = membrane are missing more often" in found.sentence


def test_equal_chances_are_named_in_few_seasons():
    named = 0
    for seed in range(30):
        design = with_missing({"none": 0.15, "membrane": 0.15}, seed)[0]
        named += bool(uneven_missing(design, missing_units(design)[0], seed))
    assert named <= 5  # 5 in 100 by chance: more than 5 of 30 in 1 of 400


@pytest.mark.parametrize("seed", [7008, 7011, 7024])
def test_a_gain_that_missing_units_alone_could_make_is_not_clear(seed):
    """The vent does nothing; its failing units are missing in 45 of 100 cases, those without it in 8."""
    lives, truth = attacked_season(ATTACKS["failing units of one level missing, no effect"], seed)
    table = rank_choices(lives, list(CHOICES), adjust="environment", mission=180, resamples=200, seed=seed - 7000).table
    row = table[(table.choice == "vent") & (table.level != table.reference)].iloc[0]
    assert truth["vent"]["membrane"] == truth["vent"]["none"]
    assert row.p_adjusted < 0.05 and (row.lower > 0 or row.upper < 0)
    assert row.grade != "clear" and "every check" not in row.note
    assert "missing" in row.note
