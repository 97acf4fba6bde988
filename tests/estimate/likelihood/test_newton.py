"""The batched Newton: derivatives, batches against single fits, laws, and lifelines and scipy as second opinions."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize, special, stats

from workbench.errors import EstimateError, UsageError
from workbench.estimate.likelihood import AftBatch, AftProblem, cell_patterns, expand, fit_batch, patterns
from workbench.estimate.likelihood.aft_layout import cells_of
from workbench.estimate.likelihood.aft_likelihood import PriorCentre, evaluate_likelihood, evaluate_penalty
from workbench.estimate.likelihood.families import FAMILIES

DISTRIBUTIONS = tuple(FAMILIES)


def _mixed(n=60, seed=1):
    """Lives of every kind: exact, suspended, two-sided, early, some of them entering late."""
    rng = np.random.default_rng(seed)
    lower, kind = rng.uniform(1, 50, n), rng.integers(0, 4, n)
    upper = lower.copy()
    upper[kind == 1] = np.inf
    upper[kind == 2] += rng.uniform(1, 30, (kind == 2).sum())
    lower[kind == 3] = 0.0
    entry = np.where((rng.random(n) < 0.4) & (kind != 3), lower * rng.random(n), 0.0)
    entry[kind == 2] = lower[kind == 2]  # seen alive when it came under observation
    return lower, upper, entry, rng.normal(size=(n, 3))


def _field(n=300, k=4, seed=0):
    rng = np.random.default_rng(seed)
    X = (rng.random((n, k)) < 0.4).astype(float)
    life = np.ceil(150 * np.exp(X @ np.linspace(-0.4, 0.4, k)) * rng.weibull(1.5, n))
    left = rng.integers(60, 200, n)
    return np.minimum(life, left), np.where(life <= left, life, np.inf), X


def _points(problem, weights):
    return problem.layout.points_of(problem.cells.fold(np.atleast_2d(weights)))


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_derivatives_equal_finite_differences(distribution):
    lower, upper, entry, X = _mixed()
    precision = np.array([2.0, 0.0, 1.0])
    problem = AftProblem.build(lower, upper, entry, columns=X, precision=precision, distribution=distribution)
    rng = np.random.default_rng(3)
    points, centre = _points(problem, rng.gamma(1.0, size=(2, len(lower)))), rng.normal(size=(2, 3))
    params = np.array([[0.3, 0.2, -0.1, 0.4, 1.3], [-0.5, 0.1, 0.5, -0.4, 0.7]])

    def total(at):
        parts = (
            evaluate_likelihood(problem.layout, problem.family, points, params=at),
            evaluate_penalty(precision, PriorCentre(centre, np.zeros(2)), at),
        )
        return tuple(a + b for a, b in zip(*parts, strict=True))

    _, gradient, curvature = total(params)
    for j in range(params.shape[1]):
        step = np.zeros_like(params)
        step[:, j] = 1e-5
        up, down = total(params + step), total(params - step)
        np.testing.assert_allclose((up[0] - down[0]) / 2e-5, gradient[:, j], rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose((up[1] - down[1]) / 2e-5, curvature[:, j], rtol=1e-6, atol=1e-5)


SCIPY = {
    "weibull": lambda mu, s: stats.weibull_min(1 / s, scale=np.exp(mu)),
    "exponential": lambda mu, s: stats.expon(scale=np.exp(mu)),
    "lognormal": lambda mu, s: stats.lognorm(s, scale=np.exp(mu)),
    "loglogistic": lambda mu, s: stats.fisk(1 / s, scale=np.exp(mu)),
}


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_log_likelihood_equals_scipy_distributions(distribution):
    lower, upper, entry, X = _mixed()
    problem = AftProblem.build(lower, upper, entry, columns=X, distribution=distribution)
    fit = fit_batch(problem, np.ones(len(lower)))
    assert fit.converged[0]
    life = SCIPY[distribution](fit.intercept[0] + X @ fit.coefficients[0], fit.scale[0])
    with np.errstate(divide="ignore"):
        each = np.where(
            lower == upper,
            life.logpdf(np.maximum(lower, 1e-9)),
            np.log(life.sf(lower) - np.where(np.isfinite(upper), life.sf(upper), 0.0)),
        )
    each = each - np.where(entry > 0, life.logsf(entry), 0.0)
    np.testing.assert_allclose(fit.log_likelihood[0], each.sum(), rtol=1e-10)


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_intervals_far_out_and_narrow_keep_their_digits(distribution):
    family = FAMILIES[distribution]
    z1 = np.array([-20.0, -3.0, 0.0, 2.0, 2.5])
    z2 = z1 + np.array([0.5, 1e-3, 1e-8, 1e-3, 0.3])
    middle = (z1 + z2) / 2
    expected = [
        np.log(integrate.quad(lambda z: np.exp(family.exact(np.array([z]))[0][0]), a, b, epsabs=0, epsrel=1e-11)[0])
        for a, b in zip(z1, z2, strict=True)
    ]
    np.testing.assert_allclose(family.between(z1, z2)[0], expected, rtol=1e-7)
    assert np.all(np.diff(family.survival(np.sort(middle))) <= 0)


def test_normal_shares_so_far_out_that_they_underflow_keep_their_logarithm():
    """log(sf(40) - sf(41)) by scipy's log_ndtr, in both tails; the share itself is below the smallest double."""
    tail, next_tail = special.log_ndtr(-40.0), special.log_ndtr(-41.0)
    expected = tail + np.log1p(-np.exp(next_tail - tail))
    found = FAMILIES["lognormal"].between(np.array([40.0, -41.0]), np.array([41.0, -40.0]))[0]
    np.testing.assert_allclose(found, [expected, expected], rtol=1e-12)


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_a_batch_equals_its_single_fits(distribution):
    lower, upper, X = _field(n=120)
    problem = AftProblem.build(lower, upper, np.zeros(120), columns=X, distribution=distribution)
    weights = np.random.default_rng(5).gamma(1.0, size=(7, 120))
    together = fit_batch(problem, weights, covariance=True)
    assert together.converged.all()
    for b in range(7):
        alone = fit_batch(problem, weights[b], covariance=True)
        np.testing.assert_allclose(together.coefficients[b], alone.coefficients[0], rtol=1e-6, atol=1e-8)
        np.testing.assert_allclose(together.log_likelihood[b], alone.log_likelihood[0], rtol=1e-10)
        np.testing.assert_allclose(together.covariance[b], alone.covariance[0], rtol=1e-4, atol=1e-10)


