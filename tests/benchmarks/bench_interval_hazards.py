"""Hazard ratios of lives seen at visits of their own, beside a general optimiser on the same likelihood.

No library for Python fits proportional hazards with a free baseline to intervals. The other way is what one would
write without one: the steps of the baseline and the effects as one vector, maximised by the quasi-Newton method of
scipy with an exact gradient.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.benchmarks.task import Task
from workbench import Lives, fit_hazard_ratios

__all__ = ["TASKS"]

EFFECTS = (-0.5, 0.3)
STEPS = 5_000
"""Most iterations of the optimiser."""


@dataclass(frozen=True)
class Visited:
    """Ends of the intervals in days, indicator columns, and the same as lives with a text column."""

    lower: np.ndarray
    upper: np.ndarray
    indicators: np.ndarray
    lives: Lives


def make_visited(size: int) -> Visited:
    """Lives with two effects, visited every three to six weeks on days of their own; seeded by the size."""
    rng = np.random.default_rng(size)
    seal = rng.integers(0, 3, size)
    indicators = np.column_stack([seal == 1, seal == 2]).astype(float)
    life = 150.0 * (rng.exponential(size=size) * np.exp(-indicators @ EFFECTS)) ** 0.7
    visits = np.cumsum(rng.integers(20, 43, (size, 7)), axis=1)
    seen = (visits < life[:, None]).sum(axis=1)
    edges = np.column_stack([np.zeros(size), visits, np.full(size, np.inf)])
    lower, upper = edges[np.arange(size), seen], edges[np.arange(size), seen + 1]
    names = np.array(["flat gasket", "o_ring", "cord"], dtype=object)[seal]
    kinds = pd.Categorical(names, categories=["flat gasket", "o_ring", "cord"])
    return Visited(lower, upper, indicators, Lives.from_arrays(lower=lower, upper=upper, covariates={"seal": kinds}))


def by_optimiser(data: Visited) -> np.ndarray:
    """Log hazard ratios by scipy's limited-memory quasi-Newton method; the baseline steps at each upper end."""
    from scipy.optimize import minimize

    days = np.unique(data.upper[np.isfinite(data.upper)])
    low, up = (np.searchsorted(days, ends, side="right") for ends in (data.lower, data.upper))
    failed = np.isfinite(data.upper)

    def loss(unknown: np.ndarray) -> tuple[float, np.ndarray]:
        steps, effects = np.exp(unknown[: days.size]), unknown[days.size :]
        hazard, risk = np.append(0.0, np.cumsum(steps)), np.exp(data.indicators @ effects)
        before, inside = hazard[low] * risk, np.where(failed, hazard[up] - hazard[low], 0.0) * risk
        caught = -np.expm1(-inside[failed])
        slope = np.zeros(len(risk))  # of the log likelihood in the hazard inside the interval
        slope[failed] = np.exp(-inside[failed]) / caught
        value = before.sum() - np.log(caught).sum()
        ends = np.zeros(days.size + 1)
        np.add.at(ends, low, -risk - slope * risk)
        np.add.at(ends, up[failed], (slope * risk)[failed])
        of_steps = ends[::-1].cumsum()[::-1][1:] * steps
        return float(value), -np.append(of_steps, data.indicators.T @ (slope * inside - before))

    start = np.append(np.full(days.size, np.log(1.0 / days.size)), np.zeros(data.indicators.shape[1]))
    options = {"maxiter": STEPS, "maxfun": 2 * STEPS, "ftol": 1e-13, "gtol": 1e-6}
    return np.asarray(minimize(loss, start, jac=True, method="L-BFGS-B", options=options).x[days.size :])


TASKS = [
    Task(
        name="hazard ratios of intervals, 2 indicators",
        sizes=(400, 5_000),
        make=make_visited,
        ways={
            "ours": lambda data: fit_hazard_ratios(data.lives, "seal").columns["log_hazard_ratio"],
            "scipy optimiser": by_optimiser,
        },
        bar={"ours": 10.0},
        repeats=3,
        is_quick=True,
    )
]
