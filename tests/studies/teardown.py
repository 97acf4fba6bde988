"""Study on demand: calibration of suggested mechanisms, and coverage of imputed incidence against leaving failures out.

Run with `python -m tests.studies.teardown 150`; the number is that of simulated seasons.
"""

import itertools
import sys

import numpy as np

from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.lives import UNDETERMINED
from workbench.log.season_log.reading import read_log
from workbench.simulate import simulate_season
from workbench.teardown.ends.survey import class_incidence
from workbench.teardown.mechanisms.mechanism import suggest_from_records, suggest_mechanism
from workbench.teardown.mechanisms.sign_families import PARTS

WATER = ("lid_seal_leak", "gland_or_connector_leak", "vapour_condensation", "corrosion_contacts")
EDGES = (0.0, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.01)
DAY = 150.0
PLAIN = {
    "site_sd": 0.0,
    "undetermined_share": 0.35,
    "dead_on_arrival_share": 0.0,
    "informative_share": 0.0,
    "redeployed_share": 0.0,
    "refit_share": 0.0,
    "wrong_verdict_share": 0.0,
}


def calibration(seasons: int) -> None:
    """Print stated probability beside the share that was right."""
    stated, right = [], []
    for seed in range(seasons):
        log, truth = simulate_season(168, seed=seed)
        found = suggest_from_records(log)
        opened = ~np.isnan(found.teardowns.seen[found.rows]).all(axis=1)
        true = np.asarray(truth["mechanism"], dtype=object)[found.rows]
        stated += found.columns["probability"][opened].tolist()
        right += [_names(b, t) for b, t in zip(found.columns["best"][opened], true[opened], strict=True)]
    chance, hit = np.array(stated), np.array(right)
    print("stated from to     units  mean stated  share right")
    for low, high in itertools.pairwise(EDGES):
        part = (chance >= low) & (chance < high)
        print(f"{low:5.2f} {min(high, 1):5.2f} {part.sum():12d} {chance[part].mean():12.3f} {hit[part].mean():12.3f}")


def _names(best: str, true: str) -> bool:
    """Whether a suggestion names the truth, or a part of it where the truth is a wider word."""
    return best == true or best in PARTS.get(true, ())


def coverage(seasons: int) -> None:
    """Print truth, mean estimates and how often 95 % limits hold the truth."""
    truths, rows = [], []
    for seed in range(500, 500 + seasons):
        log, truth = simulate_season(168, seed=seed, **PLAIN)
        days = np.column_stack([np.asarray(v, dtype=float) for v in truth["mechanism_days"].values()])
        first = np.array(list(truth["mechanism_days"]))[days.argmin(axis=1)]
        truths.append(np.mean((days.min(axis=1) <= DAY) & np.isin(first, WATER)))
        read = read_log(log, {"window": ["2024-01-01", "2027-12-31"]})
        lives = read.lives()
        found = class_incidence(lives, suggest_mechanism(read), DAY)
        row = found.table.set_index("cause").loc["moisture-related"]
        kept = lives.take(np.asarray(lives.cause) != UNDETERMINED)
        word = np.where(np.isin(kept.cause.astype(str), WATER), "water", np.where(kept.failed, "other", ""))
        out = cumulative_incidence(kept.replace(cause=word)).at([DAY]).set_index("cause").loc["water"]
        rows.append([row["incidence"], row["lower"], row["upper"], out["incidence"], out["lower"], out["upper"]])
    table, true = np.array(rows), float(np.mean(truths))
    for name, first in (("imputed", 0), ("left out", 3)):
        held = np.mean((table[:, first + 1] <= true) & (true <= table[:, first + 2]))
        print(f"{name:9s} mean {table[:, first].mean():.3f} (truth {true:.3f}), limits hold it in {held:.2f}")


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    calibration(number)
    coverage(number)
