"""Benchmark of fleets, run on demand: `python -m tests.benchmarks.fleet [ROWS ...]`, 10 k to 10 M rows by itself.

Each size runs in a process of its own, so that its peak memory is its own. Printed are seconds and peak memory by
stage: reading and counting a Parquet file of 20 columns, curves with a rank test, the ranking; then the same curves by
lifelines on the plain rows (read without any check), which must agree to 9 digits. Ends with 1 when a bar is missed:
10 M rows to a ranking in 60 s and 2 GB, and what follows the counting no slower at 10 M rows than twice at 1 M.
"""

import json
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

__all__ = ["main", "measure"]

SIZES = (10_000, 100_000, 1_000_000, 10_000_000)
CHOICES = ["lid_seal", "vent", "board_protection"]
MISSION, STEP = 180, 30
MOST_SECONDS, MOST_MEGABYTES = 60.0, 2000.0


def measure(path: Path) -> dict[str, float]:
    """Time every stage on one file, in this process.

    Parameters
    ----------
    path : Path
        As `write_fleet` makes it.

    Returns
    -------
    dict of str to float
        Seconds, peak megabytes and counts.

    Raises
    ------
    Nothing.
    """
    from workbench.estimate.comparisons import compare_groups
    from workbench.estimate.curves import survival_curve
    from workbench.log.fleet import read_fleet
    from workbench.ranking.rank import rank_choices

    figures: dict[str, float] = {}

    def stage(name: str, start: float) -> float:
        figures[f"{name} s"] = time.perf_counter() - start
        figures[f"{name} MB"] = _peak_megabytes()
        return time.perf_counter()

    clock = time.perf_counter()
    fleet = read_fleet(path, covariates=[*CHOICES, "environment", "site"], step=STEP)
    lives = fleet.lives()
    clock = stage("read", clock)
    survival_curve(lives, by="lid_seal")
    compare_groups(lives, "lid_seal")
    clock = stage("curves", clock)
    rank_choices(lives, CHOICES, adjust=["environment"], mission=MISSION)
    stage("rank", clock)
    return figures | {"rows": fleet.rows, "used": fleet.used, "lives": len(lives)}


def _peak_megabytes() -> float:
    """Most memory this process has held; what getrusage says would count that of the process that started it."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(re.search(r"VmHWM:\s+(\d+)", status)[1]) / 1024


def _against_lifelines(size: int, most: int = 1_000_000) -> dict[str, float]:
    """Curves by seal of exact and right-censored rows, ours from read to curve, theirs from a plain table."""
    import numpy as np
    import pandas as pd
    from lifelines import KaplanMeierFitter

    from tests.benchmarks.fleet_rows import fleet_rows
    from workbench.estimate.curves import survival_curve
    from workbench.log.fleet import read_fleet

    frame = fleet_rows(min(size, most), dirt=0).query("time_basis == 'telemetry'")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "exact.parquet"
        days = {n: frame[n].dt.date for n in frame if frame[n].dtype.kind == "M"}
        frame.assign(**days).to_parquet(path, index=False)
        clock = time.perf_counter()
        lives = read_fleet(path, covariates=["lid_seal"]).lives()
        read = time.perf_counter() - clock
        ours = survival_curve(lives, by="lid_seal")
        curve = time.perf_counter() - clock - read
        clock = time.perf_counter()
        plain = pd.read_parquet(path)
        end = plain["failed_on"].fillna(plain["last_good_on"])
        time_out = (pd.to_datetime(end) - pd.to_datetime(plain["deployed_on"])).dt.days
        failed = plain["outcome"] == "failed"
        theirs = {}
        for seal in sorted(plain["lid_seal"].unique()):
            mine = plain["lid_seal"] == seal
            theirs[seal] = KaplanMeierFitter().fit(time_out[mine], failed[mine])
        other = time.perf_counter() - clock
        at = [90.0, 180.0, 360.0, 720.0]
        table = ours.at(at)
        worst = max(
            float(np.abs(table[table["group"] == s]["survival"] - k.survival_function_at_times(at).to_numpy()).max())
            for s, k in theirs.items()
        )
    return {"rows": len(frame), "read s": read, "curve s": curve, "lifelines s": other, "difference": worst}


def main(sizes: list[int]) -> int:
    """Write, measure and print every size.

    Parameters
    ----------
    sizes : list of int
        Numbers of rows.

    Returns
    -------
    int
        1 if a bar was missed, else 0.

    Raises
    ------
    Nothing.
    """
    from tests.benchmarks.fleet_rows import write_fleet

    found = {}
    heads = ("rows", "file MB", "lives", "read s", "curves s", "rank s", "total s", "peak MB")
    print("".join(f"{h:>12}" for h in heads), flush=True)
    for size in sizes:
        with tempfile.TemporaryDirectory() as folder:
            path = write_fleet(Path(folder) / "fleet.parquet", size)
            command = [sys.executable, "-m", "tests.benchmarks.fleet", "--measure", str(path)]
            out = subprocess.run(command, capture_output=True, text=True, check=True, env={**os.environ})
            row = json.loads(out.stdout.splitlines()[-1])
            megabytes = path.stat().st_size / 1e6
        total = row["read s"] + row["curves s"] + row["rank s"]
        found[size] = row | {"total s": total}
        cells = (f"{size:,}", f"{megabytes:.1f}", f"{row['lives']:,.0f}")
        times = (row["read s"], row["curves s"], row["rank s"], total)
        print("".join(f"{c:>12}" for c in (*cells, *(f"{t:.1f}" for t in times), f"{row['rank MB']:.0f}")), flush=True)
    exact = _against_lifelines(max(sizes))
    print("curves by seal of exact rows: " + ", ".join(f"{k} {v:.3g}" for k, v in exact.items()))
    missed = exact["difference"] > 1e-9
    if 10_000_000 in found:
        missed |= found[10_000_000]["total s"] > MOST_SECONDS or found[10_000_000]["rank MB"] > MOST_MEGABYTES
        if 1_000_000 in found:
            after = {n: found[n]["curves s"] + found[n]["rank s"] for n in (1_000_000, 10_000_000)}
            missed |= after[10_000_000] > 2 * after[1_000_000]
    print("a bar was missed" if missed else "every bar was met")
    return int(missed)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--measure"]:
        print(json.dumps(measure(Path(sys.argv[2]))))
    else:
        sys.exit(main([int(a) for a in sys.argv[1:]] or list(SIZES)))
