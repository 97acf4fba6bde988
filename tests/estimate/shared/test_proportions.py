"""Exact limits of a share: published values, the defining equation, laws and errors."""

import pytest
from scipy.stats import binom

from workbench import UsageError, proportion_interval


def test_limits_of_the_handbook_example():
    """NIST/SEMATECH e-Handbook 7.2.4.2: 4 of 20 at 90 %; its spreadsheet gives .401029 for the upper limit."""
    assert proportion_interval(4, 20, confidence=0.9) == pytest.approx((0.071354, 0.401029), abs=2e-6)


def test_limits_of_the_textbook_table():
    """Conover, Practical Nonparametric Statistics, 3rd ed. (1999): 5 of 25 at 95 %."""
    assert proportion_interval(5, 25) == pytest.approx((0.068, 0.407), abs=6e-4)


def test_no_failure_among_ten_allows_thirty_one_per_cent():
    """By hand: (1 - p)^10 = 0.025 gives p = 1 - 0.025^(1/10)."""
    assert proportion_interval(0, 10) == pytest.approx((0.0, 1 - 0.025**0.1), abs=1e-12)


@pytest.mark.parametrize(("failures", "units"), [(1, 1), (1, 7), (3, 8), (29, 30), (200, 10_000)])
def test_limits_solve_the_defining_equations(failures, units):
    """Clopper & Pearson (1934): each tail probability is 2.5 % at its limit; scipy's binomial checks it."""
    lower, upper = proportion_interval(failures, units)

    assert binom.sf(failures - 1, units, lower) == pytest.approx(0.025, rel=1e-9)
    if failures < units:
        assert binom.cdf(failures, units, upper) == pytest.approx(0.025, rel=1e-9)
    else:
        assert upper == 1.0


def test_counting_survivors_mirrors_the_limits():
    lower, upper = proportion_interval(3, 17, confidence=0.8)
    assert proportion_interval(14, 17, confidence=0.8) == pytest.approx((1 - upper, 1 - lower), abs=1e-12)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((5, 4), "failures must not exceed units; got 5 failures of 4 units"),
        ((-1, 4), "failures must be a whole number of at least 0; got -1"),
        ((1.5, 4), "failures must be a whole number of at least 0; got 1.5"),
        ((0, 0), "units must be a whole number of at least 1; got 0"),
    ],
)
def test_impossible_counts_are_named(arguments, message):
    with pytest.raises(UsageError, match=message):
        proportion_interval(*arguments)


def test_confidence_must_lie_inside():
    with pytest.raises(UsageError, match="confidence must lie between 0 and 1, both excluded; got 95"):
        proportion_interval(1, 4, confidence=95)
