"""Study on demand: do courses before the end warn, with and without a true precursor?

    python -m tests.studies.warning 40

Without a precursor every unit's course is cut off at a day that has nothing to do with its end.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from workbench.records import Warnings, survey_records
from workbench.simulate import simulate_records, simulate_season

CUT_DAYS = 45
"""Days by which records are cut short where there is to be no precursor: longer than damp shows beforehand."""


def season_of(seed: int, folder: Path, has_precursor: bool) -> Warnings:
    """Survey the data files of one simulated season."""
    log, truth = simulate_season(168, seed=seed)
    made, _ = simulate_records(log, truth, seed=seed, every_hours=8)
    parts = []
    for (unit, _), table in made.items():
        time = pd.to_datetime(table["time"])
        kept = table if has_precursor else table[time <= time.max() - pd.Timedelta(days=CUT_DAYS)]
        parts.append(kept.assign(unit=unit))
    log.to_csv(folder / "log.csv", index=False)
    pd.concat(parts).to_csv(folder / "all.csv", index=False)
    return survey_records(folder / "log.csv", folder / "all.csv", "none").warnings


def main(seasons: int = 40, kinds: str = "both") -> int:
    """Print one row per kind of season: yes, no or both."""
    print(
        "| precursor | seasons with a warning | failed units warned of | false alarms | days before (8 in 10) |\n"
        "|---|---|---|---|---|"
    )
    for kind in ("yes", "no") if kinds == "both" else (kinds,):
        found = []
        for seed in range(seasons):
            with tempfile.TemporaryDirectory() as folder:
                found.append(season_of(seed, Path(folder), kind == "yes"))
        warned = np.mean([one.warned / max(one.failures, 1) for one in found])
        false = np.mean([one.false_alarms / max(one.working, 1) for one in found])
        skill = sum(one.has_skill for one in found)
        lead = [days for one in found for days in one.lead_days]
        told = "{1:.0f} ({0:.0f} to {2:.0f})".format(*np.quantile(lead, [0.1, 0.5, 0.9])) if lead else "–"
        print(f"| {kind} | {skill} of {seasons} | {warned:.2f} | {false:.2f} | {told} |", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 40, *sys.argv[2:3]))
