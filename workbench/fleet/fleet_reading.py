"""Reading a fleet: headings, cells, shapes, repeats and counts in turn; the engine counts, the rules judge."""

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import did_you_mean
from workbench.errors import LogError, UsageError
from workbench.filing import Permit
from workbench.fleet.fleet_aside import give_examples, write_aside
from workbench.fleet.fleet_cells import CellCodes, read_cells, read_units
from workbench.fleet.fleet_counts import Counted, counted_lives, notes_on_cells
from workbench.fleet.fleet_groups import Judged, count_rows, different_shapes, group_rows, judge_shapes
from workbench.fleet.fleet_repeats import Repeats, doubtful_units, read_repeats
from workbench.fleet.fleet_rules import DATES, Judge
from workbench.fleet.fleet_source import FleetSource
from workbench.fleet.fleet_tally import Tally
from workbench.log.cells import RawSheet, Table
from workbench.log.dictionary import Settings, Vocabulary, word_key
from workbench.log.rules import Entry, problem_at
from workbench.log.season_log import ALWAYS_COVARIATES
from workbench.log.sources import choose_tables
from workbench.wording import count_of

if TYPE_CHECKING:
    import narwhals as nw

    from workbench.lives import Lives

__all__ = ["Found", "Question", "read_rows"]

_DECIDING = (*DATES, "outcome", "time_basis", "mechanism", "season", "deployment")
_FEEDS = ("protection", "exposure")


@dataclass(frozen=True, kw_only=True)
class Question:
    """What to read a fleet for."""

    settings: Settings
    vocabulary: Vocabulary
    covariates: tuple[str, ...] | Callable[[Mapping[str, str]], Sequence[str]] | None
    step: int
    set_aside_to: Path | None
    permit: Permit
    today: dt.date


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """What reading a fleet gives."""

    rows: int
    used: int
    notes: list[str]
    roles: Mapping[str, str]
    lives: "Lives | None"
    tally: Tally


def read_rows(source: FleetSource, question: Question) -> Found:
    """Check and count the rows of an open source."""
    table, notes = _headings(source, question)
    headings = {name: source.frame.collect_schema().names()[index] for name, index in table.places.items()}
    source.frame = _plain(source, headings)
    rows = _count(source, headings["unit_id"])
    covariates = _covariates(table, question)
    codes = _codes(source, headings, covariates, question=question)
    judge = Judge(table=table, codes=codes, settings=question.settings, today=question.today)
    fields = [c for c in covariates if c != "season"]
    named = question.settings.season is not None
    numbered = partial(group_rows, source, codes, covariates, step=question.step, names_season=named)
    shaped = source.settle(numbered())
    units, again = doubtful_units(source, shaped)
    repeats = (
        None
        if units is None
        else read_repeats(source, numbered(whole=True, units=units), judge=judge, vocabulary=question.vocabulary)
    )
    judged = judge_shapes(different_shapes(source, shaped, units, repeats=repeats), judge, question.step)
    tally = _tally(source, table, codes, judged=judged, repeats=repeats)
    give_examples(source, shaped, judged, judge=judge)
    counted = count_rows(source, shaped, units, repeats=repeats, judged=judged, fields=fields)
    if question.set_aside_to is not None:
        write_aside(
            question.set_aside_to,
            source,
            numbered(whole=True),
            repeats=repeats,
            judged=judged,
            headings=headings,
            permit=question.permit,
        )
    lives = None
    if len(counted.rows):
        kept = [c for c in covariates if _is_recorded(c, counted, codes)]
        lives, said = counted_lives(counted, kept, question.vocabulary.columns, codes=codes, settings=question.settings)
        notes += said
    for name in [n for n in codes if n not in covariates and n != "unit_id"]:
        notes += notes_on_cells(codes[name], question.vocabulary.columns[name], question.settings)
    notes += [*_said_of_cells(codes), *_said_of_season(table, question), *_said_of_units(again)]
    unread = sum(count for count, _ in source.unreadable.values())
    return Found(
        rows=rows + unread,
        used=int(counted.rows.sum()),
        notes=[*source.notes, *notes],
        roles={name: question.vocabulary.columns[name].role for name in question.vocabulary.columns},
        lives=lives,
        tally=tally,
    )


def _headings(source: FleetSource, question: Question) -> tuple[Table, list[str]]:
    """Understand the headings by the rules of a field log; a row of one cell stands for all rows."""
    names = tuple(str(name) for name in source.frame.collect_schema().names())
    rows = ((0, names), (1, ("x", *(None for _ in names[1:]))))
    sheet = RawSheet(source=source.name, rows=rows, kind="columnar", numbered=False)
    chosen = choose_tables([[sheet]], question.vocabulary, question.settings, from_folder=False)
    absent = [n for n, c in question.vocabulary.columns.items() if c.common and n not in chosen.logs[0].places]
    said = f"The log has no column for {', '.join(absent)}; what they would feed is left out."
    return chosen.logs[0], [*chosen.notes, *([said] if absent else [])]


