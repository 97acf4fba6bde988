"""Life distributions: likelihood limits, second opinions, fixed shapes, awkward lives, sentences and errors."""

import math

import numpy as np
import pytest
from scipy import optimize, stats

from workbench.errors import EstimateError, UsageError
from workbench.estimate.life.distributions import fit_distribution
from workbench.estimate.life.life_forms import cumulative_hazard, log_hazard, log_quantile
from workbench.lives import Lives

ALL = ("weibull", "exponential", "lognormal", "loglogistic", "gamma")
FROZEN = {
    "weibull": lambda shape, scale: stats.weibull_min(shape, scale=scale),
    "exponential": lambda scale: stats.expon(scale=scale),
    "lognormal": lambda mu, sigma: stats.lognorm(sigma, scale=np.exp(mu)),
    "loglogistic": lambda scale, shape: stats.fisk(shape, scale=scale),
    "gamma": lambda shape, scale: stats.gamma(shape, scale=scale),
}


def _frozen(fit):
    return FROZEN[fit.distribution](**fit.parameters)


def _mixed(n=60, seed=4):
    rng = np.random.default_rng(seed)
    life = 100 * rng.weibull(1.6, n)
    entry = np.where(rng.random(n) < 0.3, 15.0, 0.0)
    seen = life > entry
    life, entry = life[seen], entry[seen]
    kind = rng.integers(0, 4, len(life))
    left = 30 + 120 * rng.random(len(life))
    lower = np.where(kind == 0, life, np.where(kind == 1, np.minimum(life, left), np.floor(life / 20) * 20))
    upper = np.where(kind == 0, life, np.where(kind == 1, np.where(life <= left, life, np.inf), lower + 20))
    lower = np.where((kind == 3) & (entry == 0), 0.0, lower)
    return Lives.from_arrays(lower=lower, upper=upper, entry=entry)


def _log_likelihood(life, lives):
    with np.errstate(divide="ignore"):
        each = np.where(
            lives.exact,
            life.logpdf(np.maximum(lives.lower, 1e-9)),
            np.log(life.sf(lives.lower) - np.where(lives.failed, life.sf(lives.upper), 0.0)),
        )
    return float(lives.weight @ (each - np.where(lives.entry > 0, life.logsf(lives.entry), 0.0)))


@pytest.mark.parametrize("distribution", ALL)
def test_log_likelihood_survival_and_quantiles_equal_scipy(distribution):
    lives = _mixed()
    fit = fit_distribution(lives, distribution)
    life = _frozen(fit)
    assert fit.log_likelihood == pytest.approx(_log_likelihood(life, lives), rel=1e-9)
    t, p = np.array([0.0, 1, 50, 400]), np.array([0.001, 0.1, 0.5, 0.99])
    np.testing.assert_allclose(fit.survival(t), life.sf(t), rtol=1e-9)
    np.testing.assert_allclose(fit.quantile(p)["time"], life.ppf(p), rtol=1e-8)
    assert fit.aic == pytest.approx(2 * len(fit.parameters) - 2 * fit.log_likelihood)
    assert fit.survival([[1, 2], [3, 4]]).shape == (2, 2)
    assert fit.survival(50).shape == ()


@pytest.mark.parametrize("distribution", ["weibull", "lognormal", "loglogistic", "gamma"])
def test_no_neighbour_is_more_likely(distribution):
    lives = _mixed()
    fit = fit_distribution(lives, distribution)
    values = list(fit.parameters.values())
    for change in ((1e-3, 0), (-1e-3, 0), (0, 1e-3), (0, -1e-3)):
        moved = FROZEN[distribution](*(v * (1 + c) for v, c in zip(values, change, strict=True)))
        assert _log_likelihood(moved, lives) < fit.log_likelihood


@pytest.mark.parametrize("distribution", ["weibull", "lognormal", "loglogistic", "gamma"])
def test_limits_are_where_the_profile_likelihood_has_fallen(distribution):
    lives = _mixed(n=30)
    fit = fit_distribution(lives, distribution, confidence=0.9)
    drop = stats.chi2.ppf(0.9, 1) / 2
    first, second = fit.parameters.values()

    def value(logs):
        return -_log_likelihood(FROZEN[distribution](*(first * np.exp(logs[0]), second * np.exp(logs[1]))), lives)

    def profile(place, at):
        def along(other):
            logs = [0.0, 0.0]
            logs[place], logs[1 - place] = at, other
            return value(logs)

        return -optimize.minimize_scalar(along, bracket=(-0.1, 0.1)).fun

    for place, row in enumerate(fit.table.itertuples(index=False)):
        for limit in (row.lower, row.upper):
            assert profile(place, np.log(limit / row.estimate)) == pytest.approx(fit.log_likelihood - drop, abs=1e-4)


