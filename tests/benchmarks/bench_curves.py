"""Curves by six lid seals: ours, lifelines and scikit-survival on whole-day lives."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.benchmarks.task import Task
from workbench import Lives, compare_groups, restricted_mean, survival_curve

__all__ = ["TASKS"]

SEALS = ("cord", "flat_gasket", "none", "o_ring", "potting", "tape")


@dataclass(frozen=True)
class Season:
    """One simulated season as arrays, as a frame and as lives."""

    time: np.ndarray
    failed: np.ndarray
    seal: pd.Categorical
    lives: Lives


def make_season(size: int) -> Season:
    """Whole days, six seals, about three in ten failed.

    Parameters
    ----------
    size : int
        Number of lives.

    Returns
    -------
    Season
        The same for the same size.

    Raises
    ------
    Nothing.
    """
    rng = np.random.default_rng(size)
    seal = pd.Categorical.from_codes(rng.integers(0, 6, size), SEALS)
    life = np.ceil(300.0 * rng.weibull(1.5, size) * (1.0 + 0.1 * seal.codes))
    end = rng.integers(120, 240, size).astype(float)
    time, failed = np.minimum(life, end), life <= end
    return Season(time, failed, seal, build(time, failed, seal))


def build(time: np.ndarray, failed: np.ndarray, seal: pd.Categorical) -> Lives:
    """Lives from the arrays of a season.

    Parameters
    ----------
    time, failed, seal : arrays
        As in `Season`.

    Returns
    -------
    Lives
        Checked.

    Raises
    ------
    Nothing.
    """
    return Lives.from_arrays(time, failed, covariates=pd.DataFrame({"lid_seal": seal}, copy=False))


def _our_curves(lives: Lives) -> np.ndarray:
    curve = survival_curve(lives, "lid_seal")
    return curve.columns["survival"][curve.columns["failures"] > 0]


def _lifelines_curves(season: Season) -> np.ndarray:
    from lifelines import KaplanMeierFitter

    parts = []
    for code in range(len(SEALS)):
        mine = season.seal.codes == code
        fit = KaplanMeierFitter().fit(season.time[mine], season.failed[mine])
        observed = fit.event_table["observed"].to_numpy() > 0
        parts.append(fit.survival_function_.to_numpy()[:, 0][observed])
    return np.concatenate(parts)


def _scikit_curves(season: Season) -> np.ndarray:
    from sksurv.nonparametric import kaplan_meier_estimator

    parts = []
    for code in range(len(SEALS)):
        mine = season.seal.codes == code
        _, survival, _ = kaplan_meier_estimator(season.failed[mine], season.time[mine], conf_type="log-log")
        parts.append(survival[np.diff(survival, prepend=1.0) < 0])
    return np.concatenate(parts)


def _our_test(lives: Lives) -> np.ndarray:
    return np.array([compare_groups(lives, "lid_seal").statistic])


def _lifelines_test(season: Season) -> np.ndarray:
    from lifelines.statistics import multivariate_logrank_test

    return np.array([multivariate_logrank_test(season.time, season.seal.codes, season.failed).test_statistic])


def _scikit_test(season: Season) -> np.ndarray:
    from sksurv.compare import compare_survival
    from sksurv.util import Surv

    return np.array([compare_survival(Surv.from_arrays(season.failed, season.time), season.seal.codes)[0]])


def _lifelines_both(season: Season) -> np.ndarray:
    return np.concatenate([_lifelines_curves(season), _lifelines_test(season)])


def _ours_both(lives: Lives) -> np.ndarray:
    return np.concatenate([_our_curves(lives), _our_test(lives)])


_R_CURVES = """
seconds <- system.time(fit <- survfit(Surv(time, failed) ~ seal, data, conf.type = 'log-log'))[['elapsed']]
answer <- fit$surv[fit$n.event > 0]
"""


_R_TEST = """
seconds <- system.time(test <- survdiff(Surv(time, failed) ~ seal, data))[['elapsed']]
answer <- test$chisq
"""

_R_BOTH = """
seconds <- system.time({
    fit <- survfit(Surv(time, failed) ~ seal, data, conf.type = 'log-log')
    test <- survdiff(Surv(time, failed) ~ seal, data)
})[['elapsed']]
answer <- c(fit$surv[fit$n.event > 0], test$chisq)
"""


def _lifelines_one(season: Season) -> np.ndarray:
    from lifelines import KaplanMeierFitter

    return KaplanMeierFitter().fit(season.time, season.failed).survival_function_.to_numpy()[1:, 0]


def _scikit_one(season: Season) -> np.ndarray:
    from sksurv.nonparametric import kaplan_meier_estimator

    return kaplan_meier_estimator(season.failed, season.time, conf_type="log-log")[1]


def _lifelines_mean(season: Season) -> np.ndarray:
    from lifelines import KaplanMeierFitter
    from lifelines.utils import restricted_mean_survival_time

    fit = KaplanMeierFitter().fit(season.time, season.failed)
    return np.array([restricted_mean_survival_time(fit, t=120.0)])


def make_intervals(size: int) -> tuple[np.ndarray, np.ndarray, Lives, np.ndarray]:
    """Lives seen at visits of their own, so that intervals overlap.

    Parameters
    ----------
    size : int
        Number of lives.

    Returns
    -------
    tuple
        Lower ends, upper ends, lives, and times at which to compare.

    Raises
    ------
    Nothing.
    """
    rng = np.random.default_rng(size)
    life = 150.0 * rng.weibull(1.5, size)
    visits = np.cumsum(rng.uniform(20.0, 43.0, (size, 7)), axis=1)
    seen = np.sum(visits < life[:, None], axis=1)
    edges = np.column_stack([np.zeros(size), visits, np.full(size, np.inf)])
    lower, upper = edges[np.arange(size), seen], edges[np.arange(size), seen + 1]
    lives = Lives.from_arrays(lower=lower, upper=upper)
    curve = survival_curve(lives)
    return lower, upper, lives, curve.columns["from"][curve.columns["to"] < np.inf]


def _lifelines_interval(data: tuple[np.ndarray, np.ndarray, Lives, np.ndarray]) -> np.ndarray:
    from lifelines import KaplanMeierFitter

    fit = KaplanMeierFitter().fit_interval_censoring(data[0], data[1], tol=1e-9)
    table = fit.survival_function_
    row = np.searchsorted(table.index.to_numpy(), data[3], side="right") - 1
    return table.to_numpy()[row].mean(axis=1)


def _for_r(season: Season) -> pd.DataFrame:
    return pd.DataFrame({"time": season.time, "failed": season.failed.astype(int), "seal": season.seal})


TASKS = [
    Task(
        name="curves by six seals",
        sizes=(400, 1_000_000),
        make=make_season,
        ways={
            "ours": lambda season: _our_curves(season.lives),
            "ours, building counted": lambda season: _our_curves(build(season.time, season.failed, season.seal)),
            "lifelines": _lifelines_curves,
            "scikit-survival": _scikit_curves,
        },
        bar={"ours": 1.0},
        r_script=_R_CURVES,
        r_data=_for_r,
    ),
    Task(
        name="log-rank by six seals, pairs included in ours",
        sizes=(400, 1_000_000),
        make=make_season,
        ways={
            "ours": lambda season: _our_test(season.lives),
            "lifelines": _lifelines_test,
            "scikit-survival": _scikit_test,
        },
        bar={"ours": 1.0},
        r_script=_R_TEST,
        r_data=_for_r,
    ),
    Task(
        name="curves and log-rank by six seals",
        sizes=(1_000_000,),
        make=make_season,
        ways={
            "ours": lambda season: _ours_both(season.lives),
            "ours, building counted": lambda season: _ours_both(build(season.time, season.failed, season.seal)),
            "lifelines": _lifelines_both,
            "scikit-survival": lambda season: np.concatenate([_scikit_curves(season), _scikit_test(season)]),
        },
        bar={"ours": 20.0, "ours, building counted": 4.0},
        repeats=5,
        r_script=_R_BOTH,
        r_data=_for_r,
    ),
    Task(
        name="one curve",
        sizes=(400,),
        make=make_season,
        ways={
            "ours": lambda season: survival_curve(season.lives).columns["survival"],
            "lifelines": _lifelines_one,
            "scikit-survival": _scikit_one,
        },
        bar={"ours": 1.0},
        repeats=20,
        is_quick=True,
    ),
    Task(
        name="restricted mean to 120 days",
        sizes=(400,),
        make=make_season,
        ways={
            "ours": lambda season: restricted_mean(season.lives, 120.0).columns["restricted_mean"],
            "lifelines": _lifelines_mean,
        },
        bar={"ours": 1.0},
        repeats=20,
        is_quick=True,
    ),
    Task(
        name="interval curve of overlapping intervals",
        sizes=(100, 300),
        make=make_intervals,
        ways={
            "ours": lambda data: survival_curve(data[2]).at(data[3])["survival"].to_numpy(),
            "lifelines": _lifelines_interval,
        },
        bar={"ours": 1.0},
        repeats=1,
    ),
]
