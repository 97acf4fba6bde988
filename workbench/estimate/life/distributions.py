"""Life distributions: lives in, maximum-likelihood fit with likelihood limits out."""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from workbench.checks import check_confidence, check_one_of, check_positive
from workbench.errors import EstimateError, UsageError
from workbench.estimate.life.distribution_fit import DistributionFit
from workbench.estimate.life.gamma_life import gamma_log_likelihood, maximise_gamma
from workbench.estimate.life.goodness import SpanCheck, check_spans
from workbench.estimate.life.life_forms import DISTRIBUTIONS, PARAMETERS, SENSIBLE, log_quantile
from workbench.estimate.life.likelihood_region import Region, find_region, limits_over
from workbench.estimate.likelihood import AftProblem, CellWeights, evaluate_likelihood, find_estimable, fit_batch
from workbench.lives import Lives
from workbench.wording import count_of, join_words, p_text

__all__ = ["DistributionFit", "fit_distribution"]

MANY_CELLS = 20_000
"""Above this many distinct rows fewer rays are followed around the maximum; limits are then close to normal ones."""
FOLLOWS = 0.01
"""Below this p value a note says that one curve does not follow the lives."""
NO_CHECK = SpanCheck(np.zeros(0), np.zeros(0), np.nan, np.nan, 0)
NO_REGION = Region(np.zeros((0, 2)), np.zeros(0, dtype=bool))


@dataclass(frozen=True, eq=False)
class _Maximum:
    """Where the likelihood is largest: coordinates (2,), their covariance (2, 2), the value and the region."""

    coordinates: np.ndarray
    covariance: np.ndarray
    log_likelihood: float
    region: Region


def fit_distribution(
    lives: Lives, distribution: str = "weibull", *, confidence: float = 0.95, shape: float | None = None
) -> DistributionFit:
    """Fit a life distribution by maximum likelihood.

    Exact, suspended, early and interval-censored lives with late entry and weights enter as what they are. The answer
    is returned whenever a finite one exists, from however few failures; `shape_statement` says what may be printed.

    Parameters
    ----------
    lives : Lives
        n lives. A failure exactly at time 0 is refused, since none of these distributions has a density there.
    distribution : str
        weibull (shape, scale), exponential (scale), lognormal (mu, sigma), loglogistic (scale, shape),
        gamma (shape, scale).
    confidence : float
        Two-sided level of likelihood limits. With a shape that is given and no failure, the level of the one-sided
        lower bound.
    shape : float, optional
        Holds the shape of a Weibull at this assumed value, as when there are too few failures to estimate it.

    Returns
    -------
    DistributionFit
        NaN with the reason in `notes` where no finite answer exists. A note says when one curve does not follow the
        lives, which happens when several mechanisms are mixed.

    Raises
    ------
    UsageError
        If the distribution is unknown, the confidence outside (0, 1), or a shape is given to another distribution.
    EstimateError
        If there are no lives, or a failure is exactly at time 0.

    References
    ----------
    Lawless (2003), Statistical Models and Methods for Lifetime Data, ch. 4-5; Meeker & Escobar (1998), Statistical
    Methods for Reliability Data, ch. 8 and 11 (likelihood limits). Fixed shape without failures: Nelson (1985), IEEE
    Trans. Reliability 34, 257-261.

    Examples
    --------
    >>> lives = Lives.from_arrays([30, 60, 90, 120, 120], [True, True, True, False, False])
    >>> round(fit_distribution(lives, "exponential").parameters["scale"], 6)
    140.0
    """
    check_one_of("distribution", distribution, DISTRIBUTIONS)
    confidence = check_confidence(confidence)
    if shape is not None:
        if distribution != "weibull":
            raise UsageError(f"a shape can be held fixed for weibull only; got distribution={distribution!r}")
        shape = check_positive("shape", shape)
    if not len(lives):
        raise EstimateError("there are no lives to fit a distribution to")
    form = "lognormal" if distribution == "gamma" else distribution
    problem = AftProblem.build(
        lives.lower, lives.upper, lives.entry, columns=np.zeros((len(lives), 0)), distribution=form
    )
    fixed = 1.0 / shape if shape is not None else problem.family.fixed_scale
    estimable = find_estimable(problem, fixed_scale=fixed is not None)
    notes = [] if shape is None else [f"The shape {shape:g} was assumed, not estimated."]
    maximum = None
    if estimable.kept.all() and estimable.spread:
        weights = lives.weight.astype(float)
        folded = problem.cells.fold(weights[None, :])
        drop = 0.5 * float(chdtri(1, 1.0 - confidence))
        find = _maximum_of_gamma if distribution == "gamma" else _maximum
        maximum = find(problem, weights, folded, fixed=fixed, drop=drop)
    check = NO_CHECK
    if maximum is not None:
        check = check_spans(distribution, maximum.coordinates, maximum.covariance, cells=problem.cells, folded=folded)
        notes += _check_notes(check, distribution, lives) + _far_notes(distribution, maximum)
    else:
        notes.append(_no_answer(lives, fixed is not None))
        maximum = _bound_without_failures(lives, fixed, confidence)
        if len(maximum.region.edge):
            notes.append(f"The lower limit is a one-sided {100 * confidence:g} % bound.")
    return _result(lives, distribution, maximum, confidence=confidence, shape=shape, check=check, notes=notes)