def test_quantile_and_survival_limits_are_likelihood_limits():
    lives = _mixed(n=30)
    fit = fit_distribution(lives)
    drop = stats.chi2.ppf(0.95, 1) / 2

    def profile(log_time, p):  # best Weibull that passes through the point (time, p)
        def minus(log_shape):
            shape = np.exp(log_shape)
            scale = np.exp(log_time) / (-np.log1p(-p)) ** (1 / shape)
            return min(-_log_likelihood(stats.weibull_min(shape, scale=scale), lives), 1e9)

        return -optimize.minimize_scalar(minus, bounds=(-2, 3), method="bounded", options={"xatol": 1e-8}).fun

    for row in fit.quantile([0.01, 0.1, 0.5, 0.9]).itertuples(index=False):
        for limit in (row.lower, row.upper):
            assert profile(np.log(limit), row.p) == pytest.approx(fit.log_likelihood - drop, abs=1e-4)
    row = fit.at([40.0]).iloc[0]
    for limit in (row["lower"], row["upper"]):
        assert profile(np.log(40.0), 1 - limit) == pytest.approx(fit.log_likelihood - drop, abs=1e-4)
    assert fit.at([0.0]).iloc[0].tolist() == [0, 1, 1, 1]


def test_one_parameter_limits():
    # 5 failures in 100 unit-days: l(scale) = -5 log(scale) - 100 / scale
    lives = Lives.from_arrays([10, 15, 20, 25, 30], np.ones(5, dtype=bool))
    fit = fit_distribution(lives, "exponential")
    row = fit.table.iloc[0]
    assert row["estimate"] == pytest.approx(20)
    assert row["std_error"] == pytest.approx(20 / np.sqrt(5))

    def fall(scale):
        return -5 * np.log(scale) - 100 / scale - (-5 * np.log(20) - 5) + stats.chi2.ppf(0.95, 1) / 2

    assert row["lower"] == pytest.approx(optimize.brentq(fall, 2, 20), rel=1e-7)
    assert row["upper"] == pytest.approx(optimize.brentq(fall, 20, 200), rel=1e-7)


@pytest.mark.parametrize("distribution", ALL)
def test_weights_equal_replication_and_order_changes_no_digit(distribution):
    lives = _mixed(n=30)
    weight = np.random.default_rng(1).integers(1, 4, len(lives))
    joined = fit_distribution(lives.replace(weight=weight), distribution)
    rows = np.random.default_rng(2).permutation(np.repeat(np.arange(len(lives)), weight))
    spread = fit_distribution(lives.take(rows), distribution)
    np.testing.assert_array_equal(joined.columns["estimate"], spread.columns["estimate"])
    np.testing.assert_array_equal(joined.columns["upper"], spread.columns["upper"])
    assert joined.check.statistic == spread.check.statistic


@pytest.mark.parametrize("distribution", ALL)
def test_scaling_time_scales_the_answer(distribution):
    lives = _mixed(n=30)
    hours = Lives.from_arrays(lower=24 * lives.lower, upper=24 * lives.upper, entry=24 * lives.entry, unit="hours")
    days, other = fit_distribution(lives, distribution), fit_distribution(hours, distribution)
    np.testing.assert_allclose(
        other.quantile([0.1, 0.5]).iloc[:, 1:], 24 * days.quantile([0.1, 0.5]).iloc[:, 1:], rtol=1e-4
    )


@pytest.mark.parametrize("name", ["WeibullFitter", "LogNormalFitter", "LogLogisticFitter", "ExponentialFitter"])
def test_lifelines_gives_the_same_fit_with_late_entry(name):
    import lifelines

    rng = np.random.default_rng(6)
    life, entry = 100 * rng.weibull(1.6, 200), np.where(rng.random(200) < 0.4, 10.0, 0.0)
    life, entry = life[life > entry], entry[life > entry]
    time, failed = np.minimum(life, 120), life <= 120
    other = getattr(lifelines, name)().fit(time, failed, entry=entry)
    ours = fit_distribution(Lives.from_arrays(time, failed, entry=entry), name.removesuffix("Fitter").lower())
    assert ours.log_likelihood == pytest.approx(other.log_likelihood_, rel=1e-7)
    at = np.array([20.0, 60, 110])
    np.testing.assert_allclose(ours.survival(at), other.survival_function_at_times(at), rtol=2e-3)