def _plain(source: FleetSource, headings: Mapping[str, str]) -> "nw.LazyFrame[Any]":
    """Times of day become days, categories text, exact decimals numbers; what holds several values is refused."""
    import narwhals as nw

    schema, changed = source.frame.collect_schema(), []
    for heading in headings.values():
        kind = schema[heading]
        if source.frame.implementation.is_dask() and isinstance(kind, nw.Date | nw.Datetime):
            changed.append(nw.col(heading).dt.to_string("%Y-%m-%d"))  # its merges take days of one kind as another
        elif isinstance(kind, nw.Datetime):
            changed.append(nw.col(heading).dt.date())
        elif isinstance(kind, nw.Categorical | nw.Enum | nw.Unknown | nw.Object):
            changed.append(nw.col(heading).cast(nw.String))
        elif isinstance(kind, nw.Decimal):
            changed.append(nw.col(heading).cast(nw.Float64))
        elif kind.is_nested() or isinstance(kind, nw.Binary):
            raise LogError(f"{source.name}: column {heading!r} holds {kind}, not one plain value a row; leave it out")
    return source.frame.with_columns(*changed) if changed else source.frame


def _count(source: FleetSource, unit: str) -> int:
    """Number of rows with any content; those without are taken out."""
    import narwhals as nw

    def content(name: str) -> Any:
        text = nw.col(name).cast(nw.String).str.strip_chars()
        return text.fill_null("") != ""

    counts = source.collect(
        source.frame.select(nw.len().alias("rows"), content(unit).cast(nw.Int64).sum().alias("named"))
    )
    rows, named = int(counts.column("rows")[0].as_py()), int(counts.column("named")[0].as_py() or 0)
    if named < rows:
        names = source.frame.collect_schema().names()
        source.frame = source.frame.filter(nw.any_horizontal(*(content(n) for n in names), ignore_nulls=True))
        rows = int(source.collect(source.frame.select(nw.len().alias("rows"))).column("rows")[0].as_py())
    if not rows and not source.unreadable:
        raise LogError(f"{source.name} has headings but no row below them; the log is empty")
    return rows


def _covariates(table: Table, question: Question) -> list[str]:
    columns = question.vocabulary.columns
    may = [n for n, c in columns.items() if n in table.places and c.role in _FEEDS]
    may += [n for n in ALWAYS_COVARIATES if n not in may and (n in table.places or n == "season")]
    asked = question.covariates
    if asked is None:
        return may
    wanted = []
    for name in asked({n: columns[n].role for n in may}) if callable(asked) else asked:
        known = name if name in columns else question.vocabulary.field_of(str(name))
        if known not in may:
            near = did_you_mean(word_key(str(name)), may)
            raise UsageError(
                f"unknown covariate {name!r}{near} (there are: {', '.join(may)}; "
                "a further column needs a role in [roles] of the settings)"
            )
        wanted.append(known)
    return list(dict.fromkeys(wanted))


def _codes(
    source: FleetSource, headings: Mapping[str, str], covariates: list[str], *, question: Question
) -> dict[str, CellCodes]:
    """Read the cells of every column that a rule speaks of; free text holds nothing that could be wrong."""
    columns, settings = question.vocabulary.columns, question.settings
    codes = {}
    for name, heading in headings.items():
        column = columns[name]
        is_used = name in _DECIDING or name in covariates
        if name == "unit_id":
            codes[name] = read_units(source, heading, column, settings=settings)
        elif is_used or column.type != "text":
            codes[name] = read_cells(source, heading, column, settings=settings, today=question.today, is_used=is_used)
    return codes


def _is_recorded(name: str, counted: Counted, codes: Mapping[str, CellCodes]) -> bool:
    if name == "season":
        return True
    known = np.array(sorted(codes[name].values), dtype=np.int64)
    return bool(np.isin(counted.codes[name], known).any()) or (name == "site")


def _tally(
    source: FleetSource,
    table: Table,
    codes: Mapping[str, CellCodes],
    *,
    judged: Judged,
    repeats: Repeats | None,
) -> Tally:
    tally = Tally()
    judged.count(tally)
    if repeats is not None:
        tally.join(repeats.tally)
    nobody = Entry(table=table, number=0, cells=(), values={}, extra={})
    for reason, (count, example) in source.unreadable.items():
        problem = problem_at(
            nobody.address(), reason=reason, advice="put cells that hold the delimiter in quotation marks"
        )
        line = tally.add([replace(problem, reason=reason)], nobody, count)
        if line is not None:
            line.example = f"{example}: {reason}"
    for name, cells in codes.items():
        if name in ("unit_id", "outcome", "time_basis", *DATES[:-1]):
            continue  # the shapes hold them
        for code, (text, refusal) in cells.refused.items():
            at = nobody.address(name)
            problem = problem_at(at, field=name, value=text, scope="value", **refusal._asdict())
            tally.add([problem], nobody, cells.cells[code])
    return tally


def _said_of_cells(codes: Mapping[str, CellCodes]) -> list[str]:
    return [note for cells in codes.values() for note in cells.notes]


def _said_of_season(table: Table, question: Question) -> list[str]:
    named = question.settings.season
    where = f"the settings ({named})" if named else "the year of deployed_on"
    return [f"season: where the log names none, it is taken from {where}."]


def _said_of_units(again: int) -> list[str]:
    if not again:
        return []
    return [
        f"{count_of(again, 'row')} belong to units with further rows; deployments of one unit count as units of their "
        "own here, so limits are somewhat too narrow where a unit's spells are alike."
    ]
