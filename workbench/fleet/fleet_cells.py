"""Cells of a fleet: each different value of a column is read once, by the rules of a field log, and given a number."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from workbench.errors import LogError
from workbench.fleet.fleet_source import FleetSource
from workbench.log.cells import cell_text
from workbench.log.dictionary import Column, Settings
from workbench.log.rules import EXAMPLE_MARK, TOTALS, Refusal, clean, unit_refusal
from workbench.log.sources import cell_of
from workbench.wording import count_of

if TYPE_CHECKING:
    import datetime as dt

    import narwhals as nw

__all__ = ["NONE", "OUTSIDE", "REFUSED", "CellCodes", "code_name", "read_cells", "read_units", "with_codes"]

NONE = -10_000_000
"""Number of a cell without a value."""
OUTSIDE = 1_000_000
"""Added to the day number of a date that the season cannot hold."""
REFUSED = 10_000_000
"""Number of the first refused value; the next ones follow."""

MOST_VALUES = 1_000_000
"""Different values of one column that are still read one by one."""
_MOST_ODD_NAMES = 200_000
_EPOCH = 719_163


@dataclass(frozen=True, kw_only=True, eq=False)
class CellCodes:
    """The different values of one column.

    Attributes
    ----------
    field, heading : str
        Name in the dictionary, and heading in the source.
    table : pyarrow.Table or None
        Raw value and number; None where every number is `NONE`.
    values : mapping of int to value
        Number to value; of dates the day, of other columns any value.
    refused : mapping of int to (str, Refusal)
        Number to the text of the cell and why it has no value.
    cells : mapping of int to int
        Number to how many cells hold it.
    blank : int
        Number of a cell in which nothing stands.
    notes : tuple of str
        What was dropped and how often.
    """

    field: str
    heading: str
    table: Any
    values: Mapping[int, Any]
    refused: Mapping[int, tuple[str, Refusal]]
    cells: Mapping[int, int]
    blank: int = NONE
    notes: tuple[str, ...] = ()


def code_name(field: str) -> str:
    """Return the name of the column that holds the numbers of a field."""
    return f"wb_{field}"


def read_cells(
    source: FleetSource, heading: str, column: Column, *, settings: Settings, today: "dt.date", is_used: bool = True
) -> CellCodes:
    """Read the different values of a column."""
    import narwhals as nw
    import pyarrow as pa

    rows = source.frame.select(heading).filter(~nw.col(heading).is_null())
    if not is_used and column.type in ("number", "whole") and source.frame.collect_schema()[heading].is_numeric():
        low, high = (min(max(limit, -1e300), 1e300) for limit in (column.low, column.high))
        rows = rows.filter(~nw.col(heading).is_between(low, high))
    found = source.collect(rows.group_by(heading).agg(nw.len().alias("wb_cells")).head(MOST_VALUES + 1))
    if found.num_rows > MOST_VALUES:
        raise LogError(
            f"{source.name}: column {heading!r} ({column.name}) has over {MOST_VALUES:,} different values; "
            "leave it out of covariates=, put it under ignore in [roles], or give days without the time of day"
        )
    cells = [cell_of(value) for value in found.column(heading).to_pylist()]
    counts = found.column("wb_cells").to_pylist()
    reader = _Reader(column, settings, today)
    codes: list[int] = [NONE] * len(cells)
    for row in sorted(range(len(cells)), key=lambda i: cell_text(cells[i])):
        codes[row] = reader.code_of(cells[row], counts[row])
    blank = reader.code_of(None, 0)
    table = pa.table({heading: found.column(heading), code_name(column.name): pa.array(codes, pa.int64())})
    return CellCodes(
        field=column.name,
        heading=heading,
        table=table if set(codes) - {NONE} else None,
        values=reader.values,
        refused=reader.refused,
        cells=reader.cells,
        blank=blank,
        notes=tuple(
            f"{source.name}: {what} in {heading!r} ({count_of(n, 'cell')})."
            for what, n in sorted(reader.remarks.items())
        ),
    )


class _Reader:
    """Gives a number to every cell of a column: days to dates, places in a list to words, later ones to refusals."""

    def __init__(self, column: Column, settings: Settings, today: "dt.date") -> None:
        self.column, self.settings, self.today = column, settings, today
        self.values: dict[int, Any] = {}
        self.refused: dict[int, tuple[str, Refusal]] = {}
        self.cells: Counter[int] = Counter()
        self.remarks: Counter[str] = Counter()
        self._numbers: dict[Any, int] = {}

    def code_of(self, cell: Any, count: int) -> int:
        value, refusal, remark = clean(cell, self.column, self.settings)
        if remark:
            self.remarks[remark] += count
        if refusal:
            code = REFUSED + len(self.refused)
            self.refused[code] = cell_text(cell), refusal
        elif value is None:
            code = NONE
        elif self.column.type == "date":
            code = self._day(value)
            self.values[code] = value
        else:
            code = self._numbers.setdefault(value, len(self._numbers))
            self.values[code] = value
        if count:
            self.cells[code] += count
        return code

    def _day(self, day: "dt.date") -> int:
        window = self.settings.window
        inside = window[0] <= day <= window[1] if window else day <= self.today
        return day.toordinal() - _EPOCH + (0 if inside else OUTSIDE)


def read_units(source: FleetSource, heading: str, column: Column, *, settings: Settings) -> CellCodes:
    """Read the names of units that are no plain names: empty ones, examples, totals, those with odd white space."""
    import narwhals as nw
    import pyarrow as pa

    name = nw.col(heading).cast(nw.String)
    odd = source.frame.select(name.alias(heading)).filter(name.str.contains(_odd_names(settings)))
    found = source.collect(odd.group_by(heading).agg(nw.len().alias("wb_cells")).head(_MOST_ODD_NAMES + 1))
    if found.num_rows > _MOST_ODD_NAMES:
        raise LogError(
            f"{source.name}: over {_MOST_ODD_NAMES:,} different names in {heading!r} have letters outside ASCII, "
            "double spaces or spaces at an end; tidy them first"
        )
    raw, counts = found.column(heading).to_pylist(), found.column("wb_cells").to_pylist()
    codes, tidied = [], []
    refused: dict[int, tuple[str, Refusal]] = {}
    cells: Counter[int] = Counter()
    for text, count in zip(raw, counts, strict=True):
        value = clean(text, column, settings).value
        refusal = unit_refusal(value or "", False)
        code = NONE if value is None else 0
        if refusal:
            code = REFUSED + len(refused)
            refused[code] = text, refusal
        codes.append(code)
        tidied.append(value or "")
        cells[code] += count
    names = {"wb_raw": pa.array(raw, pa.string()), "wb_odd": pa.array(codes, pa.int64()), "wb_tidy": tidied}
    return CellCodes(
        field=column.name,
        heading=heading,
        table=pa.table(names) if raw else None,
        values={},
        refused=refused,
        cells=cells,
    )


def _odd_names(settings: Settings) -> str:
    """A pattern, alike in every engine, of the names that are read one by one."""
    missing = "|".join(_escaped(word) for word in settings.missing_words)
    totals = "|".join(word.replace("_", "[ _]*") for word in sorted(TOTALS))
    begins = f"{EXAMPLE_MARK.lower()}|{totals}"
    return f"(?i)^(?:{missing})$|^[^a-z0-9]*(?:{begins})|^[ ]|[ ]$|[ ][ ]|[^ -~]"


def _escaped(text: str) -> str:
    return "".join(c if c.isalnum() or not c.isascii() else f"[{c}]" if c not in "^\\]" else f"\\{c}" for c in text)


def with_codes(
    source: FleetSource,
    frame: "nw.LazyFrame[Any]",
    columns: Mapping[str, CellCodes],
    *,
    units: "nw.LazyFrame[Any] | None" = None,
) -> Any:
    """Return the rows, of some units or of all, with the numbers of some columns beside them."""
    import narwhals as nw

    if "unit_id" in columns:
        frame = _with_units(source, frame, columns["unit_id"])
    if units is not None:
        frame = frame.join(units, on="wb_unit", how="semi")
    read = {name: codes for name, codes in columns.items() if name != "unit_id" and codes.table is not None}
    for name, codes in read.items():
        table = codes.table if name != "deployed_on" else _with_years(codes)
        frame = frame.join(source.small(table), on=codes.heading, how="left")
    blanks = {name: codes.blank for name, codes in columns.items()}
    numbers = [nw.col(code_name(n)).fill_null(blanks[n]) if n in read else nw.lit(blanks[n]) for n in columns]
    named = zip(columns, numbers, strict=True)
    return frame.with_columns(n.cast(nw.Int64).alias(code_name(f)) for f, n in named if f != "unit_id")


def _with_years(codes: CellCodes) -> Any:
    """The year of deployment names the season where nothing else does."""
    import pyarrow as pa

    numbers = codes.table.column(code_name(codes.field)).to_pylist()
    years = [codes.values[n].year if n in codes.values else 0 for n in numbers]
    return codes.table.append_column("wb_year", pa.array(years, pa.int64()))


def _with_units(source: FleetSource, frame: "nw.LazyFrame[Any]", codes: CellCodes) -> Any:
    import narwhals as nw

    raw = nw.col(codes.heading).cast(nw.String)
    if codes.table is None:
        odd, unit = nw.lit(0), raw
    else:
        frame = frame.with_columns(raw.alias("wb_raw")).join(source.small(codes.table), on="wb_raw", how="left")
        odd, raw = nw.col("wb_odd").fill_null(0), nw.col("wb_raw")
        unit = nw.when(nw.col("wb_odd").is_null()).then(raw).otherwise(nw.col("wb_tidy"))
    code = nw.when(raw.is_null()).then(nw.lit(NONE)).otherwise(odd)
    return frame.with_columns(unit.alias("wb_unit"), code.cast(nw.Int64).alias(code_name("unit_id")))
