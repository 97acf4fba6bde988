"""Repeats in a fleet: units perhaps told of twice are found in the engine, their rows compared as in a field log."""

import re
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.errors import LogError
from workbench.fleet.fleet_cells import NONE, OUTSIDE, code_name
from workbench.fleet.fleet_rules import SHAPE, Judge, greatest
from workbench.fleet.fleet_source import FleetSource
from workbench.fleet.fleet_tally import Tally
from workbench.log.dictionary import Vocabulary, locate
from workbench.log.rules import Entry, Problem, check_across, check_within, read_entries
from workbench.log.sources import read_arrow

if TYPE_CHECKING:
    import narwhals as nw
    import pandas as pd
    import pyarrow as pa

__all__ = ["Repeats", "doubtful_units", "read_repeats"]

_MOST_HELD = 300_000
"""Units with several rows whose names are still passed around as a small table."""
MOST_ROWS = 1_500_000
"""Rows of units told of twice that are still compared one by one."""
_AT_ONCE = 20_000
"""Rows that are compared in one go, which bounds the memory: a unit is compared with itself alone."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Repeats:
    """The rows of units that may be told of twice.

    Attributes
    ----------
    rows : pyarrow.Table
        With their numbers and shapes.
    aside : numpy.ndarray of bool, one a row
        Whether a row contradicts another one and no rule for single rows sets it aside already.
    because : list of str
        Field and reason of the first problem of each row in `aside`.
    tally : Tally
        The same, counted.
    """

    rows: "pa.Table"
    aside: np.ndarray
    because: list[str]
    tally: Tally

    def kept(self, names: Sequence[str]) -> "pd.DataFrame":
        """Return columns of the rows that are not set aside by comparison."""
        import pandas as pd

        return pd.DataFrame({name: self.rows.column(name).to_numpy()[~self.aside] for name in names})


def doubtful_units(source: FleetSource, frame: "nw.LazyFrame[Any]") -> tuple["nw.LazyFrame[Any] | None", int]:
    """Find the units of which two rows may contradict or repeat each other.

    Two rows of a unit are in doubt when their days overlap, when they are the same days, when they have the same season
    and deployment number, or when one has no day of deployment. Refits, and spells that only touch, are cleared later.
    """
    import narwhals as nw

    named = frame.filter(nw.col(code_name("unit_id")) != NONE)
    per_unit = named.select("wb_unit").group_by("wb_unit").agg(nw.len().alias("wb_n")).filter(nw.col("wb_n") > 1)
    table = source.collect(per_unit.head(_MOST_HELD + 1))
    if not table.num_rows:
        return None, 0
    if table.num_rows <= _MOST_HELD:
        per_unit = source.small(table)
    else:
        table = source.collect(per_unit.select(nw.col("wb_n").sum()))
    again = int(sum(table.column("wb_n").to_pylist()))
    spells = _spells(named).join(per_unit.select("wb_unit"), on="wb_unit", how="semi")
    if again <= MOST_ROWS:
        spells = source.small(source.collect(spells))
    pairs = spells.join(_renamed(spells), left_on="wb_unit", right_on="wb_unit2")
    first, last, first2, last2 = (nw.col(f"wb_{name}") for name in ("first", "last", "first2", "last2"))
    clash = ((first < last2) & (first2 < last)) | ((first == first2) & (last == last2))
    clash |= (nw.col("wb_number") != NONE) & (nw.col("wb_number") == nw.col("wb_number2")) & (
        nw.col("wb_in") == nw.col("wb_in2")
    )  # fmt: skip
    clash |= (nw.col("wb_dated") == 0) & (nw.col("wb_dated2") == 0)
    # a row always clashes with itself, so a unit is in doubt when it has more clashing pairs than rows
    clashing = pairs.filter(clash).group_by("wb_unit").agg(nw.len().alias("wb_pairs"))
    doubtful = clashing.join(per_unit, on="wb_unit").filter(nw.col("wb_pairs") > nw.col("wb_n")).select("wb_unit")
    found = source.collect(doubtful.head(MOST_ROWS + 1))
    if found.num_rows > MOST_ROWS:
        raise LogError(
            f"{source.name}: over {MOST_ROWS:,} units are entered twice for the same days; unit_id must name one unit"
        )
    return (source.small(found) if found.num_rows else None), again


def _spells(frame: "nw.LazyFrame[Any]") -> Any:
    """First and last day that a row tells of, never narrower than the spell that the rules compare."""
    import narwhals as nw

    known = (nw.col("wb_age_deployed_on") == 0) | (nw.col("wb_age_deployed_on") == OUTSIDE)

    def plain(field: str) -> Any:
        age = nw.col(f"wb_age_{field}")
        return nw.when(age > OUTSIDE // 2).then(age - OUTSIDE).otherwise(age)

    def usable(field: str) -> Any:
        return nw.when(plain(field).is_between(-OUTSIDE, OUTSIDE)).then(plain(field)).otherwise(nw.lit(0))

    ages = [usable(f) for f in ("last_good_on", "failed_on", "found_on")]
    begins = usable("observed_from")
    begins = nw.when(begins > 0).then(begins).otherwise(nw.lit(0))
    return frame.select(
        nw.col("wb_unit"),
        (nw.col("wb_start") + begins).alias("wb_first"),
        (nw.col("wb_start") + greatest(begins, *ages)).alias("wb_last"),
        nw.col("wb_number"),
        nw.col("wb_in"),
        known.cast(nw.Int64).alias("wb_dated"),
    )


def _renamed(frame: "nw.LazyFrame[Any]") -> Any:
    return frame.rename({name: f"{name}2" for name in frame.collect_schema().names()})


def read_repeats(source: FleetSource, frame: "nw.LazyFrame[Any]", *, judge: Judge, vocabulary: Vocabulary) -> Repeats:
    """Compare the rows of units in doubt, as those of a field log are compared."""
    rows = source.collect(frame.head(MOST_ROWS + 1))
    if rows.num_rows > MOST_ROWS:
        raise LogError(
            f"{source.name}: over {MOST_ROWS:,} rows belong to units entered twice; unit_id must name one unit"
        )
    rows = rows.sort_by([(name, "ascending") for name in ("wb_unit", "wb_start", *SHAPE)])
    aside = np.zeros(rows.num_rows, dtype=bool)
    because: list[str] = []
    tally = Tally()
    for start, end in _parts(rows.column("wb_unit")):
        for number, problem, entry in _contradictions(
            rows.slice(start, end - start), source.name, judge, vocabulary=vocabulary
        ):
            aside[start + number] = True
            line = tally.add([problem], entry, 1)
            if line is None:
                continue
            line.unit_id = line.unit_id or str(entry["unit_id"])
            because.append(sys.intern(f"{line.field}: {line.reason}"))
    return Repeats(rows=rows, aside=aside, because=because, tally=tally)


def _parts(names: "pa.ChunkedArray") -> list[tuple[int, int]]:
    """First row and the row after the last of parts that cut no unit in two."""
    import pyarrow.compute as pc

    first = np.flatnonzero(np.r_[True, pc.not_equal(names[1:], names[:-1]).fill_null(True).to_numpy()])
    cuts = np.searchsorted(first, np.arange(0, len(names), _AT_ONCE))
    starts = np.unique(first[cuts[cuts < len(first)]])
    return list(zip(starts.tolist(), [*starts[1:].tolist(), len(names)], strict=True))


def _contradictions(
    rows: "pa.Table", name: str, judge: Judge, *, vocabulary: Vocabulary
) -> Iterator[tuple[int, Problem, Entry]]:
    """Rows that contradict another one and that no rule for single rows sets aside, with the first problem of each."""
    cells = rows.select([column for column in rows.column_names if not column.startswith("wb_")])
    table = locate(read_arrow(cells, name), vocabulary)
    entries, problems, _ = read_entries(table, vocabulary, judge.settings)
    refused: dict[int, set[str]] = {}
    for problem in (p for p in problems if p.scope == "row"):
        refused.setdefault(problem.row, set()).add(problem.field)
    unusable: set[tuple[int, str, int]] = set()
    for entry in entries:
        fields = frozenset(refused.get(entry.number, ()))
        within = check_within(entry, fields, judge.settings, today=judge.today)
        if fields or any(p.scope == "row" for p in within):
            unusable.add(entry.key)
    first: dict[int, Problem] = {}
    for problem in check_across(entries, frozenset(unusable)):
        if problem.row_key not in unusable:
            first.setdefault(problem.row, problem)
    place = {entry.number: entry for entry in entries}
    for number in sorted(first):
        yield number - 1, _without_numbers(first[number], name), place[number]


def _without_numbers(problem: Problem, name: str) -> Problem:
    """A row of an engine's result has no number that people could look up."""
    address = rf"{re.escape(name)}, row \d+(, column '[^']*')?"
    return replace(problem, reason=re.sub(address, "another row", problem.reason), row=0)
