"""The hazard ratio that a season could have shown: a published number, and the inverse of the count of failures."""

import math

import numpy as np
import pytest

from workbench import failures_to_detect, rank_choices
from workbench.ranking.checks.ranking_power import LARGEST, detectable_ratio

from .seasons import make_lives


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


def test_what_the_season_could_have_shown_follows_from_counts_alone():
    """Schoenfeld (1981), Biometrika 68, 316-319, by hand: exp(2.80 / sqrt(D p (1 - p)))."""
    ranking = rank_choices(make_lives(11, 200), ["seal", "vent"], adjust="environment", mission=180, resamples=20)
    table = ranking.of("seal").set_index("level")
    base = table.loc[table.reference.iloc[0]]
    for level, row in table.drop(index=base.name).iterrows():
        failures, share = row.failures + base.failures, row.units / (row.units + base.units)
        expected = np.exp(2.80 / np.sqrt(failures * share * (1 - share)))
        assert row.detectable_hazard_ratio == pytest.approx(expected), level
    assert np.isnan(base.detectable_hazard_ratio)
    assert any("the season could show a hazard ratio of" in note and "8 times in 10" in note for note in ranking.notes)
