"""Sentences about a shape: early-life, steady, wear-out, too few failures, assumed shapes."""

import numpy as np
import pytest

from workbench.estimate.life.distributions import fit_distribution
from workbench.estimate.life.shape_words import shape_statement
from workbench.lives import Lives


def _fit(shape, n=150, distribution="weibull"):
    life = 100 * np.random.default_rng(1).weibull(shape, n)
    return fit_distribution(Lives.from_arrays(np.minimum(life, 150), life <= 150), distribution)


@pytest.mark.parametrize(
    ("shape", "words"), [(0.5, "(early-life)"), (3.0, "(wear-out)"), (1.0, "cannot tell early-life failures")]
)
@pytest.mark.parametrize("distribution", ["weibull", "gamma"])
def test_shape_in_words_with_limits_and_counts(shape, words, distribution):
    fit = _fit(shape, distribution=distribution)
    (sentence,) = shape_statement(fit)
    assert words in sentence
    assert f"{fit.failures} failures" in sentence
    assert "95 % limits" in sentence


def test_under_five_failures_no_shape_is_spoken_of():
    lives = Lives.from_arrays([20, 40, 60, 80, 100, 100], [1, 1, 1, 1, 0, 0])
    fit = fit_distribution(lives)
    assert np.isfinite(fit.parameters["shape"])  # the estimate is there; it is not printed
    sentences = shape_statement(fit, [fit_distribution(lives, shape=s) for s in (1.0, 2.0)])
    assert sentences[0] == "Too few failures for a shape: 4 failures in 6 units, at least 5 are needed."
    assert [s.split(" (not")[0] for s in sentences[1:]] == ["With an assumed shape of 1", "With an assumed shape of 2"]
    b10 = fit_distribution(lives, shape=2.0).quantile(0.1)["time"][0]
    assert f"10 % have failed by {b10:.2g} days" in sentences[2]
    five = Lives.from_arrays([20, 40, 60, 80, 90, 100], [1, 1, 1, 1, 1, 0])
    assert shape_statement(fit_distribution(five))[0].startswith("Shape ")


def test_without_failures_the_assumed_shape_gives_a_bound():
    lives = Lives.from_arrays([100] * 10, [False] * 10)
    (sentence,) = shape_statement(fit_distribution(lives, shape=1.5))
    # 10 x 100^1.5 / ln 20 = 3338, to the power 2/3 is 223; times (-ln 0.9)^(2/3) = 0.2231 is 49.8
    assert "the age by which 10 % fail is at least 50 days" in sentence
    assert "no failures in 10 units" in sentence
    assert shape_statement(fit_distribution(lives)) == (
        "Too few failures for a shape: no failures in 10 units, at least 5 are needed.",
    )


def test_other_forms_have_no_such_shape():
    assert "no shape that tells" in shape_statement(_fit(2.0, distribution="lognormal"))[0]
    assert "no shape that tells" in shape_statement(_fit(2.0, distribution="loglogistic"))[0]


def test_an_unknown_shape_is_said_to_be_unknown():
    one_age = Lives.from_arrays([5] * 6, [True] * 6)
    assert shape_statement(fit_distribution(one_age)) == ("The shape cannot be estimated from these lives.",)
    nothing = Lives.from_arrays(lower=[0], upper=[4])
    assert "nothing can be said" in shape_statement(fit_distribution(nothing, shape=2.0))[0]
