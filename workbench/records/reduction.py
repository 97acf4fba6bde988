"""How do millions of readings become one line per deployment and day? By DuckDB, which spills what is too large."""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.errors import UsageError
from workbench.log.dictionary import Settings, record_columns
from workbench.records.data_files import DataFile

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["QUANTITIES", "Reduced", "reduce_readings"]

QUANTITIES = tuple(c.name for c in record_columns() if c.type == "number")
_MEMORY_MB = 600
_LONG_BEFORE = 365
"""Days before a deployment from which on a clock has surely lost its time; judgement."""


@dataclass(frozen=True, kw_only=True)
class Reduced:
    """What the readings come to.

    Attributes
    ----------
    daily : pandas.DataFrame
        One row per unit, deployment and day: readings, gap, and by quantity its number, mean, least and most.
    spells : pandas.DataFrame
        One row per unit and deployment: readings, first, last, step (seconds between two readings), and the values of
        the last reading.
    outside : pandas.DataFrame
        One row per file and unit: readings in no deployment, before the first of it, of a clock that lost its time, and
        the greatest jump back of the clock.
    unread : tuple of str
        Files whose readings cannot be used, and why, as sentences.
    readings : int
        Rows read.
    """

    daily: "pd.DataFrame"
    spells: "pd.DataFrame"
    outside: "pd.DataFrame"
    unread: tuple[str, ...]
    readings: int


def reduce_readings(files: Sequence[DataFile], spells: "pd.DataFrame", settings: Settings) -> Reduced:
    """Reduce readings to days; `spells` holds unit, deployment, start and stop (the first day after it)."""
    try:
        duckdb = import_module("duckdb")
    except ImportError:
        raise UsageError(
            "reading data files needs duckdb, which is not installed; install it with pip install 'workbench[fleet]'"
        ) from None
    with tempfile.TemporaryDirectory(prefix="workbench-records-") as spill:
        config = {"memory_limit": f"{_MEMORY_MB}MB", "threads": 2, "temp_directory": spill}
        with duckdb.connect(str(Path(spill) / "readings.db"), config=config) as engine:
            engine.execute("SET enable_progress_bar = false")
            engine.execute(f"CREATE TABLE readings (file INTEGER, unit VARCHAR, line BIGINT, t TIMESTAMP, {_TYPED})")
            unread = [said for n, file in enumerate(files) if (said := _take(engine, n, file, settings=settings))]
            engine.register("given_spells", spells)
            engine.execute("CREATE TABLE spells AS SELECT * FROM given_spells")
            engine.execute(_PLACED)
            return Reduced(
                daily=engine.execute(_DAILY).df(),
                spells=engine.execute(_SPELLS).df(),
                outside=engine.execute(_OUTSIDE).df(),
                unread=tuple(unread),
                readings=engine.execute("SELECT count(*) FROM readings").fetchall()[0][0],
            )


def _take(engine: Any, number: int, file: DataFile, *, settings: Settings) -> str:
    """Copy the understood columns of one file; returns what is wrong with the file."""
    import duckdb

    is_text = file.path.suffix.lower() != ".parquet"
    if is_text:
        options = "header = true, all_varchar = true, null_padding = true, ignore_errors = true, strict_mode = false"
        source = f"read_csv($path, delim = $delimiter, encoding = $encoding, {options})"
    else:
        source = "read_parquet($path)"
    values = {"path": str(file.path), "number": number, "unit": file.unit}
    values |= {"delimiter": file.delimiter, "encoding": _ENGINE_NAME[file.encoding]} if is_text else {}
    unit = f"trim(CAST({_quoted(file.headings['unit_id'])} AS VARCHAR))" if not file.unit else "$unit"
    values = {key: value for key, value in values.items() if key != "unit" or file.unit}
    picked = [_number(file.headings.get(name), settings.decimal if is_text else ".") for name in QUANTITIES]
    time = _time(file.headings["recorded_at"], settings)
    query = f"SELECT $number, {unit}, row_number() OVER (), {time}, {', '.join(picked)} FROM {source}"
    try:
        engine.execute(f"INSERT INTO readings {query}", values)
    except duckdb.Error as error:
        return f"{file.path.name} cannot be read ({str(error).splitlines()[0][:120]}); copy it again or mend it"
    read, timed = engine.execute("SELECT count(*), count(t) FROM readings WHERE file = ?", [number]).fetchall()[0]
    if read == timed:
        return "" if read else f"{file.path.name} holds no reading"
    first = engine.execute("SELECT min(line) FROM readings WHERE file = ? AND t IS NULL", [number]).fetchall()[0][0]
    return (
        f"{file.path.name}: {read - timed:,} of {read:,} readings have no time that can be read, the first in row "
        f"{first + 1}, and are not used; name their form in the settings, such as [records] time_format = "
        '"%d/%m/%Y %H:%M"'
    )