def test_batches_larger_than_one_piece_keep_their_order():
    lower, upper, X = _field(n=400)
    problem = AftProblem.build(lower, upper, np.zeros(400), columns=X, precision=np.full(4, 4.0))
    rng = np.random.default_rng(5)
    weights, centre = rng.gamma(1.0, size=(400, 400)), PriorCentre(rng.normal(0, 0.5, (400, 4)), np.zeros(400))
    together = fit_batch(problem, weights, centre)
    for b in (0, 163, 164, 399):
        alone = fit_batch(problem, weights[b], centre.take(slice(b, b + 1)))
        np.testing.assert_allclose(together.coefficients[b], alone.coefficients[0], rtol=1e-6, atol=1e-8)


@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_weights_equal_replication_and_order_changes_no_digit(distribution):
    lower, upper, entry, X = _mixed(n=40)
    weight = np.random.default_rng(2).integers(1, 5, 40)
    fit = fit_batch(
        AftProblem.build(lower, upper, entry, columns=X, distribution=distribution), weight, covariance=True
    )
    copies = np.random.default_rng(9).permutation(np.repeat(np.arange(40), weight))
    problem = AftProblem.build(
        lower[copies], upper[copies], entry[copies], columns=X[copies], distribution=distribution
    )
    again = fit_batch(problem, np.ones(len(copies)), covariance=True)
    assert len(problem.cells.pattern) == 40
    for name in ("coefficients", "intercept", "scale", "log_likelihood", "covariance"):
        np.testing.assert_array_equal(getattr(again, name), getattr(fit, name))


@pytest.mark.parametrize("distribution", [d for d in DISTRIBUTIONS])
def test_scaling_time_moves_only_the_intercept(distribution):
    lower, upper, entry, X = _mixed()
    fit = fit_batch(AftProblem.build(lower, upper, entry, columns=X, distribution=distribution), np.ones(60))
    for unit in (24, 1 / 365.25):
        problem = AftProblem.build(unit * lower, unit * upper, unit * entry, columns=X, distribution=distribution)
        other = fit_batch(problem, np.ones(60))
        np.testing.assert_allclose(other.coefficients, fit.coefficients, rtol=1e-7, atol=1e-9)
        np.testing.assert_allclose(other.scale, fit.scale, rtol=1e-7)
        np.testing.assert_allclose(other.intercept, fit.intercept + np.log(unit), rtol=1e-8, atol=1e-9)


