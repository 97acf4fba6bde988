"""Lives of simulated seasons for the studies: from the log as written, by the plain rules, without dirt."""

import numpy as np
import pandas as pd

from workbench.lives import Lives
from workbench.simulate import simulate_season

CHOICES = (
    "enclosure_rating", "lid_seal", "seal_material", "seal_bonded", "fasteners", "closure", "vent", "board_protection",
    "desiccant", "cable_entry", "shade",
)  # fmt: skip


def season_lives(n: int, seed: int, effects: dict, **options) -> tuple[Lives, dict]:
    """Return the lives of a simulated season and its truth; dates become ages, an unknown end stays an interval."""
    log, truth = simulate_season(n, seed=seed, effects=effects, redeployed_share=0.0, refit_share=0.0, **options)
    day = {
        c: pd.to_datetime(log[c], format="%Y-%m-%d") for c in ("deployed_on", "last_good_on", "failed_on", "found_on")
    }
    age = {c: (day[c] - day["deployed_on"]).dt.days.to_numpy(dtype=float) for c in day}
    outcome = log["outcome"].to_numpy()
    good, found, failed_on = age["last_good_on"], age["found_on"], age["failed_on"]
    failed = outcome == "failed"
    guess = (log["time_basis"] == "guess").to_numpy()
    lower = np.nan_to_num(good, nan=0.0)
    lower = np.where((outcome == "working") | (outcome == "withdrawn"), np.fmax(lower, np.nan_to_num(found)), lower)
    upper = np.full(len(log), np.inf)
    exact = failed & np.isfinite(failed_on) & ~guess
    read = failed & ~exact & (log["time_basis"] == "last_record").to_numpy() & np.isfinite(good)
    upper[failed] = np.where(np.isfinite(found), found, failed_on)[failed]
    upper[read] = good[read] + 1
    lower[exact], upper[exact] = failed_on[exact], failed_on[exact]
    at_zero = failed & (upper <= 0)
    lower[at_zero], upper[at_zero] = 0.0, 1.0
    same = failed & (lower == upper) & ~exact
    lower[same] -= 1.0
    frame = log[[*CHOICES, "site", "environment", "corrosivity", "batch"]].copy()
    for name in ("elevation_m", "distance_to_salt_water_m"):
        frame[name] = pd.to_numeric(log[name])
    frame["outcome"], frame["deployed_on"] = outcome, day["deployed_on"]
    last = pd.Series([v[-1] for v in truth["visit_days"]], dtype=float).to_numpy()
    frame["followed_to"] = np.maximum(last, lower)
    return Lives.from_arrays(lower=lower, upper=upper, covariates=frame), truth
