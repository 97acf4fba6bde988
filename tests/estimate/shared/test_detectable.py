"""What the data could have shown: the formula by hand, its inverse, groups, messages."""

import numpy as np
import pytest

from workbench import EstimateError, Lives, UsageError
from workbench.estimate.shared.detectable import detectable_hazard_ratio, detectable_hazard_ratios


def test_ratio_by_hand():
    """Schoenfeld (1981): exp(2.80 / sqrt(D p (1 - p))); 191 failures in halves find 1.5 (published table)."""
    assert detectable_hazard_ratio(191.0, 0.5).hazard_ratio == pytest.approx(1.5, abs=5e-4)
    assert detectable_hazard_ratio(50, 0.2).hazard_ratio == pytest.approx(np.exp(2.8016 / np.sqrt(8)), rel=1e-4)


def test_sentence_names_failures_share_ratio_and_power():
    assert detectable_hazard_ratio(50, 0.2).sentence == (
        "With 50 failures and a share of 20 % the data could show a hazard ratio of 2.7 or more, 8 times in 10."
    )


def test_no_failures_show_nothing():
    found = detectable_hazard_ratio(0, 0.5)
    assert np.isnan(found.hazard_ratio)
    assert found.sentence == "Without a failure the data could not show any hazard ratio."


def test_absurd_ratios_are_not_printed():
    found = detectable_hazard_ratio(1, 0.05)
    assert np.isnan(found.hazard_ratio)
    assert "no hazard ratio below 1,000 would show" in found.sentence


def test_each_group_against_the_reference():
    seal = ["a"] * 30 + ["b"] * 10 + ["c"] * 20
    lives = Lives.from_arrays(np.arange(1, 61), np.arange(60) % 2 == 0, covariates={"seal": seal})
    found = detectable_hazard_ratios(lives, "seal", reference="b")
    table = found.table

    assert table[["group_a", "group_b"]].to_numpy().tolist() == [["a", "b"], ["c", "b"]]
    assert table["failures"].tolist() == [20, 15]
    assert table["share"].to_numpy() == pytest.approx([0.75, 2 / 3])
    assert table["hazard_ratio"][0] == pytest.approx(detectable_hazard_ratio(20, 0.75).hazard_ratio)
    assert found.notes[0].startswith("a against b: With 20 failures and a share of 75 %")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"failures": -1, "share": 0.5}, "failures must be a finite number of at least 0; got -1"),
        ({"failures": 9, "share": 1}, "share must lie between 0 and 1, both excluded; got 1"),
        ({"failures": 9, "share": 0.5, "power": 0.01}, "power must exceed half the significance"),
    ],
)
def test_wrong_arguments_are_named(arguments, message):
    with pytest.raises(UsageError, match=message):
        detectable_hazard_ratio(**arguments)


def test_one_group_is_refused():
    with pytest.raises(EstimateError, match="at least two groups"):
        detectable_hazard_ratios(Lives.from_arrays([1], [1], covariates={"seal": ["a"]}), "seal")
