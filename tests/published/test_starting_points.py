"""Regressions of published cases reach one maximum from wherever the climb starts; sources stand in parametric.json."""

import numpy as np
import pandas as pd
import pytest

from tests.published.test_parametric import CASES, _cosmesis, _cracks, _motorettes, _tobin
from workbench.estimate.likelihood import AftBatch, AftProblem, fit_batch
from workbench.lives import Lives


def _regressions():
    yield "six rows", _tiny_lives(), ["x"], "weibull"
    yield "motorettes", _motorettes()[0], ["x"], "lognormal"
    yield "left-censored", _tobin()[0], ["age", "quant"], "lognormal"
    for distribution in ("weibull", "lognormal", "loglogistic"):
        yield f"cosmesis {distribution}", _cosmesis()[0], ["arm"], distribution
    yield "cracks", _cracks()[0], [], "weibull"


def _tiny_lives():
    data = CASES["par-tiny"]["data"]
    return Lives.from_arrays(data["time"], data["event"], covariates={"x": np.array(data["x"], dtype=float)})


@pytest.mark.parametrize("case", list(_regressions()), ids=lambda c: c[0])
@pytest.mark.parametrize("precision", [0.0, 4.0])
@pytest.mark.parametrize("late", [False, True], ids=["from start", "late entry"])
def test_five_starting_points_lead_to_one_maximum(case, precision, late):
    _, lives, terms, distribution = case
    entry = np.where(lives.lower > 0, 0.3 * lives.lower, 0.0) if late else lives.entry
    columns = [_standard(lives.covariates[t]) for t in terms]
    X = np.column_stack([*columns, np.zeros((len(lives), 0))])
    problem = AftProblem.build(
        lives.lower, lives.upper, entry, columns=X, precision=np.full(len(terms), precision), distribution=distribution
    )
    weight = lives.weight[None, :].astype(float)
    fit = fit_batch(problem, weight)
    assert fit.converged[0]
    centre = fit.intercept[0]
    for shift, scale, effect in ((0, 1, 0), (2, 0.3, 0.5), (-1, 2, -1), (1, 3, 1), (-0.5, 0.5, 0.3)):
        start = AftBatch(
            np.full((1, len(terms)), float(effect)),
            np.array([centre + shift]),
            np.array([float(scale)]),
            np.zeros(1),
            np.ones(1, dtype=bool),
        )
        again = fit_batch(problem, weight, start=start)
        assert again.converged[0]
        np.testing.assert_allclose(again.log_likelihood, fit.log_likelihood, rtol=1e-9)
        np.testing.assert_allclose(again.coefficients, fit.coefficients, rtol=1e-5, atol=1e-6)
        np.testing.assert_allclose(again.scale, fit.scale, rtol=1e-5)


def _standard(column):
    if isinstance(column.dtype, pd.CategoricalDtype):
        return column.cat.codes.to_numpy(dtype=float)
    return ((column - column.mean()) / column.std(ddof=0)).to_numpy()
