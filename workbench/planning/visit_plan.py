"""Visits: how their spacing widens what is known of early failures, and the widest spacing that is still good."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from workbench.checks import check_confidence, check_positive, check_whole
from workbench.errors import EstimateError, UsageError
from workbench.estimate.likelihood import AftProblem, fit_batch
from workbench.lives import Lives
from workbench.planning.seen_shape import seen_weibull
from workbench.results import Result

__all__ = ["VisitPlan", "plan_visits"]

_WIDEST = np.log(1000.0)
"""Limits further than this from their estimate, on the log scale, say nothing and are not shown."""
_USUAL_DAYS = (7, 14, 21, 28, 42, 56, 84)
"""Spacings compared when none are named."""
_AS_GOOD_AS_KNOWN = 1000
"""Visits in a mission that find a failure when it happens."""


@dataclass(frozen=True, kw_only=True, eq=False)
class VisitPlan(Result):
    """What each spacing of visits leaves unknown.

    Table: spacing visits b10 lower upper widening visit_cost. `b10` is the time by which 10 % fail, with the limits to
    be expected at that spacing; `widening` is the width of the limits over that of failures known to the day. `best` is
    the widest spacing whose widening stays within `limit`, NaN when none does.
    """

    best: float
    limit: float
    confidence: float
    unit: str = "days"


def plan_visits(
    lives: Lives,
    *,
    mission: float,
    units: int,
    spacings: Sequence[float] | None = None,
    widening: float = 1.1,
    visit_cost: float = float("nan"),
    confidence: float = 0.9,
) -> VisitPlan:
    """Compare visit spacings, weeks when none are named, by the limits to expect of the time by which 10 % fail.

    Nothing is drawn: the expected information of a Weibull fit is that of the fit to the expected number of units
    found failed at each visit, so the limits of that fit are those to be expected.

    References
    ----------
    Expected information of inspection data: Meeker & Escobar (1998), Statistical Methods for Reliability Data, ch. 10.
    """
    mission, units = check_positive("mission", mission), check_whole("units", units, least=1)
    gaps = sorted(check_positive("spacing", s) for s in (_usual(lives) if spacings is None else spacings))
    if not gaps or check_positive("widening", widening) <= 1.0:
        raise UsageError(f"widening must be above 1 and spacings not empty; got {widening!r} and {len(gaps)} spacings")
    location, scale = seen_weibull(lives, "visits")
    z = _normal_quantile((1.0 + check_confidence(confidence)) / 2.0)
    known = _b10_spread(location, scale, mission / _AS_GOOD_AS_KNOWN, mission=mission, units=units)
    spread = np.array([_b10_spread(location, scale, gap, mission=mission, units=units) for gap in gaps])
    b10 = np.exp(location + scale * np.log(-np.log(0.9)))
    rounds = np.ceil(mission / np.array(gaps))
    within = np.flatnonzero(spread / known <= widening)
    notes = [f"Limits to be expected of {units} units whose lives follow the Weibull fit of those seen."]
    if not within.size:
        notes.append(
            f"No spacing tried keeps the widening within {widening:g}: visit more often than {gaps[0]:g} {lives.unit}."
        )
    margin = np.where(z * spread <= _WIDEST, z * spread, np.nan)
    if np.isnan(margin).any():
        notes.append("Where no limits stand, the visits could not date the time by which 10 % fail.")
    return VisitPlan(
        columns={
            "spacing": np.array(gaps),
            "visits": rounds,
            "b10": np.full(len(gaps), b10),
            "lower": b10 * np.exp(-margin),
            "upper": b10 * np.exp(margin),
            "widening": spread / known,
            "visit_cost": rounds * visit_cost,
        },
        best=float(gaps[within[-1]]) if within.size else float("nan"),
        limit=widening,
        confidence=confidence,
        unit=lives.unit,
        notes=tuple(notes),
    )


def _usual(lives: Lives) -> list[float]:
    if not np.isfinite(lives.day):
        raise UsageError(f"these lives count {lives.unit}, so there is no usual spacing of visits; name spacings")
    return [days * lives.day for days in _USUAL_DAYS]


def _problem(lower: np.ndarray, upper: np.ndarray, entry: np.ndarray) -> AftProblem:
    return AftProblem.build(lower, upper, entry, columns=np.zeros((len(lower), 0)))


def _normal_quantile(p: float) -> float:
    from scipy.stats import norm

    return float(norm.ppf(p))


def _b10_spread(location: float, scale: float, gap: float, *, mission: float, units: int) -> float:
    """Standard error of log B10 to be expected when failures are found at visits every `gap` days."""
    ends = np.append(np.arange(gap, mission, gap), mission)
    starts = np.concatenate([[0.0], ends[:-1]])
    with np.errstate(divide="ignore"):
        alive = np.exp(-np.exp((np.log(np.append(0.0, ends)) - location) / scale))
    expected = units * np.append(-np.diff(alive), alive[-1])
    lower, upper = np.append(starts, mission), np.append(ends, np.inf)
    kept = expected > 0
    problem = _problem(lower[kept], upper[kept], np.zeros(int(kept.sum())))
    fit = fit_batch(problem, expected[kept], covariance=True)
    if fit.covariance is None or not fit.converged[0]:
        raise EstimateError("so few failures are to be expected that no spacing of visits would tell when they come")
    # log B10 = location + exp(log scale) * log(-log 0.9)
    slope = np.array([1.0, scale * np.log(-np.log(0.9))])
    return float(np.sqrt(slope @ fit.covariance[0] @ slope))
