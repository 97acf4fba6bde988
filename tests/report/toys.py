"""Toy seasons: lives given by hand, with just enough of a log around them for findings."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from workbench.lives import Lives
from workbench.report.basis.season_data import SeasonData


def season_of(time, failed, covariates, *, mission=150.0, outcome=None, lower=None, upper=None, **more):
    """A SeasonData of lives by hand; outcome defaults to failed or working."""
    if lower is None:
        lower = np.asarray(time, dtype=float)
        upper = np.where(np.asarray(failed), lower, np.inf)
    frame = pd.DataFrame({k: np.asarray(v, dtype=object) for k, v in covariates.items()})
    ended = np.where(np.isfinite(np.asarray(upper, dtype=float)), "failed", "working")
    frame["outcome"] = ended if outcome is None else np.asarray(outcome, dtype=object)
    names = np.array([f"U{i}" for i in range(len(frame))], dtype=object)
    lives = Lives.from_arrays(lower=lower, upper=upper, covariates=frame, cluster=names)
    settings = SimpleNamespace(as_dict=dict, last_good_is="visit")
    log = SimpleNamespace(
        lives=lambda: lives,
        rows=len(lives),
        used=len(lives),
        rows_set_aside=0,
        notes=(),
        settings=settings,
        files=(("toy.csv", "0" * 64),),
    )
    return SeasonData(log=log, lives=lives, mission=mission, **more)