def _maximum(
    problem: AftProblem, weights: np.ndarray, folded: CellWeights, *, fixed: float | None, drop: float
) -> _Maximum | None:
    fit = fit_batch(problem, weights, scale=fixed, covariance=True)
    scale, covariance = float(fit.scale[0]), fit.covariance
    if not fit.converged[0] or not 1e-5 < scale < 1e4 or covariance is None or not np.isfinite(covariance).all():
        return None
    points = problem.layout.points_of(folded)
    best = np.array([(fit.intercept[0] - problem.shift) / scale, 1.0 / scale])

    def likelihood(params: np.ndarray) -> np.ndarray:
        if fixed is not None:
            params = np.column_stack([params, np.full(len(params), 1.0 / fixed)])
        with np.errstate(all="ignore"):
            return evaluate_likelihood(problem.layout, problem.family, points, params=params)[0]

    curvature = evaluate_likelihood(problem.layout, problem.family, points, params=best[None, :])[2][0]
    free = 2 if fixed is None else 1
    region = find_region(
        likelihood,
        best[:free],
        curvature[:free, :free],
        drop=drop,
        directions=_directions(problem),
        last_is_positive=fixed is None,
    )
    a = region.edge[:, 1] if fixed is None else np.full(len(region.edge), 1.0 / fixed)
    with np.errstate(divide="ignore"):
        edge = np.column_stack([region.edge[:, 0] / a + problem.shift, -np.log(a)])
    return _Maximum(
        np.array([fit.intercept[0], np.log(scale)]),
        covariance[0],
        float(fit.log_likelihood[0]),
        Region(edge, region.open),
    )


def _maximum_of_gamma(
    problem: AftProblem, weights: np.ndarray, folded: CellWeights, *, fixed: float | None, drop: float
) -> _Maximum | None:
    near = fit_batch(problem, weights)
    if not near.converged[0] or not 1e-5 < near.scale[0] < 1e4:
        return None
    best, curvature, fine = maximise_gamma(problem.cells, folded, float(near.intercept[0]), scale=float(near.scale[0]))
    if not fine:
        return None

    def likelihood(coordinates: np.ndarray) -> np.ndarray:
        return gamma_log_likelihood(problem.cells, folded, coordinates)

    region = find_region(likelihood, best, curvature, drop=drop, directions=_directions(problem))
    return _Maximum(best, np.linalg.inv(-curvature), float(likelihood(best[None, :])[0]), region)


def _directions(problem: AftProblem) -> int:
    return 128 if len(problem.cells.pattern) <= MANY_CELLS else 32


def _bound_without_failures(lives: Lives, fixed: float | None, confidence: float) -> _Maximum:
    """Without an estimate: the one-sided lower bound of the scale, when the shape is given and nobody failed."""
    nothing = np.full(2, np.nan)
    if fixed is None or lives.failures:
        return _Maximum(nothing, np.full((2, 2), np.nan), np.nan, NO_REGION)
    power = 1.0 / fixed
    exposure = float(lives.weight @ (lives.lower**power - lives.entry**power))
    if exposure <= 0:
        return _Maximum(nothing, np.full((2, 2), np.nan), np.nan, NO_REGION)
    bound = fixed * np.log(exposure / -np.log1p(-confidence))
    edge = np.array([[bound, np.log(fixed)], [bound, np.log(fixed)]])
    # the upper end is open: lives without a failure set no upper limit
    edge[1, 0] += 1.0
    return _Maximum(nothing, np.full((2, 2), np.nan), np.nan, Region(edge, np.array([False, True])))


