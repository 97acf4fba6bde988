"""Benchmark on demand: what does a ranking of many lives take?  python -m tests.benchmarks.ranking [KIND] [LIVES]

Kinds: plain (three choices, times that all differ), wide (ten choices of four levels), spans (a third known only to a
span of its own), log (a simulated season read row by row, all its choices). One row each, processor time in seconds.
"""

import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from workbench.lives import Lives
from workbench.log.season_log.reading import read_log
from workbench.ranking.choices import question_of, rank_choices
from workbench.ranking.model import build_design, fitted_design, resample_design
from workbench.simulate import simulate_season

PLAIN = {"seal": (0.0, 0.3, 0.5), "vent": (0.0, 0.1), "board": (0.0, 0.0, 0.2)}
WIDE = {f"choice {number}": (0.0, 0.1, 0.2, 0.05 * number) for number in range(10)}


def different_lives(n: int, effects: dict[str, tuple[float, ...]] = PLAIN, *, spans: float = 0.0) -> Lives:
    """Return n lives at nine sites in three environments, about half failed, with effects on log life by level."""
    rng = np.random.default_rng(0)
    site = rng.integers(0, 9, n)
    location = 5.4 + np.array([-0.4, 0.0, 0.3])[site // 3] + rng.normal(0, 0.2, 9)[site]
    frame = {"site": np.array([f"site {s}" for s in range(9)], dtype=object)[site]}
    frame["environment"] = np.array(["marsh", "bog", "lane"], dtype=object)[site // 3]
    for name, shifts in effects.items():
        level = rng.integers(0, len(shifts), n)
        frame[name] = np.array([f"level {number}" for number in range(len(shifts))], dtype=object)[level]
        location = location + np.array(shifts)[level]
    life, end = np.exp(location + 0.6 * np.log(rng.exponential(size=n))), rng.uniform(150, 260, n)
    width = np.where(rng.random(n) < spans, rng.uniform(20, 42, n), 0.0)
    lower = np.where(life <= end, np.maximum(life - rng.random(n) * width, 0.0), end)
    upper = np.where(life <= end, np.where(width > 0, lower + width, life), np.inf)
    return Lives.from_arrays(lower=lower, upper=upper, covariates=frame)


def season_lives(n: int) -> tuple[Lives, dict[str, Any]]:
    """Return the lives of a simulated season as its log is read, with what a ranking asks of it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        simulate_season(n, seed=5)[0].to_csv(path, index=False)
        log = read_log(path)
    lives = log.lives()
    question = question_of(log, lives)
    return lives, {"choices": question.choices, "adjust": question.adjust, "reference": question.reference}


def timed(work: Callable[[], object]) -> float:
    """Seconds of processor time of some work."""
    begun = time.process_time()
    work()
    return time.process_time() - begun


def main(kind: str = "plain", n: int = 20_000) -> None:
    """Print one row: kind, lives, seconds for 1,000 replicates and for the whole ranking, peak MB, load."""
    if kind == "log":
        lives, asked = season_lives(n)
    else:
        effects = WIDE if kind == "wide" else PLAIN
        lives = different_lives(n, effects, spans=1 / 3 if kind == "spans" else 0.0)
        asked = {"choices": list(effects), "adjust": ("environment",), "reference": None}
    fitted = fitted_design(build_design(lives, **asked))
    replicates = timed(lambda: resample_design(fitted, 1000, 0))
    whole = timed(lambda: rank_choices(lives, **asked, mission=180, tried=[]))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"| {kind} {n:,} | {replicates:.2f} | {whole:.1f} | {peak:,.0f} | load {os.getloadavg()[0]:.0f} |")


if __name__ == "__main__":
    main(*sys.argv[1:2], *(int(a) for a in sys.argv[2:3]))
