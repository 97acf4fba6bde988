"""Study of fleets: the same lives from PySpark and Dask as from a file, and how many lives rows and covariates make.

Run on demand:  python -m tests.studies.fleets engines [ROWS]   (Java 17 for PySpark; ends with 1 when lives differ)
                python -m tests.studies.fleets growth [ROWS]    (prints a table for tests/benchmarks/RESULTS.md)
"""

import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.fleet_rows import write_fleet
from workbench.fleet.fleets import Fleet, read_fleet

KEPT = ["lid_seal", "vent", "board_protection", "environment", "site", "season"]
CHOICES = ["lid_seal", "vent", "board_protection"]
WIDER = [*CHOICES, "environment", "fasteners", "shade", "desiccant", "batch", "firmware"]


def _engines(path: Path) -> Iterator[tuple[str, Any]]:
    """The rows of a file as every lazy dataframe of a cluster; PySpark runs in this machine."""
    import dask.dataframe as dd
    import duckdb
    import polars as pl
    from pyspark.sql import SparkSession

    yield "polars", pl.scan_parquet(path)
    yield "duckdb", duckdb.connect().read_parquet(str(path))
    yield "dask", dd.read_parquet(path)
    spark = (
        SparkSession.builder.master("local[2]")
        .config("spark.driver.memory", "2g")
        .config("spark.sql.shuffle.partitions", "4")
        .config("spark.ui.enabled", "false")
        .getOrCreate()
    )
    spark.sparkContext.setLogLevel("ERROR")
    yield "pyspark", spark.read.parquet(str(path))
    spark.stop()


def _differences(one: Fleet, other: Fleet) -> list[str]:
    """What two readings of the same rows do not agree in."""
    found = [n for n in ("rows", "used") if getattr(one, n) != getattr(other, n)]
    found += [n for n in ("set_aside", "problems") if not getattr(one, n).equals(getattr(other, n))]
    a, b = one.lives(), other.lives()
    arrays = ("entry", "lower", "upper", "weight", "cause")
    found += [n for n in arrays if not np.array_equal(getattr(a, n), getattr(b, n))]
    return found if a.covariates.equals(b.covariates) else [*found, "covariates"]


def engines(rows: int) -> int:
    """Read the same rows by every engine and compare.

    Parameters
    ----------
    rows : int
        How many.

    Returns
    -------
    int
        1 when anything differs.

    Raises
    ------
    Nothing.
    """
    differ = 0
    with tempfile.TemporaryDirectory() as folder:
        path = write_fleet(Path(folder) / "fleet.parquet", rows)
        clock = time.perf_counter()
        first = read_fleet(path, covariates=KEPT)
        print(f"{'file':10} {time.perf_counter() - clock:6.1f} s  {first.rows:,} rows, {first.used:,} used")
        for name, source in _engines(path):
            clock = time.perf_counter()
            found = _differences(first, read_fleet(source, covariates=KEPT))
            differ |= bool(found)
            print(f"{name:10} {time.perf_counter() - clock:6.1f} s  {', '.join(found) or 'the same lives'}", flush=True)
    return int(differ)


def growth(most: int) -> int:
    """Count the lives that more rows, more covariates and coarser days make.

    Parameters
    ----------
    most : int
        Rows of the largest fleet; a tenth and a hundredth of it are read too.

    Returns
    -------
    int
        0.

    Raises
    ------
    Nothing.
    """
    print(
        f"{'covariates':>10} {'step':>5} "
        + " ".join(f"{most // k:>12,}" for k in (100, 10, 1))
        + "   lives at so many rows"
    )
    with tempfile.TemporaryDirectory() as folder:
        paths = [write_fleet(Path(folder) / f"{k}.parquet", most // k) for k in (100, 10, 1)]
        for covariates in (CHOICES[:1], CHOICES, [*CHOICES, "environment"], WIDER):
            for step in (1, 7, 30):
                counts = [len(read_fleet(p, covariates=covariates, step=step).lives()) for p in paths]
                print(f"{len(covariates):>10} {step:>5} " + " ".join(f"{c:>12,}" for c in counts), flush=True)
    return 0


if __name__ == "__main__":
    what, rows = (sys.argv[1:2] or ["engines"])[0], int((sys.argv[2:3] or ["20000"])[0])
    sys.exit({"engines": engines, "growth": growth}[what](rows))
