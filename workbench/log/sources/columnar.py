"""Columnar tables: a Parquet file or a DataFrame as rows of true values; their first row is row 1."""

import datetime as dt
import decimal
import io
from collections.abc import Collection
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.errors import LogError
from workbench.log.cells import Cell, Flaw, RawSheet, cell_text
from workbench.log.sources.textfiles import with_characters

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

__all__ = ["cell_of", "read_arrow", "read_frame", "read_parquet"]

_LARGEST_WHOLE = 10**300
_LONGEST_TEXT = 1_000


def read_parquet(path: Path, data: bytes) -> RawSheet:
    """Read a Parquet file."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        return read_arrow(parquet.read_table(io.BytesIO(data)), path.name)
    except (pa.ArrowException, OSError, ValueError, OverflowError):  # texts are decoded only when they are looked at
        raise LogError(f"{path.name} cannot be read as a Parquet file; write it again from its source") from None


def read_arrow(table: "pa.Table", source: str, *, numbered: bool = True) -> RawSheet:
    """Take an Arrow table as if it had been read from a file."""
    names = tuple(table.column_names)
    keep = [i for i, name in enumerate(names) if not name.startswith("__index_level_")]
    columns = [_listed(table.column(i)) for i in keep]
    sheet = _sheet(source, tuple(names[i] for i in keep), columns)
    return sheet if numbered else replace(sheet, numbered=False)


def read_frame(frame: "pd.DataFrame", source: str = "table") -> RawSheet:
    """Take a DataFrame as if it had been read from a file."""
    columns = [frame.iloc[:, i].astype(object).tolist() for i in range(frame.shape[1])]
    return _sheet(source, tuple(cell_text(cell_of(c)) for c in frame.columns), columns)


def _listed(column: Any) -> list[Any]:
    import pyarrow as pa

    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.timestamp("us", tz=column.type.tz), safe=False)  # Python's times end at microseconds
    return list(column.to_pylist())


def _sheet(source: str, names: tuple[str, ...], columns: list[list[Any]]) -> RawSheet:
    cells = [[cell_of(value) for value in column] for column in columns]
    rows = ((0, names), *((number, row) for number, row in enumerate(zip(*cells, strict=True), start=1)))
    return RawSheet(source=source, rows=tuple(rows), kind="columnar")


def cell_of(value: Any) -> Cell:
    """Return a value of a table as a cell; what holds several values is none."""
    if isinstance(value, str):
        if value.isascii():
            return value
        return with_characters(value.encode("utf-8", "replace").decode())  # "?" for half a character
    if isinstance(value, Collection):  # lists, objects, maps, arrays and bytes
        kind = "raw bytes" if isinstance(value, bytes | bytearray) else "a list or an object"
        return Flaw(str(value)[:_LONGEST_TEXT], f"holds {kind}, not one value", "write one plain value per cell")
    if isinstance(value, int) and abs(value) > _LARGEST_WHOLE:
        return Flaw("(a number of thousands of digits)", "holds a number far too large", "type the value again")
    if value is None or value != value or type(value).__name__ in ("NAType", "NaTType"):
        return None
    if isinstance(value, dt.datetime) and value.tzinfo is not None:
        return value.isoformat(sep=" ", timespec="seconds")  # the offset is kept until the day is taken
    if isinstance(value, dt.datetime):
        return dt.datetime(value.year, value.month, value.day, value.hour, value.minute, value.second)
    if isinstance(value, bool | int | float | dt.date):
        return value
    if isinstance(value, decimal.Decimal):
        return float(value)
    if hasattr(value, "item"):  # a number of the array library
        return cell_of(value.item())
    return str(value)
