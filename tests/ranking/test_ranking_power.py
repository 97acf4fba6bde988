"""The hazard ratio that a season could have shown: a published number, and the inverse of the count of failures."""

import math

import pytest

from workbench import failures_to_detect
from workbench.ranking.checks.ranking_power import LARGEST, detectable_ratio


def test_191_failures_show_a_ratio_of_one_and_a_half():
    """191 events for a hazard ratio of 1.5, 80 % power, 5 % two-sided (Collett, Modelling Survival Data in Medical
    Research, section on the number of deaths; from memory)."""
    assert detectable_ratio(191, 0.5) == pytest.approx(1.5, abs=5e-3)


@pytest.mark.parametrize(("failures", "share"), [(20, 0.5), (50, 0.2), (400, 0.9)])
def test_it_takes_as_many_failures_as_the_formula_of_the_trial_asks(failures, share):
    assert failures_to_detect(detectable_ratio(failures, share), share=share) == pytest.approx(failures, rel=2e-3)


@pytest.mark.parametrize(("failures", "share"), [(0, 0.5), (10, 0.0), (10, 1.0), (1, 0.05)])
def test_where_nothing_could_be_shown_there_is_no_number(failures, share):
    assert math.isnan(detectable_ratio(failures, share))


def test_no_ratio_is_given_that_hardly_any_season_has():
    assert detectable_ratio(5, 0.5) <= LARGEST