def test_forms_agree_with_each_other_at_their_special_cases():
    t = np.array([0.5, 20.0, 300.0])
    mean = np.log(40.0)
    weibull = cumulative_hazard("weibull", np.array([[mean, 0.0]]), t)
    np.testing.assert_allclose(cumulative_hazard("gamma", np.array([[0.0, mean]]), t), weibull, rtol=1e-10)
    np.testing.assert_allclose(log_hazard("gamma", np.array([[0.0, mean]]), t), [[-mean] * 3], rtol=1e-9)
    np.testing.assert_allclose(log_hazard("exponential", np.array([[mean, 0.0]]), t), [[-mean] * 3], rtol=1e-9)
    # far below the smallest number of the incomplete gamma function
    far = log_quantile("gamma", np.array([[np.log(0.002), 0.0]]), np.array([0.1]))[0, 0]
    # there the share failed by t is t^shape / gamma(shape + 1)
    assert far == pytest.approx((np.log(0.1) + math.lgamma(1.002)) / 0.002, rel=1e-9)


def test_a_fixed_shape_is_said_and_has_only_a_scale():
    lives = Lives.from_arrays([50, 80, 100, 100], [True, True, False, False])
    fit = fit_distribution(lives, shape=2.0)
    table = fit.table.set_index("parameter")
    assert table.loc["shape", "estimate"] == 2
    assert table.loc["shape", ["std_error", "lower", "upper"]].isna().all()
    # closed form: scale^shape = sum t^shape / failures
    assert table.loc["scale", "estimate"] == pytest.approx(np.sqrt((50**2 + 80**2 + 2 * 100**2) / 2))
    assert fit.notes[0] == "The shape 2 was assumed, not estimated."
    assert fit.aic == pytest.approx(2 - 2 * fit.log_likelihood)
    assert table.loc["scale", "lower"] < table.loc["scale", "estimate"] < table.loc["scale", "upper"]


def test_a_fixed_shape_without_failures_gives_a_bound_only():
    lives = Lives.from_arrays([60, 90, 90], [False] * 3, entry=[0, 30, 0])
    fit = fit_distribution(lives, shape=2.0, confidence=0.9)
    exposure = 60**2 + (90**2 - 30**2) + 90**2
    row = fit.table.set_index("parameter").loc["scale"]
    # one-sided: exp(-exposure / scale^2) = 0.1
    assert row["lower"] == pytest.approx(np.sqrt(exposure / np.log(10)))
    assert row[["estimate", "std_error", "upper"]].isna().all()
    b10 = fit.quantile(0.1).iloc[0]
    assert b10["lower"] == pytest.approx(row["lower"] * np.sqrt(-np.log(0.9)))
    assert b10[["time", "upper"]].isna().all()
    assert np.isnan(fit.survival(10))
    assert any("No failures in 3 units" in n for n in fit.notes)
    assert any("one-sided 90 % bound" in n for n in fit.notes)


def test_limits_with_a_fixed_shape_are_those_of_exponential_powers():
    """Time to the power of the shape is exponential, with the scale to that power; the shape is no open end."""
    time = np.array([50, 80, 100, 100, 120.0])
    fit = fit_distribution(Lives.from_arrays(time, [1, 1, 0, 1, 0]), shape=2.0)
    powers = fit_distribution(Lives.from_arrays(time**2, [1, 1, 0, 1, 0]), "exponential")
    mine = fit.table.set_index("parameter").loc["scale", ["lower", "upper"]].to_numpy(dtype=float)
    other = powers.table.iloc[0][["lower", "upper"]].to_numpy(dtype=float)
    assert mine == pytest.approx(np.sqrt(other), rel=1e-6)
    assert not any("set no limit" in note for note in fit.notes)


@pytest.mark.parametrize("unit", [1.0, 1 / 365.25])
def test_the_bound_without_failures_knows_no_unit_of_time(unit):
    lives = Lives.from_arrays(np.array([60, 90, 90]) * unit, [False] * 3)
    bound = fit_distribution(lives, shape=1.5).table.set_index("parameter").loc["scale", "lower"]
    # one-sided 95 %: exp(-exposure / scale^shape) = 0.05
    assert bound == pytest.approx(unit * ((60**1.5 + 2 * 90**1.5) / np.log(20)) ** (1 / 1.5))


def test_units_never_watched_bound_nothing():
    fit = fit_distribution(Lives.from_arrays([0, 0], [False, False]), shape=2.0)
    assert np.isnan(fit.columns["lower"]).all()
    assert any("No failures in 2 units" in note for note in fit.notes)
    assert not any("one-sided" in note for note in fit.notes)


