"""Law of fits: a life distribution agrees with itself: curve and ages, likelihood and AIC, limits and estimates."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import chi2, gamma, lognorm, weibull_min

from tests.laws.comparing import answer, holds
from tests.laws.data import AWKWARD, ENOUGH, INF, Rows
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


def log_likelihood_of(distribution: str, rows: Rows, first: float, second: float) -> float:
    """The log-likelihood of the rows by the distributions of scipy: parameters as in the table of the fit."""
    law = {
        "weibull": lambda: weibull_min(first, scale=second),
        "lognormal": lambda: lognorm(second, scale=np.exp(first)),
        "gamma": lambda: gamma(first, scale=second),
    }[distribution]()
    lower, upper, entry, weight = (rows.table[c].to_numpy(float) for c in ("lower", "upper", "entry", "weight"))
    exact, wide = lower == upper, np.isfinite(upper) & (upper > lower)
    with np.errstate(divide="ignore", invalid="ignore"):
        span = law.logsf(lower) + np.log(-np.expm1(law.logsf(np.where(wide, upper, INF)) - law.logsf(lower)))
        told = np.where(exact, law.logpdf(lower), np.where(wide, span, law.logsf(lower)))
        total = float(weight @ (told - law.logsf(entry)))
    return total if np.isfinite(total) else -INF


def law_of_sums(name: str, rows: Rows) -> None:
    """The log-likelihood is the sum over units; it is largest at the fit, and its curvature there gives the errors."""
    found = answer(name, rows)
    if isinstance(found, str) or not np.isfinite(best := found["log_likelihood"]["value"][0]):
        return
    table, distribution = found["table"], name.split(",")[0]
    fit = table["estimate"].to_numpy(float)
    scale = float(rows.table["lower"].max())

    def at(coordinates: np.ndarray) -> float:
        values = np.where(logged, np.exp(coordinates), coordinates)
        return log_likelihood_of(distribution, rows, *values)

    logged = np.array([distribution != "lognormal", True])
    centre = np.where(logged, np.log(np.where(logged, fit, 1.0)), fit)
    assert at(centre) == pytest.approx(best, rel=1e-6, abs=1e-6), scale
    free = [1] if name == "weibull, shape given" else [0, 1]
    step, curvature = 1e-3, np.zeros((2, 2))
    for i in free:
        for j in free:
            a, b = step * np.eye(2)[i], step * np.eye(2)[j]
            corners = at(centre + a + b) - at(centre + a - b) - at(centre - a + b) + at(centre - a - b)
            curvature[i, j] = corners / (4 * step**2)
        slope = (at(centre + a) - at(centre - a)) / (2 * step)
        assert abs(slope) < 1e-3 * max(1.0, abs(curvature[i, i])), f"slope {slope} of {table['parameter'][i]}"
    if np.linalg.cond(curvature[np.ix_(free, free)]) < 1e4:  # else differences lose their digits
        errors = np.sqrt(np.diag(np.linalg.inv(-curvature[np.ix_(free, free)]))) * np.where(logged, fit, 1.0)[free]
        np.testing.assert_allclose(table["std_error"].to_numpy(float)[free], errors, rtol=2e-3)


def law_of_drops(name: str, rows: Rows) -> None:
    """At a limit the likelihood, whatever the other parameter, lies half the 95 % point of chi-square lower."""
    found = answer(name, rows)
    if isinstance(found, str) or not np.isfinite(best := found["log_likelihood"]["value"][0]):
        return
    table, distribution = found["table"], name.split(",")[0]
    for column in ("lower", "upper"):
        for place in [1] if name == "weibull, shape given" else [0, 1]:
            limit, other = table[column][place], table["estimate"][1 - place]
            if not np.isfinite(limit):
                continue

            def beside(moved: float, place: int = place, limit: float = limit, other: float = other) -> float:
                held = other * np.exp(moved) if distribution != "lognormal" or place == 0 else other + moved
                first, second = (limit, held) if place == 0 else (held, limit)
                return -log_likelihood_of(distribution, rows, first, second)

            near = beside(0.0) if name == "weibull, shape given" else minimize_scalar(beside, bounds=(-6, 6)).fun
            assert best + near == pytest.approx(chi2.ppf(0.95, 1) / 2, rel=5e-3), (
                f"{column} of {table['parameter'][place]}"
            )


@pytest.mark.parametrize("name", FITS)
def test_the_likelihood_of_a_fit_is_a_sum_over_units(name):
    holds(law_of_sums, name, sets=("late entry", "heavy weights"))


@pytest.mark.parametrize("name", FITS)
def test_limits_of_a_fit_lie_where_the_likelihood_has_dropped(name):
    for label in ("season, mixed", "ties", "late entry"):
        law_of_drops(name, (AWKWARD | ENOUGH)[label])


def test_without_failures_the_bound_is_where_seeing_none_is_as_unlikely_as_the_level_says():
    rows = AWKWARD["none failed"]
    shown = answer("weibull, shape given", rows)["table"].set_index("parameter").loc["scale"]
    assert np.isnan(shown["estimate"]) and np.isnan(shown["upper"])
    assert np.exp(log_likelihood_of("weibull", rows, 2.0, shown["lower"])) == pytest.approx(1 - 0.95)
