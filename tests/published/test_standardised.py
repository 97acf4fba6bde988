"""Standardisation and weighting on open data with a published answer: does quitting smoking lengthen life?

nhefs.csv holds 1,629 smokers of the US National Health and Nutrition Examination Survey I and its follow-up, public
domain (National Center for Health Statistics), as distributed with Hernán & Robins, Causal Inference: What If: whether
they quit between 1971 and 1982, months lived from January 1983 (120 for those alive at the end of 1992), and nine
covariates. Those who quit were older, so their survival as it stands misleads.
"""

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from workbench import Lives, rank_choices
from workbench.estimate.turnbull import pseudo_shares
from workbench.ranking.checks import second_estimates
from workbench.ranking.model import build_design

KINDS, NUMBERS = ("sex", "race", "education", "exercise", "active"), ("age", "cigarettes", "years", "kg")
PUBLISHED = {"quit": 0.807, "stayed": 0.805}
"""Survival at 120 months, weighted by the inverse of the chance to quit (What If, section 17.4)."""
PUBLISHED_GAIN, PUBLISHED_LIMITS = 0.002, (-0.041, 0.037)


@cache
def people():
    return pd.read_csv(Path(__file__).with_name("nhefs.csv"))


@cache
def smokers():
    """Lives in months, with the book's covariates: kinds as levels, numbers with their squares."""
    data = people()
    columns = {"smoking": np.where(data["quit"] == 1, "quit", "stayed")} | {k: data[k].astype(str) for k in KINDS}
    for name in NUMBERS:
        columns[name] = data[name].astype(float)
        columns[f"{name}_squared"] = (data[name] - data[name].mean()) ** 2
    return Lives.from_arrays(data["months"].astype(float), data["died"] == 1, covariates=pd.DataFrame(columns))


def test_the_data_give_the_published_answers_by_a_second_program():
    """What If, sections 17.1 and 17.4: 76.2 % and 82.0 % as they stand, 80.7 % and 80.5 % weighted (statsmodels)."""
    data = people()
    shares = 1 - data.groupby("quit")["died"].mean()
    assert (shares[1], shares[0]) == pytest.approx((0.762, 0.820), abs=5e-4)
    terms = [f"C({name})" for name in KINDS] + [f"{name} + I({name} ** 2)" for name in NUMBERS]
    chance = smf.logit(f"quit ~ {' + '.join(terms)}", data).fit(disp=0).predict()
    for quit_, chances, name in ((1, chance, "quit"), (0, 1 - chance, "stayed")):
        own = data["quit"] == quit_
        share = 1 - np.average(data["died"][own], weights=1 / chances[own])
        assert share == pytest.approx(PUBLISHED[name], abs=5e-4)


@pytest.mark.slow
def test_the_ranking_standardises_to_the_published_survival():
    """Within a point of the weighted shares, by another model; as they stand the two differ by 5.8 points."""
    adjust = [c for c in smokers().covariates if c != "smoking"]
    ranking = rank_choices(
        smokers(), "smoking", adjust=adjust, mission=120.0, resamples=200, reference={"smoking": "stayed"}
    )
    rows = ranking.table.set_index("level")
    for level, share in PUBLISHED.items():
        assert rows.loc[level, "mission_survival"] == pytest.approx(share, abs=0.01)
    quit_ = rows.loc["quit"]
    assert quit_["raw_gain"] == pytest.approx(0.762 - 0.820, abs=1e-3)
    assert quit_["survival_gain"] == pytest.approx(PUBLISHED_GAIN, abs=0.01)
    assert (quit_["lower"], quit_["upper"]) == pytest.approx(PUBLISHED_LIMITS, abs=0.02)
    assert quit_["grade"] == "unclear"


def test_the_second_estimate_comes_to_the_published_difference():
    design = build_design(
        smokers(),
        "smoking",
        [c for c in smokers().covariates if c != "smoking"],
        reference={"smoking": "stayed"},
    )
    second = second_estimates(design, pseudo_shares(design.lives, 120.0))["smoking", "quit"]
    assert second.gain == pytest.approx(PUBLISHED_GAIN, abs=0.015)
    assert second.lower < PUBLISHED_GAIN < second.upper
    assert second.upper - second.lower == pytest.approx(np.ptp(PUBLISHED_LIMITS), rel=0.15)
