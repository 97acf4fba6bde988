"""Curves by six lid seals: ours, lifelines and scikit-survival on whole-day lives."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.benchmarks.task import Task
from workbench import Lives, survival_curve

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


_R_CURVES = """
seconds <- system.time(fit <- survfit(Surv(time, failed) ~ seal, data, conf.type = 'log-log'))[['elapsed']]
answer <- fit$surv[fit$n.event > 0]
"""


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
]
