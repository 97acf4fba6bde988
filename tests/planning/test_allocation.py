"""Allocation of a trial: balanced within every site and over all, seeded, and written as the start of a log."""

import csv
import io

import pandas as pd
import pytest

from workbench.errors import UsageError
from workbench.planning.allocation import allocate_trial, allocation_log

SITES = {"Mirefold Bog": 7, "Hollow Wood": 12, "Weir Lock": 5, "Cinder Ridge": 1}
LEVELS = ["flat_gasket", "o_ring", "cord"]


@pytest.mark.parametrize("seed", range(12))
def test_levels_differ_by_one_unit_at_most_within_each_site_and_over_all(seed):
    table = allocate_trial("lid_seal", LEVELS, SITES, seed=seed).table
    for site, units in SITES.items():
        counts = table[table["site"] == site]["lid_seal"].value_counts().reindex(LEVELS, fill_value=0)
        assert counts.sum() == units
        assert counts.max() - counts.min() <= 1
    overall = table["lid_seal"].value_counts()
    assert overall.max() - overall.min() <= 1


def test_the_same_seed_draws_the_same_list_and_another_seed_another():
    first, again, other = (allocate_trial("vent", ["none", "membrane"], SITES, seed=s).table for s in (4, 4, 5))
    pd.testing.assert_frame_equal(first, again)
    assert not first.equals(other)
    assert first["unit_id"].is_unique


def test_a_site_too_small_for_all_levels_is_named():
    notes = allocate_trial("lid_seal", LEVELS, SITES, seed=1).notes
    assert any("Cinder Ridge: fewer units than levels" in note for note in notes)
    notes = allocate_trial("lid_seal", LEVELS, {"Weir Lock": 3}, seed=1).notes
    assert not any("fewer units" in note for note in notes)


@pytest.mark.parametrize(("first", "units", "ends"), [(1, 999, ("U-001", "U-999")), (2, 999, ("U-0002", "U-1000"))])
def test_unit_ids_are_padded_to_the_last_one_and_no_wider(first, units, ends):
    drawn = allocate_trial("vent", ["none", "membrane"], {"Weir Lock": units}, seed=1, first_number=first)
    ids = drawn.table["unit_id"]
    assert (ids.iloc[0], ids.iloc[-1]) == ends
    assert ids.is_monotonic_increasing


def test_the_list_is_a_log_to_fill_in_whose_cells_stay_text():
    allocation = allocate_trial("lid_seal", ["=1+1", "o_ring"], {"Weir Lock": 2}, seed=1)
    rows = list(csv.DictReader(io.StringIO(allocation_log(allocation))))
    assert {row["unit_id"] for row in rows} == {"U-001", "U-002"}
    assert all(row["outcome"] == "" and row["deployed_on"] == "" for row in rows)
    assert {row["lid_seal"] for row in rows} == {"'=1+1", "o_ring"}


@pytest.mark.parametrize(
    ("levels", "sites", "message"),
    [
        (["o_ring"], SITES, "at least two different"),
        (["o_ring", "o_ring"], SITES, "at least two different"),
        (LEVELS, {}, "names no site"),
        (LEVELS, {"Weir Lock": 0}, "units at Weir Lock must be a whole number of at least 1"),
    ],
)
def test_impossible_allocations_are_refused(levels, sites, message):
    with pytest.raises(UsageError, match=message):
        allocate_trial("lid_seal", levels, sites, seed=0)
