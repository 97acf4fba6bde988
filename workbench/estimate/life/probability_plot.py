"""Probability plots: where each failure stands on the paper of a life distribution, and the line through the points."""

from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv

from workbench.checks import check_one_of
from workbench.errors import EstimateError
from workbench.estimate.likelihood import family_of
from workbench.lives import Lives
from workbench.results import Result

__all__ = ["PlotLine", "PlotPoints", "plot_line", "plot_points"]

POSITIONS = ("benard", "median", "product-limit")
MOST_POINTS = 100_000


@dataclass(frozen=True, kw_only=True, eq=False)
class PlotPoints(Result):
    """Points of a probability plot; table: time adjusted_rank share_failed.

    Attributes
    ----------
    positions : str
        How shares were given to ranks.
    units, failures : int
        Counts, weights included.
    unit : str
        Unit of time.
    """

    positions: str
    units: int
    failures: int
    unit: str


@dataclass(frozen=True, kw_only=True, eq=False)
class PlotLine(Result):
    """The least-squares line of a probability plot; table: parameter estimate.

    Attributes
    ----------
    distribution : str
        weibull, lognormal or loglogistic.
    regress : str
        time: log time was explained by the plotting position; position: the other way round.
    r_squared : float
        Squared correlation of the points.
    """

    distribution: str
    regress: str
    r_squared: float

    @property
    def parameters(self) -> dict[str, float]:
        """Estimates by name."""
        return {str(n): float(v) for n, v in zip(self.columns["parameter"], self.columns["estimate"], strict=True)}


def plot_points(lives: Lives, *, positions: str = "benard") -> PlotPoints:
    """Give each failure its adjusted rank among the suspensions and its share failed.

    Ranks grow by (n + 1 - last rank) / (1 + units not yet passed), so that units which left early make the later
    failures count for more. Failures of one day come one after the other, before suspensions of that day.

    References
    ----------
    Johnson (1964), The Statistical Treatment of Fatigue Experiments (adjusted ranks, median ranks); Benard &
    Bos-Levenbach (1953), Statistica Neerlandica 7, 163-173.
    """
    check_one_of("positions", positions, POSITIONS)
    if not lives.is_right_censored or lives.entry.any():
        row = int(np.argmax((lives.failed & ~lives.exact) | (lives.entry > 0)))
        raise EstimateError(
            f"row {row}: ranks need exact or suspended lives at risk from the start; this one is known from "
            f"{max(lives.entry[row], lives.lower[row]):g} to {lives.upper[row]:g} {lives.unit}, so use survival_curve"
        )
    if not 0 < lives.failures <= MOST_POINTS:
        raise EstimateError(f"a plot takes between 1 and {MOST_POINTS} failures; got {lives.failures}")
    order = np.lexsort([~lives.failed, lives.time])
    time, failed = (
        np.repeat(lives.time[order], lives.weight[order]),
        np.repeat(lives.failed[order], lives.weight[order]),
    )
    n = len(time)
    ahead = n - np.flatnonzero(failed)  # units not yet passed, the failure itself included
    # n + 1 - rank shrinks by the factor ahead / (ahead + 1) at each failure
    left = (n + 1.0) * np.cumprod(ahead / (ahead + 1.0))
    rank = n + 1.0 - left
    if positions == "benard":
        share = (rank - 0.3) / (n + 0.4)
    elif positions == "median":
        share = betaincinv(rank, left, 0.5)
    else:
        after = np.cumprod((ahead - 1.0) / ahead)
        share = 1.0 - 0.5 * (after + np.r_[1.0, after[:-1]])
    return PlotPoints(
        columns={"time": time[failed], "adjusted_rank": rank, "share_failed": share},
        positions=positions,
        units=lives.units,
        failures=lives.failures,
        unit=lives.unit,
    )


def plot_line(points: PlotPoints, distribution: str = "weibull", *, regress: str = "time") -> PlotLine:
    """Draw the least-squares line through the points of a probability plot.

    A line by eye or by least squares treats the points as independent, which they are not; it has no limits, and
    `fit_distribution` makes better use of the lives. It is here to check plots and published examples.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 8.2.2.1 and 8.4.2.1.
    """
    check_one_of("distribution", distribution, ("weibull", "lognormal", "loglogistic"))
    check_one_of("regress", regress, ("time", "position"))
    time = points.columns["time"]
    if time.min() <= 0 or time.min() == time.max():
        raise EstimateError(f"a line needs failures at different times above 0; got {time.min():g} to {time.max():g}")
    y, z = np.log(time), family_of(distribution).quantile(points.columns["share_failed"])
    dy, dz = y - y.mean(), z - z.mean()
    sigma = (dy @ dz) / (dz @ dz) if regress == "time" else (dy @ dy) / (dy @ dz)
    mu = float(y.mean() - sigma * z.mean())
    if distribution == "lognormal":
        names, values = ("mu", "sigma"), (mu, sigma)
    elif distribution == "weibull":
        names, values = ("shape", "scale"), (1.0 / sigma, np.exp(mu))
    else:
        names, values = ("scale", "shape"), (np.exp(mu), 1.0 / sigma)
    return PlotLine(
        columns={"parameter": np.array(names, dtype=object), "estimate": np.array(values, dtype=float)},
        notes=("The line is a least-squares line through dependent points; it has no limits.",),
        distribution=distribution,
        regress=regress,
        r_squared=float((dy @ dz) ** 2 / ((dy @ dy) * (dz @ dz))),
    )
