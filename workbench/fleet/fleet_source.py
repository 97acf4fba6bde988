"""Sources of a fleet: rows as a lazy dataframe of any engine, small tables beside them, and errors in plain words."""

import re
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.errors import LogError, UsageError, WorkbenchError

if TYPE_CHECKING:
    import narwhals as nw
    import pyarrow as pa

__all__ = ["FleetSource", "engine", "of_dataframe", "short_of", "stamp_of"]

_NO_ROOM = (
    "no space left", "max_temp_directory_size", "failed to offload", "out of memory", "not enough space",
    "could not write file", "file too large", "quota",
)  # fmt: skip
_MOST_SENT = 1 << 26
"""Bytes of a small table that are still sent to every worker of a cluster whole."""
_INNER = re.compile(r'"exception_message":"((?:[^"\\]|\\.)*)')
_ENGINE_ERRORS = (
    ("duckdb", "Error"),
    ("polars.exceptions", "PolarsError"),
    ("pyspark.errors", "PySparkException"),
    ("py4j.protocol", "Py4JError"),
    ("pyarrow", "ArrowException"),
    ("narwhals.exceptions", "NarwhalsError"),
)


@dataclass(kw_only=True, eq=False)
class FleetSource:
    """An open source: rows as a lazy dataframe, with small tables of the same engine.

    Attributes
    ----------
    frame : narwhals.LazyFrame
        One row a deployment.
    name : str
        How people call it.
    small : callable
        From a pyarrow.Table to a lazy dataframe of the same engine, to join with.
    files : tuple of (str, str)
        Name and sha256 of each file; none for a dataframe.
    unreadable : mapping of str to (int, str)
        Rows of a text file that could not be split into cells: reason to count and an example.
    notes : tuple of str
        What was assumed.
    settle : callable
        Works a lazy dataframe out once: into a file of this machine where DuckDB reads from files, into what a cluster
        holds for PySpark and Dask; for others it stays as lazy as it is.
    release : list of callable
        What to call when the source is closed.
    """

    frame: "nw.LazyFrame[Any]"
    name: str
    small: Callable[["pa.Table"], "nw.LazyFrame[Any]"]
    files: tuple[tuple[str, str], ...] = ()
    unreadable: Mapping[str, tuple[int, str]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    stamps: Mapping[Path, tuple[int, int]] = field(default_factory=dict)
    settle: Callable[["nw.LazyFrame[Any]"], "nw.LazyFrame[Any]"] = field(default=lambda frame: frame)
    release: list[Callable[[], Any]] = field(default_factory=list)

    def collect(self, frame: "nw.LazyFrame[Any]") -> "pa.Table":
        """Return the rows of a lazy dataframe of this source."""
        with self.guarded():
            options: dict[str, Any] = {"engine": "streaming"} if frame.implementation.is_polars() else {}
            table = frame.collect(**options).to_arrow()
        return table.select([c for c in table.column_names if not c.startswith("__index_level_")])

    @contextmanager
    def guarded(self, target: str | None = None) -> Iterator[None]:
        """Turn what an engine complains of into one sentence."""
        try:
            yield
        except WorkbenchError:
            raise
        except _engine_errors(self.frame) as error:
            self.refuse_changed()
            raise LogError(_in_words(error, self.name, target)) from None
        self.refuse_changed()

    def refuse_changed(self) -> None:
        """Make sure that no file has changed since it was opened."""
        for path, stamp in self.stamps.items():
            if not path.exists() or stamp_of(path) != stamp:
                raise LogError(f"{path.name} changed while it was read, so nothing was kept; read a copy of it")


def stamp_of(path: Path) -> tuple[int, int]:
    """Return what changes when a file does."""
    status = path.stat()
    return status.st_size, status.st_mtime_ns


def short_of(error: BaseException, most: int = 160) -> str:
    """Return the first line of an engine's message, cut when long."""
    text = " ".join(str(error).strip().splitlines()[:1]) or type(error).__name__
    inner = _INNER.search(text)
    text = inner[1].replace('\\"', "'") if inner else text
    return text if len(text) <= most else text[:most] + "…"


def _engine_errors(frame: "nw.LazyFrame[Any]") -> tuple[type[BaseException], ...]:
    found: list[type[BaseException]] = [OSError]
    found += [getattr(sys.modules[m], name) for m, name in _ENGINE_ERRORS if m in sys.modules]
    if frame.implementation.is_dask():
        found += [ValueError, TypeError, RuntimeError, LookupError]  # its workers pass on what pandas raises
    return tuple(found)


def _in_words(error: BaseException, name: str, target: str | None) -> str:
    has_no_room = any(words in str(error).lower() for words in _NO_ROOM)
    if has_no_room and target:
        return f"{target} cannot be written ({short_of(error)}); nothing was kept, make room for it"
    if has_no_room:
        return (
            f"there is no room for what of {name} does not fit in memory ({short_of(error)}); give a folder with more "
            "room as spill=, more memory_mb=, or name fewer covariates="
        )
    return f"{name} cannot be read to its end ({short_of(error)}); write it again from its source"


def engine(name: str) -> Any:
    """Import a module that only fleets need."""
    try:
        return import_module(name)
    except ImportError:
        raise UsageError(
            f"reading a fleet needs {name}, which is not installed; install it with pip install 'workbench[fleet]'"
        ) from None


def of_dataframe(source: Any) -> FleetSource:
    """Take a dataframe as a source."""
    nw = engine("narwhals")
    frame: Any
    try:
        frame = nw.from_native(source)
    except TypeError:
        raise UsageError(
            "source must be a path or a dataframe (polars, DuckDB, PySpark, Dask, pandas, Arrow); "
            f"got {type(source).__name__}"
        ) from None
    if not hasattr(frame, "sink_parquet"):  # held in memory, not lazy
        frame = frame.lazy("polars" if frame.implementation.is_polars() else "duckdb")
    kind = frame.implementation
    opened = FleetSource(frame=frame, name=f"the {kind.value} dataframe", small=_small_tables(frame))
    if kind.is_dask() or kind.is_pyspark() or kind.is_pyspark_connect():
        opened.settle = partial(_persisted, opened)
    return opened


def _persisted(opened: FleetSource, frame: "nw.LazyFrame[Any]") -> Any:
    """On a cluster the numbers stay with the workers, in memory or on their disks, until the source is closed."""
    import narwhals as nw

    with opened.guarded():
        held = nw.to_native(frame).persist()
        if not opened.frame.implementation.is_dask():
            opened.release.append(held.unpersist)
            return nw.from_native(held)
        import dask.dataframe as dd

        # by their names: Dask else hashes all that it holds again for every expression
        return nw.from_native(dd.from_delayed(held.to_delayed(), meta=held._meta))


def _small_tables(frame: "nw.LazyFrame[Any]") -> Callable[["pa.Table"], "nw.LazyFrame[Any]"]:
    """How a small table gets into the engine that holds the rows."""
    import narwhals as nw

    native, kind = nw.to_native(frame), frame.implementation
    if kind.is_duckdb():
        # a view name of its own; the engine finds the Arrow table by the name of the variable
        return lambda small: nw.from_native(native.query("fleet_rows", "SELECT * FROM small"))
    if kind.is_polars():
        import polars as pl

        return lambda table: nw.from_native(pl.DataFrame(table).lazy())
    if kind.is_pyspark() or kind.is_pyspark_connect():
        return lambda table: nw.from_native(_broadcast(native.sparkSession.createDataFrame(table), table.nbytes))
    if kind.is_dask():
        import dask.dataframe as dd

        return lambda table: nw.from_native(dd.from_pandas(table.to_pandas(), npartitions=1))
    raise UsageError(f"dataframes of {kind.value} are not taken here; give polars, DuckDB, PySpark or Dask")


def _broadcast(small: Any, size: int) -> Any:
    """A table sent to every worker; Spark does not know that it is small, and would sort all rows for each join."""
    return small.hint("broadcast") if size <= _MOST_SENT else small
