"""MeanOfGroup: one group's restricted mean with limits at any level."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.differences import LimitsAt
from workbench.estimate.limits import exact_bound, normal_quantile

__all__ = ["MeanOfGroup"]


@dataclass(frozen=True, eq=False)
class MeanOfGroup:
    """A restricted mean, its standard error, its limits as a function of the two-sided level, and sentences.

    `test_limits` are the limits that the p value of a difference rests on; resamples cannot tell small p values, so
    there they are normal ones.
    """

    mean: float
    std_error: float
    limits: LimitsAt
    test_limits: LimitsAt
    notes: tuple[str, ...] = ()

    @classmethod
    def unknown(cls, note: str) -> "MeanOfGroup":
        """A mean that the lives do not give.

        Parameters
        ----------
        note : str
            The reason.

        Returns
        -------
        MeanOfGroup
            NaN throughout.

        Raises
        ------
        Nothing.
        """
        nan = float("nan")
        return cls(nan, nan, _no_limits, _no_limits, (note,))

    @classmethod
    def without_failure(cls, label: str, horizon: float, units: int, unit: str) -> "MeanOfGroup":
        """The mean of a group of which no unit failed by the horizon.

        Parameters
        ----------
        label : str
            The group.
        horizon : float
            Up to here, in `unit`.
        units : int
            Units still at risk at the horizon.
        unit : str
            Unit of time.

        Returns
        -------
        MeanOfGroup
            The horizon, with the exact bound of its survival as lower limit.

        Raises
        ------
        Nothing.
        """

        def limits(confidence: float) -> tuple[float, float]:
            return horizon * float(exact_bound(np.array([units]), confidence)[0]), horizon

        note = f"{label}: no unit failed by {horizon:g} {unit}; the lower limit is the exact bound for {units} at risk."
        return cls(horizon, 0.0, limits, limits, (note,))

    @classmethod
    def normal(cls, mean: float, std_error: float, horizon: float) -> "MeanOfGroup":
        """A mean with normal limits, kept between 0 and the horizon.

        Parameters
        ----------
        mean, std_error : float
            The estimate.
        horizon : float
            Largest possible mean.

        Returns
        -------
        MeanOfGroup
            Without notes.

        Raises
        ------
        Nothing.
        """

        limits = _normal_limits(mean, std_error, horizon)
        return cls(mean, std_error, limits, limits)

    @classmethod
    def without_spread(cls, mean: float, note: str) -> "MeanOfGroup":
        """A mean whose error cannot be judged, because all failures coincide.

        Parameters
        ----------
        mean : float
            The estimate.
        note : str
            The reason.

        Returns
        -------
        MeanOfGroup
            Limits and standard error NaN.

        Raises
        ------
        Nothing.
        """
        return cls(mean, float("nan"), _no_limits, _no_limits, (note,))

    @classmethod
    def resampled(cls, mean: float, draws: np.ndarray, horizon: float, note: str) -> "MeanOfGroup":
        """A mean with percentile limits.

        Parameters
        ----------
        mean : float
            The estimate.
        draws : np.ndarray, shape (b,)
            Means of weighted resamples.
        horizon : float
            Largest possible mean.
        note : str
            What the estimate assumes.

        Returns
        -------
        MeanOfGroup
            std_error is the standard deviation of the draws.

        Raises
        ------
        Nothing.
        """

        def limits(confidence: float) -> tuple[float, float]:
            tail = 0.5 - 0.5 * confidence
            lower, upper = np.quantile(draws, [tail, 1.0 - tail])
            return float(min(lower, mean)), float(max(upper, mean))

        error = float(np.std(draws, ddof=1))
        return cls(mean, error, limits, _normal_limits(mean, error, horizon), (note,))


def _no_limits(confidence: float) -> tuple[float, float]:
    return float("nan"), float("nan")


def _normal_limits(mean: float, std_error: float, horizon: float) -> LimitsAt:
    def limits(confidence: float) -> tuple[float, float]:
        half = normal_quantile(confidence) * std_error
        return max(mean - half, 0.0), min(mean + half, horizon)

    return limits