def _result(
    lives: Lives,
    distribution: str,
    maximum: _Maximum,
    *,
    confidence: float,
    shape: float | None,
    check: SpanCheck,
    notes: list[str],
) -> DistributionFit:
    rows = [_parameter_row(entry, maximum, shape) for entry in PARAMETERS[distribution]]
    table = np.array([row for _, row in rows]).reshape(len(rows), 4)
    free = len(rows) - (shape is not None)
    open_ends = [name for name, row in rows if np.isfinite(row[0]) and np.isnan(row[2:]).any()]
    if shape is not None:
        open_ends = [name for name in open_ends if name != "shape"]
    if open_ends:
        notes = [*notes, f"The lives give no limit on one side of: {', '.join(open_ends)}."]
    return DistributionFit(
        columns={
            "parameter": np.array([name for name, _ in rows], dtype=object),
            "estimate": table[:, 0],
            "std_error": table[:, 1],
            "lower": table[:, 2],
            "upper": table[:, 3],
        },
        notes=tuple(notes),
        distribution=distribution,
        log_likelihood=maximum.log_likelihood,
        aic=2.0 * free - 2.0 * maximum.log_likelihood,
        coordinates=maximum.coordinates,
        region=maximum.region,
        confidence=confidence,
        fixed_shape=shape,
        check=check,
        units=lives.units,
        failures=lives.failures,
        unit=lives.unit,
    )


def _parameter_row(
    entry: tuple[str, int, float, bool], maximum: _Maximum, shape: float | None
) -> tuple[str, tuple[float, float, float, float]]:
    name, place, sign, exponential = entry
    if name == "shape" and shape is not None:
        return name, (shape, np.nan, np.nan, np.nan)
    lower = upper = np.nan
    if len(maximum.region.edge):
        low, high = limits_over(maximum.region, sign * maximum.region.edge[:, place : place + 1])
        lower, upper = float(low[0]), float(high[0])
    value, error = sign * float(maximum.coordinates[place]), float(np.sqrt(maximum.covariance[place, place]))
    if exponential:
        value, lower, upper = (float(np.exp(min(v, 700.0))) for v in (value, lower, upper))
        error *= value
        upper = np.nan if upper > SENSIBLE * value else upper
    return name, (value, error, lower, upper)


def _check_notes(check: SpanCheck, distribution: str, lives: Lives) -> list[str]:
    notes = []
    if lives.failures < 5:
        notes.append(f"Only {count_of(lives.failures, 'failure')}: the fit rests on too few to show a form.")
    if check.p_value < FOLLOWS:
        worst = int(np.argmax(np.abs(check.excess)))
        bounds = np.r_[0.0, check.edges, np.inf]
        more = "more" if check.excess[worst] > 0 else "fewer"
        span = f"up to {bounds[1]:g}" if worst == 0 else f"from {bounds[worst]:g} to {bounds[worst + 1]:g}"
        span = span if np.isfinite(bounds[worst + 1]) else f"after {bounds[worst]:g}"
        notes.append(
            f"One {distribution} curve does not follow these lives ({p_text(check.p_value)}, chi-square "
            f"{check.statistic:.1f} on {check.degrees_of_freedom} degrees of freedom): {more} units failed {span} "
            f"{lives.unit} than it says. Several mechanisms may be mixed; fit each by itself."
        )
    return notes


def _far_notes(distribution: str, maximum: _Maximum) -> list[str]:
    shares = np.array([0.1, 0.5, 0.9])
    middle = log_quantile(distribution, maximum.coordinates[None, :], shares)[0]
    lower, upper = limits_over(maximum.region, log_quantile(distribution, maximum.region.edge, shares))
    lost = np.isnan(lower) | ~(upper - middle <= np.log(SENSIBLE))
    if not lost.any():
        return []
    named = join_words([f"{100 * p:.0f} %" for p in shares[lost]])
    return [f"The lives set no usable limits to the time by which {named} have failed."]


def _no_answer(lives: Lives, fixed: bool) -> str:
    units, failures = count_of(lives.units, "unit"), count_of(lives.failures, "failure")
    if not lives.failures:
        with_shape = "" if fixed else " with an assumed shape"
        return f"No failures in {units}: nothing but a lower bound{with_shape} can be given."
    if (lives.failed & (lives.lower > 0)).any() or (~lives.failed).any():
        return (
            f"No finite parameters fit best: {failures} in {units} agree with one single age at failure, or with "
            "failures that do not become more frequent with age; assume a shape, or wait for more failures."
        )
    return f"Every one of {units} had failed before it was first looked at, so no parameter can be estimated."
