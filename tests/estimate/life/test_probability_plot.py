"""Probability plots: hand-worked ranks, ties, weights and errors; published cases stand in tests/published."""

import numpy as np
import pytest
from scipy import stats

from workbench.errors import EstimateError, UsageError
from workbench.estimate.life.probability_plot import plot_line, plot_points
from workbench.lives import Lives


def test_ranks_worked_by_hand():
    # 5 units: fails 10, leaves 12, fails 20, leaves 20, fails 30
    lives = Lives.from_arrays([10, 12, 20, 20, 30], [1, 0, 1, 0, 1])
    points = plot_points(lives)
    # first: (6 - 0)/(1 + 5) = 1; then 1 + (6 - 1)/(1 + 3) = 2.25, the suspension of day 20 not yet passed;
    # last: 2.25 + (6 - 2.25)/(1 + 1) = 4.125
    np.testing.assert_allclose(points.columns["adjusted_rank"], [1, 2.25, 4.125])
    np.testing.assert_allclose(points.columns["share_failed"], (np.array([1, 2.25, 4.125]) - 0.3) / 5.4)
    # product-limit: 4/5, then 4/5 * 2/3, then 0; positions are the middles of the steps
    after = np.array([0.8, 0.8 * 2 / 3, 0.0])
    middle = 1 - (after + np.r_[1, after[:-1]]) / 2
    np.testing.assert_allclose(plot_points(lives, positions="product-limit").columns["share_failed"], middle)
    assert (points.units, points.failures) == (5, 3)


def test_median_ranks_are_medians_of_the_order_statistics():
    lives = Lives.from_arrays([3, 5, 7, 9], [1, 1, 1, 1])
    share = plot_points(lives, positions="median").columns["share_failed"]
    np.testing.assert_allclose(share, stats.beta.median([1, 2, 3, 4], [4, 3, 2, 1]), rtol=1e-10)


def test_weights_equal_replication():
    lives = Lives.from_arrays([9, 4, 6], [1, 1, 0], weight=[2, 1, 3])
    copies = Lives.from_arrays([9, 4, 6, 6, 9, 6], [1, 1, 0, 0, 1, 0])
    for column in ("time", "adjusted_rank", "share_failed"):
        np.testing.assert_array_equal(plot_points(lives).columns[column], plot_points(copies).columns[column])


@pytest.mark.parametrize(
    ("distribution", "life"),
    [
        ("weibull", stats.weibull_min(1.7, scale=90)),
        ("lognormal", stats.lognorm(0.6, scale=90)),
        ("loglogistic", stats.fisk(2.2, scale=90)),
    ],
)
def test_points_on_a_line_give_the_line_back(distribution, life):
    points = plot_points(Lives.from_arrays(np.arange(1, 21), np.ones(20, dtype=bool)))
    exact = Lives.from_arrays(life.ppf(points.columns["share_failed"]), np.ones(20, dtype=bool))
    expected = {"weibull": (1.7, 90), "lognormal": (np.log(90), 0.6), "loglogistic": (90, 2.2)}[distribution]
    for regress in ("time", "position"):
        line = plot_line(plot_points(exact), distribution, regress=regress)
        np.testing.assert_allclose(list(line.parameters.values()), expected, rtol=1e-9)
        assert line.r_squared == pytest.approx(1)


def test_errors_say_what_to_do():
    interval = Lives.from_arrays(lower=[3, 2], upper=[3, 6])
    with pytest.raises(EstimateError, match=r"row 1: ranks need exact or suspended lives.*from 2 to 6 days"):
        plot_points(interval)
    late = Lives.from_arrays([3, 9], [1, 1], entry=[0, 5])
    with pytest.raises(EstimateError, match="row 1"):
        plot_points(late)
    with pytest.raises(EstimateError, match="between 1 and 100000 failures; got 0"):
        plot_points(Lives.from_arrays([3], [0]))
    with pytest.raises(UsageError, match="positions must be one of benard, median, product-limit"):
        plot_points(Lives.from_arrays([3], [1]), positions="mean")
    with pytest.raises(EstimateError, match="different times above 0; got 3 to 3"):
        plot_line(plot_points(Lives.from_arrays([3, 3], [1, 1])))
    good = plot_points(Lives.from_arrays([3, 4], [1, 1]))
    with pytest.raises(UsageError, match="regress must be one of time, position"):
        plot_line(good, regress="x")
    with pytest.raises(UsageError, match="distribution must be one of"):
        plot_line(good, "gamma")
