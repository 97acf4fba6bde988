"""Classifier: what it cannot answer or is not asked, and says so."""

import numpy as np
import pytest

from tests.ranking.test_classify import _known
from workbench.errors import EstimateError, LivesError, UsageError
from workbench.lives import Lives
from workbench.ranking.mission.classify import classify_mission


def test_too_many_unknown_outcomes_show_nothing():
    lives = _known()
    lost = np.arange(120) % 3 == 0
    lives = lives.replace(lower=np.where(lost, 30, lives.lower), upper=np.where(lost, np.inf, lives.upper))
    result = classify_mission(lives, ["seal", "vent"], mission=100)

    assert result.skill["split_share"] == pytest.approx(1 / 3)
    assert result.skill["verdict"] == "no skill can be shown" and not result.table["counts"].any()
    assert result.why_not == "For more than 25 % of the lives the outcome is not known."
    assert "No skill can be shown: for more than 25 % of the lives the outcome is not known." in result.notes
    assert any("more than 25 %" in n for n in result.notes)


def test_few_sites_make_rough_limits_and_say_so():
    lives = _known()
    three = lives.covariates.assign(site=np.arange(120) % 3)
    result = classify_mission(lives.replace(covariates=three.astype({"site": str})), ["seal"], mission=100)

    assert any(n.startswith("With 3 sites") for n in result.notes)
    assert not any("are rough" in n for n in classify_mission(lives, ["seal"], mission=100).notes)


def test_delayed_entries_are_left_out_and_counted():
    lives = _known()
    late = lives.replace(entry=np.where(np.arange(120) < 7, 0.5, 0.0))
    result = classify_mission(late, ["seal", "vent"], mission=100)

    assert "7 lives with delayed entry left out." in result.notes and result.skill["units"] == 113


def test_a_season_without_failures_has_no_answer_but_a_reason():
    lives = Lives.from_arrays(
        np.full(20, 120), np.zeros(20), covariates={"seal": ["a", "b"] * 10, "site": ["x", "y"] * 10}
    )
    result = classify_mission(lives, "seal", mission=100)

    assert np.isnan(result.skill["skill"]) and result.skill["verdict"] == "no skill can be shown"
    assert result.why_not == "No unit is known to have failed by 100 days, so there is nothing to predict."
    assert result.skill["base_rate"] == 0.0 and len(result.calibration) == 0
    assert "No unit is known to have failed by 100 days" in result.notes[-1]
    assert np.isnan(result.table["importance"]).all()


@pytest.mark.parametrize(
    ("arguments", "kind", "words"),
    [
        ({"choices": ["seel"]}, UsageError, "unknown covariate 'seel'; did you mean 'seal'"),
        ({"adjust": ["hight"]}, UsageError, "unknown covariate 'hight'"),
        ({"adjust": ["seal"]}, UsageError, "'seal' stands in choices and in adjust"),
        ({"choices": []}, UsageError, "choices must name at least one"),
        ({"mission": 0}, UsageError, "mission must be a finite number above 0"),
        ({"mission": 400}, EstimateError, "no unit is known to have lasted 400 days; the longest mission"),
        ({"choices": ["same"]}, EstimateError, "same has one level only"),
        ({"adjust": ["holes"]}, LivesError, "holes is missing or infinite in row"),
        ({"seed": 1.5}, UsageError, "seed must be a whole number"),
    ],
)
def test_questions_that_cannot_be_put_are_refused_in_one_sentence(arguments, kind, words):
    lives = _known()
    columns = lives.covariates.assign(same="x", holes=[np.nan, *range(119)])
    with pytest.raises(kind) as error:
        classify_mission(lives.replace(covariates=columns), **({"choices": ["seal"], "mission": 100} | arguments))
    assert words in str(error.value) and "\n" not in str(error.value)
