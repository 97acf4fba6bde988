"""Files of a fleet: Parquet or CSV of any size through DuckDB out of core, opened once and watched for changes."""

import hashlib
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.errors import LogError, UsageError
from workbench.fleet.fleet_source import FleetSource, engine, of_dataframe, short_of, stamp_of
from workbench.fleet.fleet_text import stage_text
from workbench.log.cells import RawSheet
from workbench.log.sources import TEXT_SUFFIXES, refuse_other_kind

if TYPE_CHECKING:
    import narwhals as nw

__all__ = ["Workspace", "has_more_rows", "open_source"]

_ENDINGS = (".parquet", *TEXT_SUFFIXES)
_HEAD = 1 << 16
_CHUNK = 1 << 22


@dataclass(frozen=True, kw_only=True)
class Workspace:
    """What an engine of this machine may use: memory in MB, threads, and the folder for what does not fit."""

    memory: int
    threads: int
    folder: Path


def has_more_rows(source: Any, most: int) -> bool:
    """Tell whether a path stands for more rows than can be kept one by one, in files that a fleet may have."""
    from pyarrow import ArrowException

    try:
        sizes = [_size(path, most) for path in _paths(source)]
    except (UsageError, OSError, ArrowException):
        return False
    return len({headings for headings, _ in sizes}) == 1 and sum(rows for _, rows in sizes) > most


def _size(path: Path, most: int) -> tuple[Any, int]:
    """Headings and rows of a file; lines are counted only as far as needed."""
    if path.suffix.lower() == ".parquet":
        from pyarrow import parquet

        with parquet.ParquetFile(path) as file:
            return tuple(file.schema_arrow.names), file.metadata.num_rows
    rows = 0
    with path.open("rb") as data:
        headings = data.readline(_HEAD)
        while rows <= most and (chunk := data.read(_CHUNK)):
            rows += chunk.count(b"\n")
    return headings, rows


@contextmanager
def open_source(source: Any, workspace: Workspace, fit: Callable[[RawSheet], int]) -> Iterator[FleetSource]:
    """Open a path or a dataframe."""
    if isinstance(source, str | Path | list | tuple):
        with _open_files(_paths(source), workspace, fit) as opened:
            yield opened
        return
    opened = of_dataframe(source)
    try:
        yield opened
    finally:
        for release in opened.release:
            release()


def _paths(source: Any) -> list[Path]:
    given = [Path(source)] if isinstance(source, str | Path) else [Path(p) for p in source]
    paths: list[Path] = []
    for one in given:
        if not one.exists():
            raise UsageError(f"there is no file or folder {one}; check the path")
        inside = [one]
        if one.is_dir():
            inside = sorted(p for p in one.iterdir() if p.suffix.lower() in _ENDINGS and not p.name.startswith("."))
            if not inside:
                raise UsageError(f"the folder {one} holds no file of a fleet (looked for {', '.join(_ENDINGS)})")
        paths += inside
    kinds = {p.suffix.lower() == ".parquet" for p in paths}
    odd = next((p for p in paths if p.suffix.lower() not in _ENDINGS), None)
    if odd:
        raise UsageError(f"{odd.name} is no file of a fleet, which ends in {', '.join(_ENDINGS)}; use read_log for it")
    if len(kinds) != 1:
        raise UsageError("give Parquet files or text tables, not both at once" if paths else "no file was named")
    return list(dict.fromkeys(paths))


@contextmanager
def _open_files(paths: list[Path], workspace: Workspace, fit: Callable[[RawSheet], int]) -> Iterator[FleetSource]:
    duckdb, nw = engine("duckdb"), engine("narwhals")
    stamps = {path: _first_look(path) for path in paths}
    name = paths[0].name if len(paths) == 1 else f"{paths[0].name} and {len(paths) - 1} more"
    spill = _spill_folder(workspace.folder)
    connection = duckdb.connect(
        config={"memory_limit": f"{workspace.memory}MB", "threads": workspace.threads, "temp_directory": str(spill)}
    )
    connection.execute("SET preserve_insertion_order = false")
    connection.execute("SET enable_progress_bar = false")
    opened = FleetSource(
        frame=nw.from_native(connection.sql("SELECT 1 AS nothing")),
        name=name,
        small=lambda table: nw.from_native(connection.from_arrow(table)),
        files=tuple((path.name, _digest(path)) for path in paths),
        stamps=stamps,
    )
    try:
        with opened.guarded():
            if paths[0].suffix.lower() == ".parquet":
                _refuse_mixed_types(paths)
                relation = connection.read_parquet([str(p) for p in paths])
            else:
                staged = stage_text(connection, paths, spill, fit=fit)
                opened.unreadable, opened.notes = staged.unreadable, staged.notes
                relation = connection.read_parquet(list(staged.files), union_by_name=True)
            opened.frame = nw.from_native(relation)
        opened.settle = partial(_settled, opened, connection, target=spill / "settled.parquet")
        yield opened
    finally:
        connection.close()
        shutil.rmtree(spill, ignore_errors=True)


def _first_look(path: Path) -> tuple[int, int]:
    try:
        with path.open("rb") as data:
            refuse_other_kind(path.name, path.suffix.lower(), data.read(_HEAD))
        return stamp_of(path)
    except OSError as error:
        raise LogError(f"{path.name} cannot be opened ({error.strerror}); ask for the right to read it") from None


def _spill_folder(folder: Path) -> Path:
    try:
        return Path(tempfile.mkdtemp(prefix="fleet-", dir=folder))
    except OSError as error:
        raise LogError(
            f"nothing can be written in the folder {folder} ({error.strerror}); name another one as spill=, with room "
            "for a copy of the data"
        ) from None


def _settled(opened: FleetSource, connection: Any, frame: "nw.LazyFrame[Any]", *, target: Path) -> Any:
    import narwhals as nw

    with opened.guarded():
        nw.to_native(frame).write_parquet(str(target), compression="lz4")
        return nw.from_native(connection.read_parquet(str(target)))


def _digest(path: Path) -> str:
    with path.open("rb") as data:
        return hashlib.file_digest(data, "sha256").hexdigest()


def _refuse_mixed_types(paths: list[Path]) -> None:
    """Every file is readable, and a column has one type in all of them."""
    import pyarrow as pa
    from pyarrow import parquet

    seen: dict[str, tuple[Any, str]] = {}
    for number, path in enumerate(paths):
        try:
            schema = parquet.read_schema(path)
        except (pa.ArrowException, OSError, ValueError) as error:
            raise LogError(
                f"{path.name} cannot be read as a Parquet file ({short_of(error)}); it may be cut short, write it again"
            ) from None
        for column in schema:
            kind, first = seen.setdefault(column.name, (column.type, path.name))
            if kind != column.type:
                raise LogError(
                    f"column {column.name!r} is {kind} in {first} and {column.type} in {path.name}; "
                    "write both with one type"
                )
        if lacking := sorted(set(seen) - set(schema.names)):
            raise LogError(f"{path.name} has no column {lacking[0]!r}, which {seen[lacking[0]][1]} has; write it too")
        if more := sorted(name for name in schema.names if number and seen[name][1] == path.name):
            raise LogError(f"{paths[0].name} has no column {more[0]!r}, which {path.name} has; write it too")
