"""DistributionFit: a fitted life distribution with likelihood limits for its parameters, quantiles and survival."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_times
from workbench.errors import UsageError
from workbench.estimate.life.goodness import SpanCheck
from workbench.estimate.life.life_forms import SENSIBLE, cumulative_hazard, log_quantile
from workbench.estimate.life.likelihood_region import Region, limits_over
from workbench.results import Result, columns_to_frame

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DistributionFit"]


@dataclass(frozen=True, kw_only=True, eq=False)
class DistributionFit(Result):
    """One life distribution fitted to lives; table: parameter estimate std_error lower upper.

    Attributes
    ----------
    distribution : str
        weibull, exponential, lognormal, loglogistic or gamma.
    log_likelihood, aic : float
        Of the times.
    coordinates : np.ndarray, shape (2,)
        The fit as (location, log scale) of log life, for gamma (log shape, log scale); NaN when not estimable.
    region : Region
        Edge of the likelihood region in the same coordinates; without failures the one-sided bound alone.
    confidence : float
        Two-sided level of limits (one-sided without failures).
    fixed_shape : float or None
        Shape that was assumed, not estimated.
    check : SpanCheck
        Observed against expected failures in spans of time.
    units, failures : int
        Lives behind the fit, weights counted.
    unit : str
        Unit of time.
    """

    distribution: str
    log_likelihood: float
    aic: float
    coordinates: np.ndarray
    region: Region
    confidence: float
    fixed_shape: float | None
    check: SpanCheck
    units: int
    failures: int
    unit: str

    @property
    def parameters(self) -> dict[str, float]:
        """Estimates by name."""
        return {str(n): float(v) for n, v in zip(self.columns["parameter"], self.columns["estimate"], strict=True)}

    def survival(self, t: Any) -> np.ndarray:
        """Share of units still working at t.

        Parameters
        ----------
        t : array-like of float
            Times of at least 0.

        Returns
        -------
        np.ndarray
            Like t; NaN when nothing could be estimated.

        Raises
        ------
        UsageError
            If a time is negative or no number.
        """
        times = check_times(t)
        return np.asarray(np.exp(-self._hazard(self.coordinates[None, :], times.ravel())[0]).reshape(times.shape))

    def at(self, times: Any) -> "pd.DataFrame":
        """Survival with likelihood limits.

        Parameters
        ----------
        times : float or array-like
            Times of at least 0.

        Returns
        -------
        pandas.DataFrame
            time, survival, lower, upper.

        Raises
        ------
        UsageError
            If a time is negative or no number.
        """
        t = np.atleast_1d(check_times(times)).ravel()
        lower = upper = np.full(t.shape, np.nan)
        if len(self.region.edge):
            # on the log of the cumulative hazard, where the limits are smoothest
            with np.errstate(divide="ignore"):
                low, high = limits_over(self.region, np.log(self._hazard(self.region.edge, t)))
            lower, upper = np.exp(-np.exp(high)), np.exp(-np.exp(low))
            lower[t == 0] = upper[t == 0] = 1.0
        return columns_to_frame({"time": t, "survival": self.survival(t), "lower": lower, "upper": upper})

    def quantile(self, p: Any) -> "pd.DataFrame":
        """Time by which the share p has failed, with likelihood limits; p = 0.1 gives the B10 life.

        Parameters
        ----------
        p : float or array-like in (0, 1)
            Shares failed.

        Returns
        -------
        pandas.DataFrame
            p, time, lower, upper; NaN where the lives set no limit (or none below a thousand times the estimate).

        Raises
        ------
        UsageError
            If a share lies outside (0, 1).
        """
        shares = np.atleast_1d(np.asarray(p, dtype=float)).ravel()
        if not ((shares > 0) & (shares < 1)).all():
            raise UsageError(f"p must lie between 0 and 1, both excluded; got {p!r}")
        lower = upper = np.full(shares.shape, np.nan)
        if len(self.region.edge):
            lower, upper = limits_over(self.region, log_quantile(self.distribution, self.region.edge, shares))
        middle = log_quantile(self.distribution, self.coordinates[None, :], shares)[0]
        time, lower, upper = np.exp(middle), np.exp(lower), np.exp(np.minimum(upper, 700.0))
        upper = np.where(upper <= SENSIBLE * time, upper, np.nan)
        return columns_to_frame({"p": shares, "time": time, "lower": lower, "upper": upper})

    def _hazard(self, coordinates: np.ndarray, t: np.ndarray) -> np.ndarray:
        return cumulative_hazard(self.distribution, coordinates, t)