@pytest.mark.parametrize("unit", [1e6, 1e-6])
def test_the_unit_of_a_column_moves_its_effect_and_its_error_alike(unit):
    """A column counted in other units: effect and standard error divided by the factor, the rest as before."""
    lower, upper, X = _field(200, 2)
    scale = np.array([1.0, 1.0, unit, 1.0])
    plain = fit_batch(AftProblem.build(lower, upper, 0 * lower, columns=X), np.ones(200), covariance=True)
    other = fit_batch(AftProblem.build(lower, upper, 0 * lower, columns=X * scale[1:3]), np.ones(200), covariance=True)
    assert other.coefficients * scale[1:3] == pytest.approx(plain.coefficients, rel=1e-6)
    assert other.covariance * np.outer(scale, scale) == pytest.approx(plain.covariance, rel=1e-5, abs=1e-9)


@pytest.mark.parametrize("distribution", ["weibull", "lognormal", "loglogistic"])
def test_lifelines_gives_the_same_fit(distribution):
    import lifelines

    lower, upper, X = _field()
    entry = np.where(np.arange(300) % 3 == 0, 0.3 * lower, 0.0)
    problem = AftProblem.build(lower, upper, entry, columns=X, distribution=distribution)
    fit = fit_batch(problem, np.ones(300), covariance=True)
    names = {"weibull": "WeibullAFTFitter", "lognormal": "LogNormalAFTFitter", "loglogistic": "LogLogisticAFTFitter"}
    frame = pd.DataFrame(X, columns=list("abcd")).assign(T=lower, E=np.isfinite(upper), start=entry)
    other = getattr(lifelines, names[distribution])().fit(
        frame, "T", "E", entry_col="start", fit_options={"ftol": 1e-13}
    )
    first = other.params_.index.get_level_values(0)[0]
    effects = other.params_[first]
    np.testing.assert_allclose(fit.coefficients[0], effects[list("abcd")], rtol=1e-3, atol=1e-4)
    np.testing.assert_allclose(fit.intercept[0], effects["Intercept"], rtol=1e-4)
    np.testing.assert_allclose(fit.log_likelihood[0], other.log_likelihood_, rtol=1e-7)
    errors = np.sqrt(np.diag(fit.covariance[0]))[1:-1]
    np.testing.assert_allclose(errors, other.standard_errors_[first][list("abcd")], rtol=2e-3)


def test_penalised_maximum_equals_a_general_optimiser_with_late_entry():
    lower, upper, entry, X = _mixed()
    precision, centre = np.array([4.0, 1.0, 9.0]), np.array([0.3, -0.2, 0.0])
    problem = AftProblem.build(lower, upper, entry, columns=X, precision=precision)
    fit = fit_batch(problem, np.ones(60), PriorCentre(centre[None, :], np.zeros(1)))

    def minus(values):
        mu, s = values[0] + X @ values[1:4], np.exp(values[4])
        life = stats.weibull_min(1 / s, scale=np.exp(mu))
        with np.errstate(divide="ignore"):
            each = np.where(
                lower == upper,
                life.logpdf(np.maximum(lower, 1e-9)),
                np.log(life.sf(lower) - np.where(np.isfinite(upper), life.sf(upper), 0.0)),
            )
        prior = 0.5 * np.sum(precision * (values[1:4] - centre) ** 2)
        return prior - np.sum(each - np.where(entry > 0, life.logsf(entry), 0.0))

    found = optimize.minimize(minus, [3.5, 0, 0, 0, 0.0], method="BFGS", options={"gtol": 1e-7})
    np.testing.assert_allclose(fit.coefficients[0], found.x[1:4], atol=2e-4)
    np.testing.assert_allclose([fit.intercept[0], np.log(fit.scale[0])], found.x[[0, 4]], atol=2e-4)


def test_scale_can_be_held():
    lower, upper, X = _field()
    problem = AftProblem.build(lower, upper, np.zeros(300), columns=X)
    held = fit_batch(problem, np.ones((2, 300)), scale=np.array([1.0, 0.5]), covariance=True)
    exponential = fit_batch(
        AftProblem.build(lower, upper, np.zeros(300), columns=X, distribution="exponential"), np.ones(300)
    )
    np.testing.assert_allclose(held.scale, [1.0, 0.5])
    np.testing.assert_allclose(held.coefficients[0], exponential.coefficients[0], rtol=1e-6)
    assert np.all(held.covariance[:, -1] == 0)


@pytest.mark.parametrize("scale", [None, 0.8])
def test_a_fit_lost_from_its_start_is_begun_anew(scale):
    """A start so far off that the likelihood is no number must not change what is found."""
    lower, upper, X = _field(200, 2)
    problem = AftProblem.build(lower, upper, 0 * lower, columns=X)
    plain = fit_batch(problem, np.ones(200), scale=scale)
    lost = AftBatch(plain.coefficients + 1e5, plain.intercept - 1e6, plain.scale, plain.log_likelihood, plain.converged)
    found = fit_batch(problem, np.ones(200), start=lost, scale=scale)
    assert found.converged.all()
    assert found.coefficients == pytest.approx(plain.coefficients, abs=1e-6)
    assert (found.intercept[0], found.scale[0]) == pytest.approx((plain.intercept[0], plain.scale[0]), abs=1e-6)


