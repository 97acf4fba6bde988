"""Benchmark of fleets, run on demand: `python -m tests.benchmarks.fleet [ROWS ...]`, 10 k to 10 M rows by itself.

Two tables. The first: a Parquet file of 20 columns, with dirt, to a ranking; the largest size as csv too. The second:
the rows of that size which are known to the day, without dirt, to curves by seal with a log-rank test and to a Cox fit
of four terms, beside lifelines, scikit-survival and R, each up to the size at which it took over two minutes. Every run
has a process of its own. Ends with 1 when a bar is missed: 10 M rows to a ranking in 60 s and 2 GB, what follows the
counting no slower at 10 M rows than twice at 1 M, and the same answers as the others to 6 digits.
"""

import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.fleet_rows import write_as_csv, write_fleet
from tests.benchmarks.fleet_ways import WAYS, alone

__all__ = ["main"]

SIZES = (10_000, 100_000, 1_000_000, 10_000_000)
MOST_SECONDS, MOST_MEGABYTES, MOST_DIFFERENCE = 60.0, 2000.0, 1e-6
PATIENCE, LONGEST = 120.0, 900.0


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
    missed = [*_rankings(sizes), *_against_others(sizes)]
    print("\n".join(f"missed: {bar}" for bar in missed) or "every bar was met")
    return int(bool(missed))


def _rankings(sizes: list[int]) -> list[str]:
    """Rows to a ranking; returns the bars missed."""
    _print("rows", "kind", "file MB", "lives", "read s", "curves s", "rank s", "total s", "CPU s", "peak MB")
    found = {}
    for size in sizes:
        with tempfile.TemporaryDirectory() as folder:
            path = write_fleet(Path(folder) / "fleet.parquet", size)
            found[size] = _ranking(path)
            if size == max(sizes):
                _ranking(write_as_csv(path))
    missed = []
    if 10_000_000 in found:
        most = found[10_000_000]
        missed += ["seconds to a ranking"] * (most["total s"] > MOST_SECONDS)
        missed += ["memory"] * (most["MB"] > MOST_MEGABYTES)
        if 1_000_000 in found:
            missed += ["flat after counting"] * (most["after s"] > 2 * found[1_000_000]["after s"])
    return missed


def _ranking(path: Path) -> dict[str, Any]:
    row = alone("ranking", path)
    row["after s"] = row["curves s"] + row["rank s"]
    row["total s"] = row["read s"] + row["after s"]
    times = (f"{row[name]:.1f}" for name in ("read s", "curves s", "rank s", "total s", "cpu s"))
    megabytes = f"{path.stat().st_size / 1e6:.1f}"
    _print(
        f"{row['rows']:,}",
        path.suffix[1:],
        megabytes,
        f"{row['lives']:,}",
        *times,
        f"{row['MB']:.0f}",
    )
    return row


def _against_others(sizes: list[int]) -> list[str]:
    """The same questions to other libraries; returns the bars missed."""
    _print("rows", "way", "read s", "curves s", "Cox s", "CPU s", "peak MB", "difference")
    tired: set[str] = set()
    missed = []
    for size in sizes:
        with tempfile.TemporaryDirectory() as folder:
            path = write_fleet(Path(folder) / "exact.parquet", size, dirt=0.0, only="telemetry")
            ours: dict[str, Any] = {}
            for way in [name for name in WAYS if name != "ranking" and name not in tired]:
                found = alone(way, path, LONGEST)
                if "failed" in found:
                    tired.add(way)
                    _print(f"{size:,}", way, found["failed"])
                    continue
                ours = ours or found
                times = [found[name] for name in ("read s", "curves s", "cox s", "cpu s")]
                worst = _difference(ours, found)
                _print(f"{size:,}", way, *(f"{t:.2f}" for t in times), f"{found['MB']:.0f}", f"{worst:.1e}")
                missed += [f"{way} differs at {size:,} rows"] * (not worst <= MOST_DIFFERENCE)
                if way != "ours" and sum(times[:3]) > PATIENCE:
                    tired.add(way)
    return missed


def _difference(one: dict[str, Any], other: dict[str, Any]) -> float:
    """Largest difference of curves, of log hazard ratios, and relative of the test statistic."""
    names = sorted({*one["cox"], *other["cox"]})  # a level that one lacks is its reference
    terms = np.array([name.split("=")[0] for name in names])
    ratios = np.array([[answer["cox"].get(name, 0.0) for name in names] for answer in (one, other)])
    for term in set(terms):
        ratios[:, terms == term] -= ratios[:, terms == term].mean(axis=1, keepdims=True)
    curves = np.abs(np.subtract(one["curves"], other["curves"])).max()
    return float(max(curves, np.abs(ratios[0] - ratios[1]).max(), abs(other["test"] / one["test"] - 1)))


def _print(*cells: str) -> None:
    print("".join(f"{cell:>16}" if i == 1 else f"{cell:>12}" for i, cell in enumerate(cells)), flush=True)


if __name__ == "__main__":
    sys.exit(main([int(a) for a in sys.argv[1:]] or list(SIZES)))
