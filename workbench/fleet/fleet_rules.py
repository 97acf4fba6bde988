"""Rules of a fleet: rows alike in outcome and in the days between their dates are judged once, as one row of a log."""

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from workbench.fleet.fleet_cells import NONE, OUTSIDE, REFUSED, CellCodes, code_name
from workbench.log.cells import Table, shown
from workbench.log.dictionary import Settings
from workbench.log.rules import (
    LIFE_FIELDS,
    Entry,
    Life,
    LifeRefusal,
    Problem,
    check_within,
    life_of,
    problem_at,
    unit_refusal,
)

if TYPE_CHECKING:
    import narwhals as nw

__all__ = ["DATES", "SHAPE", "Judge", "Verdict", "general_reason", "greatest", "with_shapes"]

DATES = ("deployed_on", "observed_from", "last_good_on", "failed_on", "found_on", "last_record_on", "opened_on")
_AGES = DATES[1:]
_ENDS = ("found_on", "failed_on", "last_good_on", "deployed_on")
SHAPE = (*(f"wb_age_{field}" for field in DATES), "wb_unit_id", "wb_outcome", "wb_time_basis", "wb_is_named")
"""Columns that decide, with the day of deployment for the sentence alone, what becomes of a row."""

_KNOWN = 500_000
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
_DAY = re.compile(r"\bday \d+")


def with_shapes(frame: "nw.LazyFrame[Any]", fields: Sequence[str]) -> Any:
    """Return the rows with the shape columns and the day of deployment (wb_start) in place of the numbers of dates.

    The age of a date is its day less the day of deployment; the number of a refused or missing date stays as it is. The
    day of opening is kept only where a rule can speak of it: before another date, or outside the season.
    """
    import narwhals as nw

    absent = [f for f in (*DATES, "outcome", "time_basis", "mechanism") if f not in fields]
    frame = frame.with_columns(nw.lit(NONE).cast(nw.Int64).alias(code_name(f)) for f in absent)

    def is_day(field: str) -> Any:
        return nw.col(code_name(field)).is_between(-_KNOWN, OUTSIDE + _KNOWN)

    def day(field: str) -> Any:
        code = nw.col(code_name(field))
        return nw.when(code > _KNOWN).then(code - OUTSIDE).otherwise(code)

    deployed = nw.col(code_name("deployed_on"))
    start = nw.when(is_day("deployed_on")).then(day("deployed_on")).otherwise(nw.lit(0)).cast(nw.Int64)
    frame = frame.with_columns(start.alias("wb_start"))
    ages = {
        f: nw.when(is_day(f)).then(nw.col(code_name(f)) - nw.col("wb_start")).otherwise(nw.col(code_name(f)))
        for f in _AGES
    }
    state = nw.when(is_day("deployed_on")).then(deployed - nw.col("wb_start")).otherwise(deployed)
    last = greatest(*(nw.when(is_day(f)).then(day(f)).otherwise(nw.lit(NONE)) for f in _ENDS))
    opened = nw.col(code_name("opened_on"))
    speaks = is_day("opened_on") & ((opened > _KNOWN) | (opened < last))
    ages["opened_on"] = nw.when(speaks).then(ages["opened_on"]).otherwise(nw.lit(NONE))
    named = (nw.col(code_name("mechanism")) >= 0).cast(nw.Int64)
    return frame.with_columns(
        *(age.cast(nw.Int64).alias(f"wb_age_{f}") for f, age in ages.items()),
        state.cast(nw.Int64).alias("wb_age_deployed_on"),
        named.alias("wb_is_named"),
    )


def greatest(first: Any, *others: Any) -> Any:
    """Return the greatest of some expressions row by row, in words that every engine takes."""
    import narwhals as nw

    for other in others:
        first = nw.when(first > other).then(first).otherwise(other)
    return first


@dataclass(frozen=True)
class Verdict:
    """What becomes of the rows of one shape: their life, or None; and every problem."""

    life: Life | None
    problems: tuple[Problem, ...]
    entry: Entry