@pytest.mark.parametrize(("most", "groups", "loose"), [(1, 1, 6), (2, 4, 3), (9, 2, 2), (60, 1, 0)])
def test_designs_too_wide_for_products_have_the_same_derivatives(monkeypatch, most, groups, loose):
    """A column of three values between two numbers and three of two values, summed alone or together."""
    lower, upper, entry, X = _mixed()
    X = np.column_stack([X.round(0).clip(-1, 1)[:, :1], X[:, 1:], (np.arange(60)[:, None] % [2, 3, 5] == 0)])
    problem = AftProblem.build(lower, upper, entry, columns=X)
    assert problem.layout.patterns.products is not None
    monkeypatch.setattr(patterns, "MOST_PRODUCTS", 0)
    monkeypatch.setattr(patterns, "MOST_ROWS", most)
    wide = AftProblem.build(lower, upper, entry, columns=X).layout
    assert (len(wide.patterns.groups), len(wide.patterns.loose)) == (groups, loose)
    points = _points(problem, np.random.default_rng(0).gamma(1.0, size=(3, len(lower))))
    params = np.tile([0.3, 0.2, -0.1, 0.4, 0.1, -0.2, 0.3, 1.3], (3, 1))
    for mine, other in zip(
        evaluate_likelihood(wide, problem.family, points, params=params),
        evaluate_likelihood(problem.layout, problem.family, points, params=params),
        strict=True,
    ):
        assert mine == pytest.approx(other, rel=1e-11, abs=1e-11)


@pytest.mark.parametrize("distinct", [True, False], ids=["all lives differ", "lives alike"])
def test_weights_of_cells_are_never_taken_as_those_of_lives(distinct):
    lower, upper, X = _field()
    lower = lower + np.arange(300) / 1000 if distinct else lower
    problem = AftProblem.build(lower, np.where(np.isfinite(upper), lower, np.inf), np.zeros(300), columns=X)
    folded = problem.cells.fold(np.arange(1.0, 301)[None, :])
    assert (len(problem.cells.pattern) == 300) == distinct
    assert folded.values.sum() == pytest.approx(np.arange(1.0, 301).sum())
    with pytest.raises(TypeError):
        fit_batch(problem, folded)  # type: ignore[arg-type]
    for size in (299, 301, len(problem.cells.pattern) - 1):
        with pytest.raises(ValueError, match=f"{size} weights for 300 lives"):
            fit_batch(problem, np.ones(size))


def test_a_prior_of_the_shape_is_centred_apart_from_those_of_the_effects():
    """With one effect and a strong prior, each centre must pull its own parameter."""
    lower, upper, X = _field(k=1)
    problem = replace(
        AftProblem.build(lower, upper, np.zeros(300), columns=X, precision=np.array([1e6])), shape_precision=1e6
    )
    fit = fit_batch(problem, np.ones(300), PriorCentre(np.array([[0.3]]), np.array([-0.5])))
    assert fit.coefficients[0, 0] == pytest.approx(0.3, abs=1e-3)
    assert -np.log(fit.scale[0]) == pytest.approx(-0.5, abs=1e-3)


def test_a_start_is_one_fit():
    lower, upper, X = _field(k=1)
    problem = AftProblem.build(lower, upper, np.zeros(300), columns=X)
    several = fit_batch(problem, np.ones((3, 300)))
    with pytest.raises(ValueError):
        fit_batch(problem, np.ones(300), start=several)


