"""Study of fleets: the same lives from PySpark and Dask as from a file, and how many lives rows and covariates make.

Run on demand:  python -m tests.studies.fleets engines [ROWS]   (Java 17 for PySpark; ends with 1 when lives differ)
                python -m tests.studies.fleets growth [ROWS]    (prints a table for tests/benchmarks/RESULTS.md)
"""

import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.fleet_rows import write_fleet
from tests.fleet.spark_cluster import spark_session, standalone_master
from workbench.fleet.fleets import Fleet, read_fleet

KEPT = ["lid_seal", "vent", "board_protection", "environment", "site", "season"]
CHOICES = ["lid_seal", "vent", "board_protection"]
WIDER = [*CHOICES, "environment", "fasteners", "shade", "desiccant", "batch", "firmware"]


@contextmanager
def _polars(path: Path) -> Iterator[Any]:
    import polars as pl

    yield pl.scan_parquet(path)


@contextmanager
def _duckdb(path: Path) -> Iterator[Any]:
    import duckdb

    yield duckdb.connect().read_parquet(str(path))


@contextmanager
def _dask(path: Path) -> Iterator[Any]:
    import dask.dataframe as dd

    yield dd.read_parquet(path)


@contextmanager
def _spark_here(path: Path) -> Iterator[Any]:
    with spark_session("local[2]") as spark:
        yield spark.read.parquet(str(path))


@contextmanager
def _spark_standalone(path: Path) -> Iterator[Any]:
    with (
        tempfile.TemporaryDirectory() as folder,
        standalone_master(Path(folder)) as master,
        spark_session(master) as spark,
    ):
        yield spark.read.parquet(str(path))


@contextmanager
def _file(path: Path) -> Iterator[Any]:
    yield path


WAYS = {
    "file": _file,
    "polars": _polars,
    "DuckDB": _duckdb,
    "Dask": _dask,
    "PySpark, local mode": _spark_here,
    "PySpark, standalone": _spark_standalone,
}


def _reading(way: str, path: Path) -> tuple[dict[str, Any], list[float]]:
    """What a fleet says, the seconds until the session began and until it was read, processor seconds of both."""
    clock, used = [time.perf_counter()], [_processor_seconds()]
    with WAYS[way](path) as source:
        for step in (lambda: None, lambda: read_fleet(source, covariates=KEPT)):
            fleet = step()
            clock.append(time.perf_counter())
            used.append(_processor_seconds())
    return _content(fleet), [*np.diff(clock), *np.diff(used)]


def _processor_seconds() -> float:
    """Of this process and all that it started, directly or not."""
    parents, seconds, ticks = {}, {}, os.sysconf("SC_CLK_TCK")
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue  # it has just ended
        number = int(path.parent.name)
        parents[number], seconds[number] = int(fields[1]), (int(fields[11]) + int(fields[12])) / ticks
    family = {os.getpid()}
    while more := {child for child, parent in parents.items() if parent in family} - family:
        family |= more
    return sum(seconds[number] for number in family)


def _content(fleet: Fleet) -> dict[str, Any]:
    """What two readings of the same rows must agree in."""
    lives = fleet.lives()
    found = {n: getattr(fleet, n) for n in ("rows", "used", "set_aside", "problems")}
    return found | {n: getattr(lives, n) for n in ("entry", "lower", "upper", "weight", "cause", "covariates")}


def _differences(one: dict[str, Any], other: dict[str, Any]) -> list[str]:
    same = {n: one[n].equals(other[n]) if hasattr(one[n], "equals") else np.array_equal(one[n], other[n]) for n in one}
    return [name for name, agrees in same.items() if not agrees]


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
    differ, first = 0, None
    print(f"{'':20} session s  read s  processor s: session, read    load")
    with tempfile.TemporaryDirectory() as folder:
        path = write_fleet(Path(folder) / "fleet.parquet", rows)
        for way in WAYS:
            # a process each, so that no way finds Java or a library already there
            with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as alone:
                said, (session, read, cpu_session, cpu_read) = alone.submit(_reading, way, path).result()
            first = first or said
            found = _differences(first, said)
            differ += bool(found)
            print(
                f"{way:20} {session:9.1f} {read:7.1f} {cpu_session:21.1f} {cpu_read:6.1f} {os.getloadavg()[0]:7.1f}   "
                f"{'differs in ' + ', '.join(found) if found else 'the same lives'}",
                flush=True,
            )
    return int(differ > 0)


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
