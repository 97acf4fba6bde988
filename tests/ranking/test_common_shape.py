"""Common shape: slopes against differences, two laws by hand, levels that differ and levels that do not."""

import numpy as np
import pandas as pd
import pytest

from tests.studies.attacked_seasons import ATTACKS, CHOICES, attacked_season
from workbench.estimate.likelihood import evaluate_likelihood
from workbench.lives import Lives
from workbench.ranking.checks.common_shape import ShapeCheck, _shape_slopes, common_shapes
from workbench.ranking.choices.rank import rank_choices
from workbench.ranking.model import build_design, fitted_design

from .seasons import make_lives


def test_slopes_are_the_derivative_of_the_log_likelihood_in_the_shape():
    """Against central differences of the log-likelihood in 1 / scale, its other parameters held, life by life."""
    design = build_design(make_lives(1, 60), ["seal", "vent"], ["environment"])
    fitted = fitted_design(design)
    problem, fit, weight = fitted.problem, fitted.best, fitted.weight
    params = np.r_[fit.intercept[0] - problem.shift, fit.coefficients[0], 1.0] / fit.scale[0]
    points = problem.layout.points_of(problem.cells.fold(np.eye(len(weight))))

    def value(move: np.ndarray) -> np.ndarray:
        return evaluate_likelihood(
            problem.layout, problem.family, points, params=np.tile(params + move, (len(points), 1))
        )[0]

    shape, location = np.zeros(len(params)), np.zeros(len(params))
    shape[-1], location[0] = 1e-5, 1e-5
    by_shape, by_location = ((value(move) - value(-move)) / 2e-5 for move in (shape, location))
    along = (weight * by_shape) @ by_location / (weight @ by_location**2)
    assert _shape_slopes(fitted) == pytest.approx(by_shape - along * by_location, abs=1e-5)


def steep_and_flat(n: int = 120) -> Lives:
    """Lives by quantiles of Weibull laws of one median, shape 3 with rings and 0.8 with flat seals."""
    q = (np.arange(n) + 0.5) / n
    ring = np.log(2) ** (-1 / 3) * 150 * (-np.log1p(-q)) ** (1 / 3)
    flat = np.log(2) ** (-1 / 0.8) * 150 * (-np.log1p(-q)) ** (1 / 0.8)
    time = np.r_[ring, flat]
    frame = pd.DataFrame({"seal": np.repeat(["ring", "flat"], n), "site": np.tile([f"s{i}" for i in range(6)], n // 3)})
    return Lives.from_arrays(np.minimum(time, 400), time < 400, covariates=frame)


def test_levels_of_other_shape_are_found_and_get_the_gain_of_their_own_laws():
    """Gain by hand: 2^-((m / 150)^k) at m = 100, of Weibull laws with median 150 and shapes 3 and 0.8."""
    lives = steep_and_flat()
    design = build_design(lives, ["seal"], reference={"seal": "flat"})
    found = common_shapes(fitted_design(design), 100.0)["seal"]
    assert found.differs and "in different ways, beyond chance" in found.sentence
    by_hand = 2 ** -((100 / 150) ** 3) - 2 ** -((100 / 150) ** 0.8)
    assert found.gains["ring"] == pytest.approx(by_hand, abs=0.02)
    row = rank_choices(lives, "seal", mission=100, resamples=60, reference={"seal": "flat"}).of("seal")
    row = row.set_index("level").loc["ring"]
    assert row.shape_p == pytest.approx(found.p_value) and row.gain_own_shapes == pytest.approx(found.gains["ring"])
    assert row.survival_gain < 0 < row.gain_own_shapes  # one time ratio for both has the wrong sign here
    assert row.grade == "unclear" and "(+21 points with a shape for each)" in row.note


def test_levels_of_one_shape_are_not_told_apart():
    same = steep_and_flat()
    frame = same.covariates.assign(seal=np.tile(["ring", "flat"], len(same) // 2))
    found = common_shapes(fitted_design(build_design(same.replace(covariates=frame), ["seal"])), 100.0)["seal"]
    assert not found.differs and found.gains == {} and found.sentence == ""
    assert not ShapeCheck("seal", float("nan"), {}).differs


@pytest.mark.slow
def test_seasons_whose_levels_differ_in_shape_are_found_more_often_than_others():
    def share(name: str) -> float:
        p = [
            common_shapes(
                fitted_design(
                    build_design(attacked_season(ATTACKS[name], 5100 + s)[0], list(CHOICES), ["environment"])
                ),
                180.0,
            )
            for s in range(12)
        ]
        return float(np.mean([x["lid_seal"].differs for x in p]))

    assert share("effects") <= 0.2
    assert share("shapes differ, equal at the mission") >= 0.25


def test_many_rows_are_not_asked():
    lives = make_lives(2, 2100)
    names = np.array([f"LM-{i}" for i in range(len(lives))], dtype=object)
    found = common_shapes(fitted_design(build_design(lives.replace(cluster=names), ["seal"])), 180.0)
    assert np.isnan(found["seal"].p_value) and not found["seal"].differs
