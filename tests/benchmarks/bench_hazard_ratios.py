"""Hazard ratios of six categorical terms (1,440 patterns) on whole-day lives: ours, lifelines, scikit-survival, R."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.benchmarks.task import Task
from workbench import Lives, fit_hazard_ratios

__all__ = ["TASKS"]

LEVELS = {"lid_seal": 6, "vent": 4, "closure": 3, "batch": 5, "sun": 2, "shade": 2}


@dataclass(frozen=True)
class Fleet:
    """One simulated fleet as arrays, as categories and as indicator columns."""

    time: np.ndarray
    failed: np.ndarray
    covariates: pd.DataFrame
    indicators: np.ndarray


def make_fleet(size: int) -> Fleet:
    """Whole days, about half failed, six categorical terms with effects.

    Parameters
    ----------
    size : int
        Number of lives.

    Returns
    -------
    Fleet
        The same for the same size.

    Raises
    ------
    Nothing.
    """
    rng = np.random.default_rng(size)
    codes = {name: rng.integers(0, levels, size) for name, levels in LEVELS.items()}
    names = {name: [f"level {i}" for i in range(levels)] for name, levels in LEVELS.items()}
    covariates = pd.DataFrame({name: pd.Categorical.from_codes(codes[name], names[name]) for name in LEVELS})
    risk = sum(0.1 * codes[name] for name in LEVELS)
    life = np.ceil(260.0 * (rng.exponential(size=size) * np.exp(-risk)) ** 0.7)
    end = rng.integers(90, 200, size).astype(float)
    indicators = [codes[name] == level for name, levels in LEVELS.items() for level in range(1, levels)]
    return Fleet(np.minimum(life, end), life <= end, covariates, np.column_stack(indicators).astype(float))


def ours(fleet: Fleet) -> np.ndarray:
    """Log hazard ratios, with building the lives from arrays.

    Parameters
    ----------
    fleet : Fleet
        As made by `make_fleet`.

    Returns
    -------
    np.ndarray of float
        One a level that is not the reference.

    Raises
    ------
    Nothing.
    """
    lives = Lives.from_arrays(fleet.time, fleet.failed, covariates=fleet.covariates)
    return fit_hazard_ratios(lives, list(LEVELS)).columns["log_hazard_ratio"]


def by_lifelines(fleet: Fleet) -> np.ndarray:
    """The same by lifelines.

    Parameters
    ----------
    fleet : Fleet
        As made by `make_fleet`.

    Returns
    -------
    np.ndarray of float
        As `ours`.

    Raises
    ------
    ImportError
        If lifelines is not installed.
    """
    from lifelines import CoxPHFitter

    frame = pd.DataFrame(fleet.indicators).rename(columns=str).assign(time=fleet.time, failed=fleet.failed)
    return CoxPHFitter().fit(frame, "time", "failed").params_.to_numpy()


def by_scikit_survival(fleet: Fleet) -> np.ndarray:
    """The same by scikit-survival.

    Parameters
    ----------
    fleet : Fleet
        As made by `make_fleet`.

    Returns
    -------
    np.ndarray of float
        As `ours`.

    Raises
    ------
    ImportError
        If scikit-survival is not installed.
    """
    from sksurv.linear_model import CoxPHSurvivalAnalysis
    from sksurv.util import Surv

    outcome = Surv.from_arrays(fleet.failed, fleet.time)
    return CoxPHSurvivalAnalysis(ties="efron").fit(fleet.indicators, outcome).coef_


def fleet_frame(fleet: Fleet) -> pd.DataFrame:
    """The fleet as a frame for R.

    Parameters
    ----------
    fleet : Fleet
        As made by `make_fleet`.

    Returns
    -------
    pandas.DataFrame
        time, failed and one column a term.

    Raises
    ------
    Nothing.
    """
    return fleet.covariates.assign(time=fleet.time, failed=fleet.failed.astype(int))


def _task(sizes: tuple[int, ...], times_faster: float, repeats: int) -> Task:
    r_fit = "fit <- coxph(Surv(time, failed) ~ " + " + ".join(LEVELS) + ", data)"
    return Task(
        name="hazard ratios, building counted",
        sizes=sizes,
        make=make_fleet,
        ways={"ours, building counted": ours, "lifelines": by_lifelines, "scikit-survival": by_scikit_survival},
        bar={"ours, building counted": times_faster},
        repeats=repeats,
        r_script=f"seconds <- system.time({r_fit})[['elapsed']]; answer <- coef(fit)",
        r_data=fleet_frame,
    )


TASKS = [_task((400,), 1.0, 9), _task((1_000_000,), 20.0, 3)]