@pytest.mark.parametrize("late", [False, True], ids=["from start", "late entry"])
@pytest.mark.parametrize("distribution", DISTRIBUTIONS)
def test_a_step_over_score_sums_has_the_slopes_and_the_curvature_of_the_likelihood(distribution, late):
    """By the derivatives of the whole likelihood; solved with them as numpy does, in effects and log scale."""
    lower, upper, entry, X = _mixed()
    entry = entry if late else 0 * entry
    problem = replace(
        AftProblem.build(lower, upper, entry, columns=X, precision=np.full(X.shape[1], 2.0), distribution=distribution),
        shape_precision=1.0,
    )
    rng = np.random.default_rng(3)
    base, weights = np.ones(len(lower)), rng.gamma(1.0, size=(4, len(lower)))
    centre = PriorCentre(rng.normal(0, 0.3, (4, X.shape[1])), rng.normal(0, 0.3, 4))
    fit = fit_batch(problem, base)
    around = expand(problem, fit, weights=base, free_scale=True)
    params = np.tile(np.r_[fit.intercept[0] - problem.shift, fit.coefficients[0], 1.0] / fit.scale[0], (4, 1))
    points = _points(problem, weights)
    gradient = evaluate_likelihood(problem.layout, problem.family, points, params=params)[1]
    np.testing.assert_allclose(around.score_sums(points), gradient, rtol=1e-9, atol=1e-9)
    pull = evaluate_penalty(problem.precision, centre, params, shape_precision=1.0)[1]
    none = PriorCentre.at_zero(1, X.shape[1])
    curvature = (
        evaluate_likelihood(problem.layout, problem.family, _points(problem, base[None]), params=params[:1])[2]
        + evaluate_penalty(problem.precision, none, params[:1], shape_precision=1.0)[2]
    )[0]
    step = np.linalg.solve(-curvature, (gradient + pull).T).T
    a, effect = params[:, -1:], params[:, :-1] / params[:, -1:]
    stepped = around.stepped(gradient, centre)
    assert stepped[:, -1:] == pytest.approx(a * np.exp(step[:, -1:] / a), rel=1e-6)
    expected = effect + (step[:, :-1] - effect * step[:, -1:]) / a
    assert stepped[:, :-1] / stepped[:, -1:] == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_a_step_over_score_sums_that_leads_far_off_is_not_begun_from():
    lower, upper, X = _field(200, 2)
    problem = AftProblem.build(lower, upper, 0 * lower, columns=X)
    around = expand(problem, fit_batch(problem, np.ones(200)), weights=np.ones(200), free_scale=True)
    points = _points(problem, np.array([np.ones(200), np.where(np.isfinite(upper), 1e6, 1.0)]))
    begun = around.begun(points, PriorCentre.at_zero(2, 2))
    assert begun[0] == pytest.approx(around.params, abs=1e-4)
    assert begun[1].tolist() == around.params.tolist()


def test_cells_join_only_rows_that_are_alike():
    lower, upper = np.array([5.0, 5, 5, 0, 5]), np.array([5.0, np.inf, 5, 5, 7])
    cells = cells_of(lower, upper, np.zeros(5), pattern=np.array([0, 0, 0, 0, 0]))
    assert len(cells.pattern) == 4
    assert cells.cell_of[0] == cells.cell_of[2]
    np.testing.assert_array_equal(cells.lower[cells.cell_of], lower)
    np.testing.assert_array_equal(cells.upper[cells.cell_of], upper)
    distinct, pattern = cell_patterns(np.array([[0.0, 1], [1, 0], [0, 1]]))
    assert len(distinct) == 2
    assert pattern[0] == pattern[2] != pattern[1]


def test_patterns_are_the_distinct_rows_also_where_their_keys_collide():
    """The second row is made to have the key of the first; without rows or columns there is one pattern or none."""
    u = np.random.default_rng(20240501).uniform(1.0, 2.0, size=2)
    columns = np.array([[0.0, 0.0], [u[1], -u[0]], [0.0, 0.0], [1.0, 2.0]])
    distinct, pattern = cell_patterns(columns)
    assert len(distinct) == 3
    assert distinct[pattern].tolist() == columns.tolist()
    for n, k, rows in ((3, 0, 1), (0, 2, 0), (0, 0, 0)):
        distinct, pattern = cell_patterns(np.zeros((n, k)))
        assert distinct.shape == (rows, k) and pattern.tolist() == [0] * n


def test_a_fit_without_maximum_is_not_called_one():
    one_age = AftProblem.build(np.array([5.0, 5]), np.array([5.0, 5]), np.zeros(2), columns=np.zeros((2, 0)))
    fit = fit_batch(one_age, np.ones(2))
    assert not fit.converged[0] or fit.scale[0] < 1e-5


def test_a_failure_at_time_zero_is_refused_with_its_row():
    with pytest.raises(EstimateError, match=r"row 1: the failure is at time 0.*lower=0, upper=1"):
        AftProblem.build(np.array([3.0, 0]), np.array([3.0, 0]), np.zeros(2), columns=np.zeros((2, 0)))


def test_an_unknown_distribution_names_the_known_ones():
    with pytest.raises(UsageError, match="weibull, exponential, lognormal, loglogistic; got 'weibul'; did you mean"):
        AftProblem.build(np.ones(2), np.ones(2), np.zeros(2), columns=np.zeros((2, 0)), distribution="weibul")
