"""Law of fits: a life distribution agrees with itself: curve and ages, likelihood and AIC, limits and estimates."""

import numpy as np
import pytest

from tests.laws.comparing import answer, holds
from tests.laws.data import Rows
from tests.laws.registry import QUESTIONS
from workbench.errors import WorkbenchError

FITS = ("weibull", "lognormal", "gamma", "weibull, shape given")
SEARCHED = 1e-6


def law_of_ages(name: str, rows: Rows) -> None:
    """The share alive falls from 1 and is 1 - p at the age by which the share p has failed."""
    try:
        fit = QUESTIONS[name].ask(rows.lives(), rows.horizon)
    except WorkbenchError:
        return
    if np.isnan(fit.log_likelihood):
        assert fit.notes and fit.quantile(0.5)["time"].isna().all()
        return
    shares = np.array([0.05, 0.1, 0.5, 0.9])
    ages = fit.quantile(shares)
    np.testing.assert_allclose(fit.survival(ages["time"].to_numpy(float)), 1 - shares, atol=1e-9)
    alive = fit.survival(rows.horizon * np.array([0.0, 0.1, 0.5, 1.0, 4.0]))
    assert alive[0] == 1.0 and (np.diff(alive) <= 0).all() and (alive >= 0).all()
    assert (np.diff(ages["time"]) > 0).all()
    known = ages.dropna()
    slack = SEARCHED * known["time"]
    assert (known["lower"] <= known["time"] + slack).all() and (known["time"] <= known["upper"] + slack).all()


def law_of_likelihood(name: str, rows: Rows) -> None:
    """AIC counts the parameters, whose limits enclose them; a shape that is given never fits better than a free one."""
    found = answer(name, rows)
    value = np.nan if isinstance(found, str) else found["log_likelihood"]["value"][0]
    if np.isnan(value):
        return
    table = found["table"]
    free = 1 if name == "weibull, shape given" else 2
    assert found["aic"]["value"][0] == pytest.approx(2 * free - 2 * value)
    known = table.dropna(subset=["estimate", "lower", "upper"])
    slack = SEARCHED * known["estimate"].abs()
    assert (known["lower"] <= known["estimate"] + slack).all()
    assert (known["estimate"] <= known["upper"] + slack).all()
    best = answer("weibull", rows)
    if (
        name == "weibull, shape given"
        and not isinstance(best, str)
        and not np.isnan(best["log_likelihood"]["value"][0])
    ):
        assert value <= best["log_likelihood"]["value"][0] + SEARCHED * abs(value)


@pytest.mark.parametrize("name", FITS)
def test_ages_of_a_fit_are_where_its_curve_reaches_their_share(name):
    holds(law_of_ages, name)


@pytest.mark.parametrize("name", FITS)
def test_likelihood_of_a_fit_counts_its_parameters(name):
    holds(law_of_likelihood, name)
