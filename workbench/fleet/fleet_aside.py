"""Rows set aside from a fleet: one true row as example of each reason, and on request a file of them all."""

import csv
import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.errors import LogError
from workbench.filing import Permit, new_file
from workbench.fleet.fleet_groups import Judged
from workbench.fleet.fleet_repeats import Repeats
from workbench.fleet.fleet_rules import SHAPE, Judge, general_reason
from workbench.fleet.fleet_source import FleetSource, short_of
from workbench.log.writing import inert_text

if TYPE_CHECKING:
    import narwhals as nw

__all__ = ["give_examples", "write_aside"]

_WITHHELD = ("latitude", "longitude", "notes", "photo_1", "photo_2", "photo_3", "photo_4")
_MARK = "\x1f"
_REASON = "set_aside_because"


def give_examples(source: FleetSource, frame: "nw.LazyFrame[Any]", judged: Judged, *, judge: Judge) -> None:
    """Name one true row for each reason in the tally, the first by unit and day."""
    import narwhals as nw

    chosen: dict[int, Any] = {}
    for number, line in judged.reasons:
        if all(line is not other for other in chosen.values()):
            chosen[number] = line
    if not chosen:
        return
    who = nw.concat_str(
        nw.col("wb_unit").fill_null(""), nw.col("wb_start").cast(nw.String), separator=_MARK
    )  # unit and day of one and the same row
    marked = _marked(source, frame, judged, numbers=list(chosen), reasons=[str(n) for n in chosen])
    found = source.collect(marked.select(_REASON, who.alias("wb_who")).group_by(_REASON).agg(nw.col("wb_who").min()))
    for number, text in zip(found.column(_REASON).to_pylist(), found.column("wb_who").to_pylist(), strict=True):
        unit, _, day = text.rpartition(_MARK)
        verdict = judge.of(judged.of.shapes[int(number)].tolist(), int(day), unit or "a unit")
        line = chosen[int(number)]
        for problem in verdict.problems:
            if (problem.field, general_reason(problem, verdict.entry)) == (line.field, line.reason):
                line.unit_id, line.value, line.example = unit, problem.value, problem.reason
                break


def _marked(
    source: FleetSource, frame: "nw.LazyFrame[Any]", judged: Judged, *, numbers: Sequence[int], reasons: Sequence[str]
) -> Any:
    """The rows of some shapes, each with a reason."""
    import pyarrow as pa

    shapes = judged.of.shapes[np.asarray(numbers, dtype=np.int64)]
    columns = {name: pa.array(shapes[:, i], pa.int64()) for i, name in enumerate(SHAPE)}
    small = source.small(pa.table({**columns, _REASON: pa.array(list(reasons), pa.string())}))
    return frame.join(small, on=list(SHAPE), how="inner")


def write_aside(
    target: Path,
    source: FleetSource,
    frame: "nw.LazyFrame[Any]",
    *,
    repeats: Repeats | None,
    judged: Judged,
    headings: Mapping[str, str],
    permit: Permit,
) -> None:
    """Write the rows set aside with the reason of each; the file appears whole or not at all."""
    import pyarrow as pa
    from pyarrow import parquet

    withheld = {headings[name] for name in _WITHHELD if name in headings}
    names = [name for name in source.frame.collect_schema().names() if name not in withheld]
    numbers, lines = [n for n, _ in judged.reasons], [f"{line.field}: {line.reason}" for _, line in judged.reasons]
    try:
        with tempfile.TemporaryDirectory(
            prefix=".workbench-", dir=target.parent, ignore_cleanup_errors=True
        ) as scratch:
            part = Path(scratch) / "rows.parquet"
            rows = _marked(source, frame, judged, numbers=numbers, reasons=lines).select(*names, _REASON)
            if rows.implementation.is_duckdb() or rows.implementation.is_polars():
                with source.guarded(target.name):
                    rows.sink_parquet(part)
            else:
                parquet.write_table(source.collect(rows), part)
            tables = [part]
            if repeats is not None and repeats.aside.any():
                compared = repeats.rows.filter(pa.array(repeats.aside)).select(names)
                tables.append(compared.append_column(_REASON, pa.array(repeats.because, pa.string())))
            _assemble(tables, part.with_name("whole"), target, permit=permit)
    except (OSError, pa.ArrowException) as error:
        raise LogError(f"{target.name} cannot be written ({short_of(error)}); nothing was kept") from None


def _assemble(tables: Sequence[Any], whole: Path, target: Path, *, permit: Permit) -> None:
    """Join what the engine wrote and what was compared here into one file, a batch at a time."""
    import pyarrow as pa
    from pyarrow import parquet

    first = parquet.ParquetFile(tables[0])
    schema = first.schema_arrow
    if target.suffix.lower() == ".csv":
        with whole.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(schema.names)
            for batch in _batches(first, tables[1:], schema):
                rows = zip(*(column.to_pylist() for column in batch.columns), strict=True)
                writer.writerows([inert_text(v) if isinstance(v, str) else v for v in row] for row in rows)
    else:
        with parquet.ParquetWriter(whole, schema) as file:
            for batch in _batches(first, tables[1:], schema):
                file.write_table(batch if isinstance(batch, pa.Table) else pa.Table.from_batches([batch]))
    first.close()
    with new_file(target, permit) as aside:
        os.replace(whole, aside)


def _batches(first: Any, others: Sequence[Any], schema: Any) -> Any:
    yield from first.iter_batches()
    for table in others:
        yield table.cast(schema)
