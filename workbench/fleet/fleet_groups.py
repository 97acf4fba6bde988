"""Groups of a fleet: rows alike in shape and covariates counted by the engine, and every shape judged once."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.errors import LogError
from workbench.fleet.fleet_cells import NONE, OUTSIDE, CellCodes, code_name, with_codes
from workbench.fleet.fleet_counts import BY_YEAR, Counted, rounded_to
from workbench.fleet.fleet_repeats import Repeats
from workbench.fleet.fleet_rules import DATES, SHAPE, Judge, Verdict, with_shapes
from workbench.fleet.fleet_source import FleetSource
from workbench.fleet.fleet_tally import Tally, TallyLine

if TYPE_CHECKING:
    import narwhals as nw
    import pandas as pd

__all__ = ["Judged", "Shapes", "count_rows", "different_shapes", "group_rows", "judge_shapes"]

MOST_GROUPS = 3_000_000
"""Different combinations that are still held in memory."""
MOST_SHAPES = 2_000_000
"""Different shapes that are still judged one by one."""
TOO_EARLY = "the life ended within the step of days in which it came under observation, and says nothing"


def group_rows(
    source: FleetSource,
    codes: Mapping[str, CellCodes],
    covariates: Sequence[str],
    *,
    step: int,
    names_season: bool,
    whole: bool = False,
    units: "nw.LazyFrame[Any] | None" = None,
) -> "nw.LazyFrame[Any]":
    """Return the rows, of some units or of all, with numbers and shapes beside the cells, nothing computed yet."""
    import narwhals as nw

    needed = ("unit_id", *DATES, "outcome", "time_basis", "mechanism", "season", "deployment", *covariates)
    wanted = {name: codes[name] for name in dict.fromkeys(needed) if name in codes}
    cells = source.frame if whole else source.frame.select(*(c.heading for c in wanted.values()))
    frame = with_shapes(with_codes(source, cells, wanted, units=units), list(wanted))
    given = {name: nw.col(code_name(name)) if name in wanted else nw.lit(NONE) for name in ("season", "deployment")}
    frame = frame.with_columns(
        given["deployment"].cast(nw.Int64).alias("wb_number"), given["season"].cast(nw.Int64).alias("wb_in")
    )
    season = nw.lit(NONE)
    if "season" in covariates:
        known = codes["deployed_on"].table is not None and not names_season
        unnamed = nw.lit(-BY_YEAR) - nw.col("wb_year").fill_null(0) if known else nw.lit(NONE)
        season = nw.when(nw.col("wb_in") != NONE).then(nw.col("wb_in")).otherwise(unnamed)
    frame = frame.with_columns(season.cast(nw.Int64).alias("wb_season"))
    gone = next((n for n, word in codes["outcome"].values.items() if word == "missing"), None)
    put_out = nw.lit(NONE)
    if gone is not None and "site" in covariates and "season" in covariates:
        day = nw.col("wb_start") if step == 1 else (nw.col("wb_start") // step) * step
        put_out = nw.when(nw.col("wb_outcome") == gone).then(day).otherwise(nw.lit(NONE))
    with_day: nw.LazyFrame[Any] = frame.with_columns(put_out.cast(nw.Int64).alias("wb_put_out"))
    kept = ("wb_unit", "wb_start", "wb_number", "wb_in", "wb_season", "wb_put_out", code_name("mechanism"))
    fields = (code_name(name) for name in covariates)
    return with_day if whole else with_day.select(*dict.fromkeys((*SHAPE, *kept, *fields)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Shapes:
    """Different shapes in one order, whatever the engine: s of them.

    Attributes
    ----------
    shapes : numpy.ndarray of int, shape (s, len(SHAPE))
        Numbers and ages.
    rows, start : numpy.ndarray of int, shape (s,)
        How many rows have it, and the first day of deployment among them.
    """

    shapes: np.ndarray
    rows: np.ndarray
    start: np.ndarray


def different_shapes(
    source: FleetSource, frame: "nw.LazyFrame[Any]", doubtful: "nw.LazyFrame[Any] | None", *, repeats: Repeats | None
) -> Shapes:
    """Count the rows of every shape; those of doubtful units come from their comparison."""
    import narwhals as nw
    import pandas as pd

    plain = frame if doubtful is None else frame.join(doubtful, on="wb_unit", how="anti")
    counted = plain.group_by(*SHAPE).agg(nw.len().alias("wb_rows"), nw.col("wb_start").min().alias("wb_first"))
    found = source.collect(counted.head(MOST_SHAPES + 1))
    _refuse_too_many(source, found.num_rows, MOST_SHAPES, what="outcome and days")
    parts = [pd.DataFrame({n: found.column(n).to_numpy() for n in (*SHAPE, "wb_rows", "wb_first")})]
    if repeats is not None:
        alike = repeats.kept((*SHAPE, "wb_start")).rename(columns={"wb_start": "wb_first"})
        parts.append(alike.assign(wb_rows=1))
    joined = pd.concat(parts, ignore_index=True).astype(np.int64).groupby(list(SHAPE), sort=True)
    table = joined.agg(wb_rows=("wb_rows", "sum"), wb_first=("wb_first", "min")).reset_index()
    return Shapes(
        shapes=table[list(SHAPE)].to_numpy(), rows=table["wb_rows"].to_numpy(), start=table["wb_first"].to_numpy()
    )


def _refuse_too_many(source: FleetSource, found: int, most: int, *, what: str) -> None:
    if found > most:
        raise LogError(
            f"{source.name}: over {most:,} rows differ in {what}, too many to hold; keep fewer columns apart (name "
            "those asked about as covariates= or choices, or put others under ignore in [roles]) or round days (step)"
        )


def count_rows(
    source: FleetSource,
    frame: "nw.LazyFrame[Any]",
    doubtful: "nw.LazyFrame[Any] | None",
    *,
    repeats: Repeats | None,
    judged: "Judged",
    fields: Sequence[str],
) -> Counted:
    """Count the rows in use that agree in life, outcome, mechanism and covariates."""
    import narwhals as nw
    import pandas as pd
    import pyarrow as pa

    lives, table = judged.numbered()
    more = ("wb_season", code_name("mechanism"), "wb_put_out", *(code_name(f) for f in fields))
    keys = ["wb_life", *dict.fromkeys(more)]
    plain = frame if doubtful is None else frame.join(doubtful, on="wb_unit", how="anti")
    small = source.small(pa.Table.from_pandas(table, preserve_index=False))
    counted = (
        plain.join(small, on=list(SHAPE), how="inner")
        .with_columns((nw.col("wb_start") + nw.col("wb_seen")).alias("wb_day"))
        .group_by(*keys)
        .agg(nw.len().alias("wb_rows"), nw.col("wb_day").max(), nw.col("wb_start").max())
    )
    found = source.collect(counted.head(MOST_GROUPS + 1))
    _refuse_too_many(source, found.num_rows, MOST_GROUPS, what="days or covariates")
    columns = (*keys, "wb_rows", "wb_day", "wb_start")
    parts = [pd.DataFrame({n: found.column(n).to_numpy() for n in columns})]
    if repeats is not None:
        alike = repeats.kept((*SHAPE, "wb_start", *keys[1:])).merge(table, on=list(SHAPE), how="inner")
        parts.append(alike.assign(wb_rows=1, wb_day=alike["wb_start"] + alike["wb_seen"])[list(columns)])
    joined = pd.concat(parts, ignore_index=True).astype(np.int64).groupby(keys, sort=True)
    summed = joined.agg(wb_rows=("wb_rows", "sum"), wb_day=("wb_day", "max"), wb_start=("wb_start", "max"))
    summed = summed.reset_index()
    names = {"season": "wb_season", "mechanism": code_name("mechanism"), **{f: code_name(f) for f in fields}}
    codes = {name: summed[column].to_numpy() for name, column in names.items()}
    life = lives[summed["wb_life"].to_numpy()]
    return Counted(
        rows=summed["wb_rows"].to_numpy(),
        entry=life[:, 0],
        lower=life[:, 1],
        upper=life[:, 2],
        codes={**codes, "outcome": life[:, 3].astype(np.int64)},
        start=summed["wb_start"].to_numpy(),
        seen=summed["wb_day"].to_numpy(),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Judged:
    """What becomes of each of s shapes.

    Attributes
    ----------
    of : Shapes
        As counted.
    life : numpy.ndarray of float, shape (s, 3)
        Entry, lower and upper end, rounded to steps; NaN where there is no life.
    faulty : mapping of int to Verdict
        By shape, of those with any problem.
    early : numpy.ndarray of bool, shape (s,)
        Shapes whose life says nothing after rounding.
    reasons : list of (int, TallyLine)
        Shapes set aside, and the reason under which they are counted; filled by the tally.
    """

    of: Shapes
    life: np.ndarray
    faulty: Mapping[int, Verdict]
    early: np.ndarray
    reasons: list[tuple[int, TallyLine]] = field(default_factory=list)

    def numbered(self) -> tuple[np.ndarray, "pd.DataFrame"]:
        """Return the different lives, and the number of the life of every shape in use.

        Shapes: returns (m, 4).
        """
        import pandas as pd

        used = np.isfinite(self.life[:, 1])
        shapes = self.of.shapes[used]
        ages = shapes[:, [SHAPE.index(f"wb_age_{f}") for f in ("found_on", "last_good_on")]]
        ages = np.where((ages == NONE) | (ages > OUTSIDE // 2), 0, ages)
        lives = np.column_stack([self.life[used], shapes[:, SHAPE.index("wb_outcome")]])
        lives, number = np.unique(lives, axis=0, return_inverse=True)
        table = pd.DataFrame(shapes, columns=list(SHAPE))
        return lives, table.assign(wb_life=number.ravel(), wb_seen=np.maximum(ages.max(axis=1, initial=0), 0))

    def count(self, tally: Tally) -> None:
        """Count the problems of every shape, those with most rows first, so that they give the examples."""
        rows = self.of.rows
        for number in sorted(self.faulty, key=lambda n: (-rows[n], n)):
            verdict = self.faulty[number]
            line = tally.add(verdict.problems, verdict.entry, int(rows[number]))
            if line is not None:
                self.reasons.append((number, line))


def judge_shapes(shapes: Shapes, judge: Judge, step: int) -> Judged:
    """Put the rules to every shape."""
    life = np.full((len(shapes.shapes), 3), np.nan)
    faulty: dict[int, Verdict] = {}
    for number, (shape, day) in enumerate(zip(shapes.shapes.tolist(), shapes.start.tolist(), strict=True)):
        verdict = judge.of(shape, day)
        if verdict.life is not None:
            life[number] = verdict.life[:3]
        if verdict.problems:
            faulty[number] = verdict
    rounded, early = rounded_to(life, step)
    for number in np.flatnonzero(early).tolist():
        verdict = judge.of(shapes.shapes[number].tolist(), int(shapes.start[number]))
        problem = verdict.entry.problem("observed_from", TOO_EARLY, "use a smaller step")
        faulty[number] = Verdict(None, (*verdict.problems, problem), verdict.entry)
    return Judged(of=shapes, life=rounded, faulty=faulty, early=early)
