"""Demonstration plans against handbook tables, and what cannot be asked."""

import math

import pytest
from scipy.stats import binom, chi2, poisson

from workbench.errors import EstimateError, UsageError
from workbench.planning.demonstration import (
    demonstrated_reliability,
    demonstration_sentence,
    mean_life_interval,
    units_to_demonstrate,
)

SUCCESS_RUN = {
    0.8: (4, 11, 14),
    0.9: (7, 22, 29),
    0.95: (14, 45, 59),
    0.99: (69, 230, 299),
    0.999: (693, 2302, 2995),
}


@pytest.mark.parametrize("reliability", SUCCESS_RUN)
def test_success_run_matches_the_handbook_table(reliability):
    """Lipson & Sheth (1973), Kapur & Lamberson (1977); the table from memory, recomputed."""
    found = tuple(units_to_demonstrate(reliability, c) for c in (0.5, 0.9, 0.95))
    assert found == SUCCESS_RUN[reliability]


@pytest.mark.parametrize(
    ("units", "confidence", "bound"),
    [(22, 0.9, 0.9006), (29, 0.95, 0.9019), (45, 0.9, 0.9501), (59, 0.95, 0.9505), (10, 0.9, 0.7943)],
)
def test_lower_reliability_without_failures(units, confidence, bound):
    """Success-run theorem, R = (1 - C)^(1/n); computed."""
    assert demonstrated_reliability(units, 0, confidence) == pytest.approx(bound, abs=6e-5)


def test_the_smallest_plan_is_found_with_allowed_failures():
    for allowed in (0, 1, 3, 7):
        n = units_to_demonstrate(0.87, 0.85, allowed_failures=allowed)
        assert binom.cdf(allowed, n, 0.13) <= 0.15 < binom.cdf(allowed, n - 1, 0.13)


def test_a_shape_of_one_is_assumed_where_none_is_given_and_all_failed_demonstrates_nothing():
    """Exponential lives: a test twice as long needs ln(0.1) / (2 ln 0.9) = 10.9 units."""
    assert units_to_demonstrate(0.9, 0.9, mission_ratio=2.0) == 11
    assert demonstrated_reliability(5, 5, 0.9) == 0.0
    assert demonstrated_reliability(5, 4, 0.9) == pytest.approx(1 - 0.9 ** (1 / 5))  # 1 - (1 - R)^5 = 0.1


def test_a_plan_just_met_demonstrates_what_it_was_made_for():
    for allowed in (0, 2, 5):
        n = units_to_demonstrate(0.9, 0.9, allowed_failures=allowed)
        assert demonstrated_reliability(n, allowed, 0.9) >= 0.9 > demonstrated_reliability(n - 1, allowed, 0.9)


def test_a_longer_test_needs_fewer_units_by_the_stated_shape():
    """Kapur & Lamberson (1977): n falls by the test ratio to the power of the shape; worked by hand."""
    assert units_to_demonstrate(0.9, 0.9, mission_ratio=2.0, shape=2.0) == math.ceil(
        math.log(0.1) / (4 * math.log(0.9))
    )
    assert units_to_demonstrate(0.9, 0.9, mission_ratio=2.0, shape=1.0) == 11


@pytest.mark.parametrize(("confidence", "bound"), [(0.5, 1442.7), (0.6, 1091.36), (0.9, 434.29), (0.95, 333.81)])
def test_mean_life_without_failures_has_a_lower_limit_only(confidence, bound):
    """NIST/SEMATECH e-Handbook 8.4.5.1, zero-failure case: one-sided at C is two-sided at 2C - 1."""
    if confidence > 0.5:
        lower, upper = mean_life_interval(1000, 0, confidence=2 * confidence - 1)
        assert lower == pytest.approx(bound, abs=0.006)
        assert math.isnan(upper)
    else:
        assert 2 * 1000 / chi2.ppf(0.5, 2) == pytest.approx(bound, abs=0.006)


def test_mean_life_limits_of_nine_failures():
    """6-MP arm as an exponential test (Gehan 1965); Epstein & Sobel theory; computed."""
    assert mean_life_interval(359, 9, confidence=0.9, ended="failure") == pytest.approx((24.871, 76.461), rel=1e-4)
    assert mean_life_interval(359, 9, confidence=0.95) == pytest.approx((21.013, 87.234), rel=1e-4)
    assert mean_life_interval(359, 9, confidence=0.8)[0] == pytest.approx(25.271, rel=1e-4)


def test_mean_life_limits_of_twelve_air_conditioning_failures():
    """Proschan (1963) in Davison & Hinkley (1997) Example 1.1: mean 108.083, exact 95 % limits 65.9 and 209.2."""
    assert mean_life_interval(1297, 12, ended="failure") == pytest.approx((65.9, 209.2), abs=0.06)


def test_limits_of_a_time_ended_test_agree_with_poisson_tails():
    lower, upper = mean_life_interval(500.0, 4, confidence=0.9)
    assert poisson.cdf(4, 500.0 / lower) == pytest.approx(0.05)
    assert poisson.sf(3, 500.0 / upper) == pytest.approx(0.05)


def test_the_claim_is_said_in_words():
    sentence = demonstration_sentence(40, 6, 0.9, mission=180)
    assert sentence == "With 34 of 40 units lasting 180 days you may claim 75 % at 90 % confidence."


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: units_to_demonstrate(1.0, 0.9), "reliability must lie between 0 and 1"),
        (lambda: units_to_demonstrate(0.9, 1.0), "confidence must lie between 0 and 1"),
        (lambda: units_to_demonstrate(0.9, 0.9, allowed_failures=-1), "allowed_failures must be a whole number"),
        (lambda: units_to_demonstrate(0.9, 0.9, mission_ratio=0), "mission_ratio must be a finite number above 0"),
        (lambda: demonstrated_reliability(5, 6, 0.9), "failures must not exceed units"),
        (lambda: demonstrated_reliability(0, 0, 0.9), "units must be a whole number of at least 1"),
        (lambda: mean_life_interval(-3, 1), "total_time must be a finite number above 0"),
        (lambda: mean_life_interval(3, 1, ended="both"), "ended must be one of time, failure"),
        (lambda: mean_life_interval(3, 0, ended="failure"), "ended with a failure has at least one"),
    ],
)
def test_impossible_questions_are_refused_in_words(call, message):
    with pytest.raises(UsageError, match=message):
        call()


def test_an_endless_plan_is_refused():
    with pytest.raises(EstimateError, match="units would be needed"):
        units_to_demonstrate(1 - 1e-13, 0.99)
    with pytest.raises(EstimateError, match="practically never fails"):
        units_to_demonstrate(0.9, 0.9, mission_ratio=1e-9, shape=40)
