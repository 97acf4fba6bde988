"""E-values against the paper that proposed them."""

import numpy as np
import pytest

from workbench.ranking.checks.evalue import e_value, e_value_of_interval


def test_e_value_matches_the_worked_example_of_breast_feeding():
    """VanderWeele & Ding (2017), Ann. Intern. Med. 167: ratio 3.9 (1.8 to 8.7) gives 7.26, limit 3.

    Quoted from memory of the paper; the values follow from its formula.
    """
    assert e_value(3.9) == pytest.approx([7.26], abs=0.005)
    assert e_value_of_interval(1.8, 8.7) == pytest.approx([3.0], abs=0.005)


def test_e_value_matches_the_worked_example_of_leukaemia():
    """The paper's example of a protective ratio, 0.80 (0.71 to 0.91), as in the manual of the authors' package."""
    assert e_value(0.80) == pytest.approx([1.81], abs=0.005)
    assert e_value_of_interval(0.71, 0.91) == pytest.approx([1.43], abs=0.005)


def test_a_ratio_and_its_inverse_need_the_same_strength():
    ratios = np.array([1.1, 2.0, 7.0])
    assert e_value(ratios) == pytest.approx(e_value(1 / ratios))


def test_limits_that_hold_one_need_nothing_and_unknown_stays_unknown():
    assert e_value_of_interval(0.9, 1.3).tolist() == [1.0]
    assert np.isnan(e_value([np.nan, 0.0, np.inf])).all()
    assert np.isnan(e_value_of_interval(np.nan, 2.0)).all()
