"""Shared sites: the sentence with the measured ratio, without one, and where there are no two sites."""

import numpy as np

from workbench import Lives
from workbench.report.basis.shared_sites import site_caveat


def lives(sites, units=6):
    """Units of one site fail together, those of other sites at other times."""
    site = np.repeat(np.arange(sites), units)
    time = 10.0 + 5 * (site % 7) + np.tile(np.arange(units), sites) / 10
    return Lives.from_arrays(time, np.ones(time.size, dtype=bool), covariates={"site": site.astype(str)})


def test_sites_that_fail_together_make_the_error_larger():
    sentence = site_caveat([(lives(30), 1.0)], 22)[0]
    assert sentence.startswith(
        "Limits take units as independent, yet units of one site share its fate: with the 30 sites"
    )
    assert sentence.endswith("the standard error would be 2.5 times as large.")
    assert "roughly 2." in site_caveat([(lives(9), 1.0)], 22)[0]


def test_sites_that_do_not_matter_are_said_to_do_nothing_and_few_of_them_to_tell_little():
    mixed = lives(30)
    mixed = mixed.replace(covariates={"site": (np.arange(180) % 30).astype(str)})
    assert site_caveat([(mixed, 1.0)], 22)[0].endswith("would be no larger.")
    mixed = mixed.replace(covariates={"site": (np.arange(180) % 3).astype(str)})
    assert site_caveat([(mixed, 1.0)], 22)[0].endswith("would be no larger, though so few sites tell little.")


def test_without_a_ratio_what_was_simulated_is_said_and_without_sites_nothing():
    assert "about 90 of 100" in site_caveat([(lives(30), 1.0)], 5)[0]
    assert site_caveat([(lives(1), 1.0)], 12) == ()
    assert site_caveat([(lives(3).replace(covariates={"seal": ["a"] * 18}), 1.0)], 12) == ()