def test_a_plain_fit_has_nothing_to_add():
    time = np.ceil(100 * stats.weibull_min(1.5).ppf((np.arange(40) + 0.5) / 40))
    assert fit_distribution(Lives.from_arrays(time, np.ones(40))).notes == ()


AWKWARD = {
    "all suspended": dict(time=[5, 6, 7], failed=[0, 0, 0]),
    "last only": dict(time=[5, 6, 7, 8, 9], failed=[0, 0, 0, 0, 1]),
    "first only": dict(time=[5, 6, 7, 8, 9], failed=[1, 0, 0, 0, 0]),
    "one age": dict(time=[5, 5, 5], failed=[1, 1, 1]),
    "one life": dict(time=[5], failed=[1]),
    "heavy ties": dict(time=[5, 5, 5, 9, 9, 9], failed=[1, 1, 1, 1, 0, 0]),
    "split looks": dict(lower=[0, 0, 5, 5], upper=[1, 1, np.inf, np.inf]),
    "young ones failed": dict(lower=[0, 0, 5, 1], upper=[1, 2, np.inf, np.inf]),
    "all failed before seen": dict(lower=[0, 0], upper=[3, 4]),
    "suspended at 0": dict(time=[0, 5, 9, 12], failed=[0, 1, 1, 0]),
    "all late, falling rate": dict(time=[11, 11, 12, 200], failed=[1, 1, 1, 0], entry=[10, 10, 10, 10]),
}


@pytest.mark.parametrize("name", AWKWARD)
@pytest.mark.parametrize("distribution", ALL)
def test_awkward_lives_give_figures_or_sentences_never_absurdities(name, distribution):
    fit = fit_distribution(Lives.from_arrays(**AWKWARD[name]), distribution)
    numbers = np.r_[fit.table.iloc[:, 1:].to_numpy(dtype=float).ravel(), fit.quantile([0.1, 0.5]).to_numpy().ravel()]
    assert not np.isinf(numbers).any()
    assert (np.abs(numbers[np.isfinite(numbers)]) < 1e7).all()
    if np.isnan(fit.columns["estimate"]).any() or np.isnan(fit.columns["upper"]).any():
        assert fit.notes
    if name in ("all suspended", "all failed before seen"):
        assert np.isnan(fit.columns["estimate"]).all()
    if name in ("first only", "heavy ties", "suspended at 0"):
        assert np.isfinite(fit.columns["estimate"]).all()
    if name in ("last only", "one age", "one life", "split looks") and distribution != "exponential":
        assert np.isnan(fit.columns["estimate"]).all()
        assert any("one single age" in n for n in fit.notes)


def test_one_failure_in_five_is_fitted_or_refused_by_where_it_stands():
    last = fit_distribution(Lives.from_arrays([5, 6, 7, 8, 9], [0, 0, 0, 0, 1]))
    assert np.isnan(last.parameters["shape"])
    first = fit_distribution(Lives.from_arrays([5, 6, 7, 8, 9], [1, 0, 0, 0, 0]))
    assert 0 < first.parameters["shape"] < 10


def _check_of(life, left=180.0, **kwargs):
    return fit_distribution(Lives.from_arrays(np.minimum(life, left), life <= left, **kwargs))


def test_mixed_mechanisms_are_noticed():
    rng = np.random.default_rng(5)
    early_and_late = np.minimum(600 * rng.weibull(0.6, 168), 200 * rng.weibull(5.0, 168))
    fit = _check_of(early_and_late)
    assert fit.check.p_value < 0.01
    (note,) = [n for n in fit.notes if "does not follow these lives" in n]
    assert "Several mechanisms may be mixed" in note


def test_the_span_that_follows_least_is_named_by_its_ends():
    """Quantiles of a Weibull, a fifth of them moved elsewhere; the check itself says which span deviates most."""
    even = 100 * stats.weibull_min(2.0).ppf((np.arange(150) + 0.5) / 150)
    seen = set()
    for moved in (np.linspace(20, 25, 30), np.linspace(5, 10, 30), np.full(30, 0.1)):
        fit = fit_distribution(Lives.from_arrays(np.concatenate([np.delete(even, np.s_[::5]), moved]), np.ones(150)))
        edges = fit.check.edges
        worst = int(np.argmax(np.abs(fit.check.excess)))
        (note,) = [n for n in fit.notes if "does not follow these lives" in n]
        if worst == 0:
            words = f"units failed up to {edges[0]:g} days"
        elif worst == len(edges):
            words = f"units failed after {edges[-1]:g} days"
        else:
            words = f"units failed from {edges[worst - 1]:g} to {edges[worst]:g} days"
        assert ("more " if fit.check.excess[worst] > 0 else "fewer ") + words in note
        seen.add(words.split()[2])
    assert seen == {"up", "from", "after"}


