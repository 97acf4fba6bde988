"""Hazard ratios of text columns on whole-day lives, narrow to wide, short to long, beside three other libraries."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from tests.benchmarks.task import Task
from workbench import Lives, fit_hazard_ratios

__all__ = ["TASKS"]

COLUMNS: Mapping[int, Sequence[int]] = {1: (2,), 6: (4, 4), 17: (6, 4, 3, 5, 3, 2), 40: (5,) * 10}
"""Levels of each text column, by how many indicator columns they come to."""
SHORT, LONG = 200, 3_000
"""Days after which nobody is watched any more."""


@dataclass(frozen=True)
class Fleet:
    """One simulated fleet as arrays, as columns of text, as lives and as indicator columns."""

    time: np.ndarray
    failed: np.ndarray
    covariates: pd.DataFrame
    lives: Lives
    indicators: np.ndarray


def make_fleet(size: int, *, width: int, longest: int, with_number: bool) -> Fleet:
    """Whole days, about half failed, text columns with effects and at times a number with one; seeded by the size."""
    rng = np.random.default_rng(size)
    codes = {f"column_{i}": rng.integers(0, levels, size) for i, levels in enumerate(COLUMNS[width])}
    counts = dict(zip(codes, COLUMNS[width], strict=True))
    covariates = pd.DataFrame(
        {name: np.array([f"level {i}" for i in range(counts[name])], dtype=object)[codes[name]] for name in codes}
    )
    risk = sum((0.4 / len(codes)) * codes[name] for name in codes)
    indicators = [codes[name] == level for name in codes for level in range(1, counts[name])]
    if with_number:
        covariates["depth"] = np.round(rng.normal(size=size), 6)
        indicators.append(covariates["depth"].to_numpy())
        risk = risk + 0.2 * covariates["depth"].to_numpy()
    life = np.ceil(0.9 * longest * (rng.exponential(size=size) * np.exp(-risk)) ** 0.7)
    end = rng.integers(longest // 2, longest, size).astype(float)
    time, failed = np.minimum(life, end), life <= end
    lives = Lives.from_arrays(time, failed, covariates=covariates)
    return Fleet(time, failed, covariates, lives, np.column_stack(indicators).astype(float))


def built_and_fitted(fleet: Fleet) -> np.ndarray:
    """Log hazard ratios, with building the lives from arrays."""
    return fitted(Lives.from_arrays(fleet.time, fleet.failed, covariates=fleet.covariates))


def fitted(lives: Lives) -> np.ndarray:
    """Log hazard ratios of all covariates."""
    return fit_hazard_ratios(lives, list(lives.covariates)).columns["log_hazard_ratio"]


def by_lifelines(fleet: Fleet) -> np.ndarray:
    """The same by lifelines."""
    from lifelines import CoxPHFitter

    frame = pd.DataFrame(fleet.indicators).rename(columns=str).assign(time=fleet.time, failed=fleet.failed)
    return CoxPHFitter().fit(frame, "time", "failed").params_.to_numpy()


def by_scikit_survival(fleet: Fleet) -> np.ndarray:
    """The same by scikit-survival."""
    from sksurv.linear_model import CoxPHSurvivalAnalysis
    from sksurv.util import Surv

    outcome = Surv.from_arrays(fleet.failed, fleet.time)
    return CoxPHSurvivalAnalysis(ties="efron").fit(fleet.indicators, outcome).coef_


def fleet_frame(fleet: Fleet) -> pd.DataFrame:
    """The fleet as a frame for R."""
    return fleet.covariates.assign(time=fleet.time, failed=fleet.failed.astype(int))


def _task(sizes: tuple[int, ...], bar: float, width: int, **kind: Any) -> Task:
    longest, with_number = kind.get("longest", SHORT), bool(kind.get("with_number"))
    words = [f"hazard ratios, {width} indicators", f"{longest} days", *(["a number"] if with_number else [])]
    return Task(
        name=", ".join(words),
        sizes=sizes,
        make=partial(make_fleet, width=width, longest=longest, with_number=with_number),
        ways={
            "ours": lambda fleet: fitted(fleet.lives),
            "ours, building counted": built_and_fitted,
            "lifelines": by_lifelines,
            "scikit-survival": by_scikit_survival,
        },
        bar={"ours": bar},
        repeats=9 if max(sizes) < 1_000 else 3,
        r_script="fit <- NULL; seconds <- system.time(fit <- coxph(Surv(time, failed) ~ ., data))[['elapsed']]; "
        "answer <- coef(fit)",
        r_data=fleet_frame,
        is_quick=max(sizes) <= 100_000 and width <= 17 and longest == SHORT and not with_number,
    )


TASKS = [
    _task((400,), 5.0, 17),
    _task((100_000,), 20.0, 1),
    _task((100_000,), 20.0, 6),
    _task((100_000,), 20.0, 17),
    _task((100_000,), 1.0, 40),
    _task((100_000,), 20.0, 17, longest=LONG),
    _task((100_000,), 1.0, 17, with_number=True),
    _task((1_000_000,), 20.0, 17),
]
"""Where lives do not fall together on a few patterns of levels and days there is less to gain, and the bar is 1."""
