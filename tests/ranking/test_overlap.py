"""Overlap: what the design itself cannot tell apart is found without looking at outcomes, and named."""

import numpy as np
import pandas as pd
import pytest

from workbench.lives import Lives
from workbench.ranking.checks.aliases import find_aliases
from workbench.ranking.checks.overlap import choice_never_mixes, extrapolated_shares, overlap_of
from workbench.ranking.model.design import build_design


def _design(frame: pd.DataFrame, choices, adjust=()):
    rng = np.random.default_rng(0)
    n = len(frame)
    lives = Lives.from_arrays(rng.integers(10, 200, n), rng.random(n) < 0.5, covariates=frame)
    return build_design(lives, choices, adjust)


def _mixed(n: int = 180, sites: int = 6, seed: int = 0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    site = rng.integers(0, sites, n)
    return pd.DataFrame(
        {
            "site": [f"s{s}" for s in site],
            "environment": np.array(["marsh", "bog", "lane"])[site % 3],
            "seal": np.array(["flat", "cord", "ring"])[rng.integers(0, 3, n)],
            "vent": np.array(["none", "membrane"])[rng.integers(0, 2, n)],
            "batch": np.array(["B1", "B2", "B3", "B4"])[rng.integers(0, 4, n)],
        }
    )


@pytest.mark.parametrize("seed", range(8))
def test_well_mixed_levels_have_no_partner(seed):
    assert find_aliases(_design(_mixed(seed=seed), ["seal", "vent"])) == ()


@pytest.mark.parametrize("seed", range(8))
def test_small_fleets_with_many_batches_raise_no_false_alarm(seed):
    assert find_aliases(_design(_mixed(60, 9, seed=seed), ["seal", "vent"])) == ()


def test_two_columns_with_the_same_partition_are_one_line():
    frame = _mixed()
    frame["batch"] = frame.seal.map({"flat": "B1", "cord": "B2", "ring": "B3"})
    sentences = [a.sentence for a in find_aliases(_design(frame, ["seal", "vent"]))]
    assert "seal = ring and batch = B3 cannot be told apart" in sentences or (
        "seal = flat and batch = B1 cannot be told apart" in sentences
    )
    assert all(a.choice == "seal" for a in find_aliases(_design(frame, ["seal", "vent"])))
    assert len(sentences) == 2


def test_two_choices_that_always_go_together_name_each_other():
    frame = _mixed()
    frame["screws"] = frame.vent.map({"none": "plated", "membrane": "steel"})
    design = _design(frame, ["vent", "screws"])
    found = {(a.choice, a.partner) for a in find_aliases(design)}
    assert found == {("vent", "screws"), ("screws", "vent")}
    pairs = [a for a in overlap_of(design).advice if a.startswith("Build some units with")]
    assert len(pairs) == len(find_aliases(design)) / 2  # said once, not from both ends


def test_a_function_of_the_other_inside_every_site_is_found_although_it_differs_between_sites():
    frame = _mixed()
    turned = frame.site.isin(["s0", "s2", "s4"])
    frame["batch"] = np.where((frame.vent == "membrane") ^ turned, "B1", "B2")
    assert {a.partner for a in find_aliases(_design(frame, "vent"))} == {"batch"}


def test_only_the_level_that_is_confounded_is_flagged():
    """Ring came only with batch B9 and B9 only with ring; flat and cord are mixed over the other batches."""
    frame = _mixed()
    frame.loc[frame.seal == "ring", "batch"] = "B9"
    design = _design(frame, ["seal", "vent"])
    reference = design.block("seal").reference
    flagged = {a.level for a in find_aliases(design) if a.choice == "seal"}
    assert flagged == ({"ring"} if reference != "ring" else {"flat", "cord"})


def test_nearly_aliased_columns_are_named_too():
    frame = _mixed()
    frame["batch"] = np.where(frame.vent == "membrane", "B1", "B2")
    frame.loc[frame.index[:2], "batch"] = ["B2" if v == "membrane" else "B1" for v in frame.vent[:2]]
    (alias,) = find_aliases(_design(frame, "vent"))
    assert (alias.kind, alias.partner) == ("nearly", "batch")
    assert "almost always went together" in alias.sentence


def test_a_choice_that_never_varies_within_a_site_is_aliased_with_the_site():
    frame = _mixed()
    frame["seal"] = frame.site.map({"s0": "flat", "s1": "flat", "s2": "cord", "s3": "cord", "s4": "ring", "s5": "ring"})
    design = _design(frame, ["seal", "vent"])
    assert choice_never_mixes(design, design.block("seal"))
    assert not choice_never_mixes(design, design.block("vent"))
    assert {a.partner for a in find_aliases(design) if a.kind == "site"} == {"site"}
    assert any("Put at least two levels of seal at every site" in s for s in overlap_of(design).advice)


def test_levels_linked_through_a_third_one_can_be_told_apart():
    """flat and cord at half of the sites, cord and ring at the others: a chain leads from ring to flat."""
    frame = _mixed(240)
    rng = np.random.default_rng(1)
    early = frame.site.isin(["s0", "s1", "s2"])
    frame["seal"] = np.where(early, rng.choice(["flat", "cord"], 240), rng.choice(["cord", "ring"], 240))
    assert not [a for a in find_aliases(_design(frame, "seal")) if a.kind == "site"]


def test_labels_of_single_units_are_no_partners():
    frame = _mixed().assign(serial=[f"LM-{i}" for i in range(180)], outcome="working")
    assert find_aliases(_design(frame, ["seal", "vent"])) == ()


def test_extrapolated_is_the_share_of_the_fleet_in_environments_where_a_level_never_was():
    frame = _mixed()
    frame.loc[(frame.environment != "bog") & (frame.seal == "ring"), "seal"] = "flat"
    design = _design(frame, ["seal", "vent"], "environment")
    shares = extrapolated_shares(design)
    assert shares["seal", "ring"] == pytest.approx(np.mean(frame.environment != "bog"))
    assert shares["seal", "flat"] == 0.0
    advice = " ".join(overlap_of(design).advice)
    assert "seal = ring into lane and marsh" in advice
    named_otherwise = frame.rename(columns={"environment": "ground"})
    assert extrapolated_shares(_design(named_otherwise, ["seal", "vent"], "ground")) == shares
    assert set(extrapolated_shares(_design(named_otherwise, ["seal", "vent"])).values()) == {0.0}
    two = frame.assign(shade=np.where(np.arange(len(frame)) % 2, "yes", "no")).rename(columns={"environment": "ground"})
    both = extrapolated_shares(_design(two, ["seal", "vent"], ["ground", "shade"]))
    assert both["seal", "ring"] == pytest.approx(shares["seal", "ring"])


def test_the_table_counts_every_pair_once():
    frame = _mixed()
    table = overlap_of(_design(frame, ["seal", "vent"])).table
    assert table.columns.tolist() == ["choice", "level", "place", "value", "units", "failures"]
    for (_, _), part in table.groupby(["choice", "place"]):
        assert part.units.sum() == len(frame)
    here = table[(table.level == "ring") & (table.value == "marsh")]
    assert int(here.units.iloc[0]) == ((frame.seal == "ring") & (frame.environment == "marsh")).sum()