def test_one_mechanism_is_seldom_called_mixed():
    rng = np.random.default_rng(8)
    p_values = []
    for number in range(150):
        life = 200 * rng.weibull(1.5, 80)
        if number % 2:
            lower = np.minimum(np.floor(life / 28) * 28, 168)
            fit = fit_distribution(Lives.from_arrays(lower=lower, upper=np.where(life < 168, lower + 28, np.inf)))
        else:
            fit = _check_of(life)
        p_values.append(fit.check.p_value)
    assert np.mean(np.array(p_values) < 0.01) <= 0.04  # nominal 0.01; 0.04 is four standard errors away
    assert 0.3 < np.nanmean(p_values) < 0.7


def test_the_check_counts_what_was_expected():
    # exponential, ends known: score of a span = failures less total time in it / mean
    rng = np.random.default_rng(3)
    time = np.ceil(rng.exponential(50, 40))
    fit = fit_distribution(Lives.from_arrays(time, np.ones(40, dtype=bool)), "exponential")
    bounds = np.r_[0, fit.check.edges, np.inf]
    for span in range(len(bounds) - 1):
        inside = (time > bounds[span]) & (time <= bounds[span + 1])
        spent = np.clip(time, bounds[span], bounds[span + 1]) - bounds[span]
        assert fit.check.excess[span] == pytest.approx(inside.sum() - spent.sum() / time.mean(), abs=1e-3)
    assert fit.check.excess.sum() == pytest.approx(0, abs=1e-3)


@pytest.mark.slow
def test_limits_cover_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(12)
    inside = []
    for _ in range(300):
        life = 100 * rng.weibull(1.5, 40)
        row = _check_of(life, left=90.0).quantile(0.1).iloc[0]
        inside.append(row["lower"] <= 100 * (-np.log(0.9)) ** (1 / 1.5) <= row["upper"])
    assert 0.91 <= np.mean(inside) <= 0.985


def test_errors_say_what_to_do():
    lives = Lives.from_arrays([3, 5], [True, True])
    with pytest.raises(UsageError, match="did you mean 'weibull'"):
        fit_distribution(lives, "weibul")
    with pytest.raises(UsageError, match="confidence must lie between 0 and 1"):
        fit_distribution(lives, confidence=1.0)
    with pytest.raises(UsageError, match="held fixed for weibull only; got distribution='gamma'"):
        fit_distribution(lives, "gamma", shape=2)
    with pytest.raises(UsageError, match="shape must be a finite number above 0; got 0"):
        fit_distribution(lives, shape=0)
    with pytest.raises(EstimateError, match="there are no lives"):
        fit_distribution(lives.take(np.zeros(2, dtype=bool)))
    with pytest.raises(EstimateError, match="row 0: the failure is at time 0"):
        fit_distribution(Lives.from_arrays([0, 5], [True, True]))
    with pytest.raises(UsageError, match="p must lie between 0 and 1"):
        fit_distribution(lives).quantile(0)
    with pytest.raises(UsageError, match="p must lie between 0 and 1"):
        fit_distribution(lives).quantile([0.5, 1])
    with pytest.raises(UsageError, match="times must be numbers of at least 0"):
        fit_distribution(lives).survival([-1])


@pytest.mark.slow
def test_random_small_fleets_give_figures_or_sentences():
    rng = np.random.default_rng(0)
    for _ in range(60):
        n, unit = int(rng.integers(1, 25)), 10.0 ** rng.integers(-2, 5)
        life = np.ceil(rng.weibull(rng.uniform(0.5, 4), n) * 20) * unit
        left, visit = np.ceil(rng.uniform(1, 30, n)) * unit, rng.integers(1, 10) * unit
        lower, upper = np.minimum(life, left), np.where(life <= left, life, np.inf)
        if rng.random() < 0.6:
            lower = np.floor(lower / visit) * visit
            upper = np.where(life <= left, lower + visit, np.inf)
        lives = Lives.from_arrays(lower=lower, upper=upper, entry=np.where(rng.random(n) < 0.3, 0.5 * lower, 0.0))
        for distribution in ALL:
            fit = fit_distribution(lives, distribution)
            quantiles = fit.quantile([0.1, 0.9]).to_numpy()
            numbers = np.r_[fit.table.iloc[:, 1:].to_numpy(dtype=float).ravel(), quantiles.ravel()]
            assert not np.isinf(numbers).any()
            assert fit.notes or not np.isnan(numbers).any()