_ENGINE_NAME = {"UTF-8": "utf-8", "cp1252": "latin-1", "UTF-16": "utf-16", "utf-8": "utf-8"}
_TYPED = ", ".join(f"{name} FLOAT" for name in QUANTITIES)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _number(heading: str | None, decimal: str) -> str:
    if heading is None:
        return "NULL"
    text = _quoted(heading) if decimal == "." else f"replace({_quoted(heading)}, '{decimal}', '.')"
    return f"TRY_CAST({text} AS FLOAT)"


def _time(heading: str, settings: Settings) -> str:
    form = settings.records.get("time_format")
    if form is None:
        return f"TRY_CAST({_quoted(heading)} AS TIMESTAMP)"
    return f"try_strptime(CAST({_quoted(heading)} AS VARCHAR), '{form.replace(chr(39), chr(39) * 2)}')"


_PLACED = """
CREATE TABLE placed AS
WITH timed AS (SELECT * FROM readings WHERE t IS NOT NULL),
ordered AS (SELECT *, lag(t) OVER (PARTITION BY file, unit ORDER BY line) AS earlier FROM timed)
SELECT ordered.*, spells.deployment, epoch(t) - epoch(earlier) AS step
FROM ordered LEFT JOIN spells ON ordered.unit = spells.unit AND t >= spells.start AND t < spells.stop
"""


def _by_quantity(name: str, low: float, high: float) -> str:
    sound = f"{name} BETWEEN {low} AND {high}"
    return (
        f"count({name}) AS {name}_n, avg({name}) FILTER ({sound}) AS {name}_mean, min({name}) AS {name}_least, "
        f"max({name}) AS {name}_most, count(*) FILTER ({name} IS NOT NULL AND NOT ({sound})) AS {name}_impossible"
    )


_DAILY = f"""
SELECT unit, deployment, CAST(t AS DATE) AS day, count(*) AS readings,
max(step) AS gap, arg_max(earlier, step) AS gap_from,
{", ".join(_by_quantity(c.name, c.low, c.high) for c in record_columns() if c.type == "number")}
FROM placed WHERE deployment IS NOT NULL GROUP BY unit, deployment, day ORDER BY unit, deployment, day
"""

_SPELLS = f"""
SELECT unit, deployment, count(*) AS readings, min(t) AS first, max(t) AS last, list_sort(list(DISTINCT file)) AS files,
approx_quantile(step, 0.5) FILTER (step > 0) AS step, count(*) FILTER (step < 0) AS back, max(line) AS last_line,
arg_max(file, t) AS file, {", ".join(f"arg_max({name}, t) AS last_{name}" for name in QUANTITIES)}
FROM placed WHERE deployment IS NOT NULL GROUP BY unit, deployment ORDER BY unit, deployment
"""

_OUTSIDE = f"""
WITH begun AS (SELECT unit, min(start) AS start FROM spells GROUP BY unit)
SELECT file, placed.unit, any_value(begun.start) IS NOT NULL AS is_known, count(*) AS readings,
count(*) FILTER (deployment IS NULL) AS outside, min(t) FILTER (deployment IS NULL) AS first_outside,
max(t) FILTER (deployment IS NULL) AS last_outside, min(line) FILTER (deployment IS NULL) AS line_outside,
count(*) FILTER (t < begun.start - INTERVAL {_LONG_BEFORE} DAY) AS lost,
max(line) FILTER (t < begun.start - INTERVAL {_LONG_BEFORE} DAY) AS lost_line,
max(line) FILTER (deployment IS NOT NULL) AS last_placed, min(step) FILTER (step < 0) / 60 AS jump_min,
arg_min(line, step) FILTER (step < 0) AS jump_line
FROM placed LEFT JOIN begun ON placed.unit = begun.unit GROUP BY file, placed.unit ORDER BY file, placed.unit
"""