@dataclass(frozen=True, kw_only=True)
class Judge:
    """The rules of a field log, put to shapes.

    Attributes
    ----------
    table : Table
        Headings of the source.
    codes : mapping of str to CellCodes
        What the numbers of each field mean.
    settings : Settings
        As for a field log.
    today : date
        No date may be later, unless a window is declared.
    """

    table: Table
    codes: Mapping[str, CellCodes]
    settings: Settings
    today: dt.date

    def of(self, shape: Sequence[int], start: int, unit: str = "a unit") -> Verdict:
        """Judge the rows of one shape."""
        values: dict[str, Any] = {"unit_id": unit}
        refused: list[str] = []
        numbers = dict(zip(("unit", *_WORDS), shape[len(DATES) :], strict=True))
        for field, age in zip(DATES, shape[: len(DATES)], strict=True):
            if age == NONE:
                continue
            if age >= REFUSED:
                refused.append(field)
            else:
                values[field] = dt.date(1970, 1, 1) + dt.timedelta(start + (age - OUTSIDE if age > _KNOWN else age))
        for field in ("outcome", "time_basis"):
            if numbers[field] >= REFUSED:
                refused.append(field)
            elif numbers[field] != NONE:
                values[field] = self.codes[field].values[numbers[field]]
        if numbers["is_named"]:
            values["mechanism"] = "named"
        entry = Entry(table=self.table, number=0, cells=(), values=values, extra={})
        if numbers["unit"] != 0:
            if numbers["unit"] == NONE:
                del values["unit_id"]
            else:
                text = self.codes["unit_id"].refused[numbers["unit"]][0]
                values["unit_id"] = text
                odd = unit_refusal(text, "deployed_on" in values)
                if odd:
                    return Verdict(None, (entry.problem("unit_id", *odd),), entry)
        found = [self._unread(entry, field, shape, numbers=numbers) for field in refused]
        return self._checked(entry, found)

    def _unread(self, entry: Entry, field: str, shape: Sequence[int], *, numbers: Mapping[str, int]) -> Problem:
        code = shape[DATES.index(field)] if field in DATES else numbers[field]
        text, refusal = self.codes[field].refused[code]
        decides = field in LIFE_FIELDS or (field == "time_basis" and entry["outcome"] == "failed")
        scope = "row" if decides else "value"
        return problem_at(entry.address(field), field=field, value=text, scope=scope, **refusal._asdict())

    def _checked(self, entry: Entry, found: list[Problem]) -> Verdict:
        refused = frozenset(p.field for p in found if p.scope == "row")
        problems = (*found, *check_within(entry, refused, self.settings, today=self.today))
        if any(p.scope == "row" for p in problems):
            return Verdict(None, problems, entry)
        without = {p.field for p in problems if p.scope == "value"} - {"opened_on", "mechanism"}
        kept = replace(entry, values={k: v for k, v in entry.values.items() if k not in without})
        life = life_of(kept.values, self.settings)
        if isinstance(life, LifeRefusal):
            others = tuple(entry.address(f) for f in life.others)
            return Verdict(None, (*problems, entry.problem(life.field, *life.refusal, others=others)), entry)
        return Verdict(life, problems, entry)


_WORDS = ("outcome", "time_basis", "is_named")


def general_reason(problem: Problem, entry: Entry) -> str:
    """Return what is wrong in words that hold for every row with the same fault."""
    reason = problem.reason
    if problem.value:
        reason = reason.replace(shown(problem.value), "a value").replace(
            shown(" ".join(problem.value.split())), "a value"
        )
    for field in DATES:
        if entry[field] is not None:
            reason = reason.replace(entry.said(field), field).replace(f"{field} {entry[field]}", field)
    outcome = entry.address("outcome").short
    reason = reason.replace(f" ({outcome})", "")
    if entry["unit_id"] is not None:
        reason = reason.replace(f"unit {entry['unit_id']}", "a unit")
    if entry["deployment"] is not None:
        reason = reason.replace(f"deployment {entry['deployment']} of", "a deployment of")
    for address in (entry.address("unit_id"), entry.address()):
        reason = reason.replace(address.full, "another row")
    reason = re.sub(r"another row( and another row)+", "other rows", reason)
    return _DAY.sub("day n", _DATE.sub("a date", reason))
