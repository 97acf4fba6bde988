"""Entries: the rows of a table as values, cell by cell; what a cell does not say becomes a problem with its address."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import groupby
from operator import itemgetter
from types import NoneType
from typing import Any

from workbench.log.cells import Address, Cell, Table, cell_text, is_blank, shown, turned
from workbench.log.dictionary import Settings, Vocabulary, hint_rows, word_key
from workbench.log.rules.cleaning import Cleaned, Refusal, clean, tidy
from workbench.log.rules.problems import Problem, problem_at
from workbench.wording import count_of

__all__ = ["EXAMPLE_MARK", "LIFE_FIELDS", "TOTALS", "Entry", "columns_of", "read_entries", "unit_refusal"]

EXAMPLE_MARK = "EXAMPLE"
"""How the unit of the blank log's example row begins; such a row never counts."""

LIFE_FIELDS = ("unit_id", "deployed_on", "last_good_on", "failed_on", "found_on", "observed_from", "outcome")
"""Fields without which a row's life is not known: a cell of these that cannot be read sets the row aside."""

TOTALS = frozenset(word_key(w) for row in hint_rows() if row["kind"] == "totals" for w in row["words"].split(","))
"""First words of a row of totals below a table."""


@dataclass(frozen=True, kw_only=True, eq=False, slots=True)
class Entry:
    """One row as values.

    Attributes
    ----------
    table : Table
        Where it stands.
    number : int
        Row number in the file.
    cells : tuple of Cell
        As they stand in the file.
    values : mapping of str to value
        By column name; recorded values only.
    extra : mapping of str to str
        Heading to text of the columns without a role.
    beside : mapping of str to Address
        Where values stand that a table beside the log filled in, by column name.
    """

    table: Table
    number: int
    cells: tuple[Cell, ...]
    values: Mapping[str, Any]
    extra: Mapping[str, str]
    beside: Mapping[str, Address] = field(default_factory=dict)

    def __getitem__(self, field: str) -> Any:
        return self.values.get(field)

    def with_values(self, **values: Any) -> "Entry":
        """Return the row with further values, or others in their place."""
        return Entry(
            table=self.table, number=self.number, cells=self.cells, values={**self.values, **values},
            extra=self.extra, beside=self.beside,
        )  # fmt: skip

    @property
    def key(self) -> tuple[int, str, int]:
        """What makes a row one row: file, sheet and number."""
        return *self.table.raw.key, self.number

    def same(self) -> frozenset[tuple[str, str]]:
        """Return what is equal for rows that are equal in every cell, whatever the order of their columns."""
        names = (field or heading for heading, field in zip(self.table.headings, self.table.fields, strict=True))
        filled = ((name, cell) for name, cell in zip(names, self.cells, strict=False) if not is_blank(cell))
        return frozenset((name, tidy(cell_text(cell))) for name, cell in filled)

    def address(self, field: str = "") -> Address:
        """Return where a field stands, in the log or in a table beside it."""
        return self.beside.get(field) or self.table.address(self.number, field)

    def said(self, field: str) -> str:
        """Return a field with value and place, for a sentence."""
        address = self.address(field)
        return f"{field} {self.values[field]} ({address.full if field in self.beside else address.short})"

    def problem(
        self, field: str, reason: str, advice: str, *, scope: str = "row", others: tuple[Address, ...] = ()
    ) -> Problem:
        """Return a problem with a field of this row."""
        index = len(self.cells) if field in self.beside else self.table.places.get(field, len(self.cells))
        typed = cell_text(self.cells[index]) if index < len(self.cells) else str(self.values.get(field, ""))
        at = self.table.address(self.number, field)
        return problem_at(at, reason=reason, advice=advice, field=field, value=typed, scope=scope, others=others)


def read_entries(
    table: Table, vocabulary: Vocabulary, settings: Settings
) -> tuple[list[Entry], list[Problem], tuple[str, ...]]:
    """Read every row of a table, column by column: what a column holds many times is understood once."""
    columns = table.columns()
    values, refused = [], []
    remarks: Counter[tuple[str, str]] = Counter()
    for name, index in table.places.items():
        said, odd = _understood(columns[index], partial(clean, column=vocabulary.columns[name], settings=settings))
        values.append(said)
        for place, (_, refusal, remark) in odd:
            if remark:
                remarks[remark, table.headings[index]] += 1
            if refusal:
                at, value = table.address_at(table.rows[place][0], index), cell_text(columns[index][place])
                scope = "row" if name in LIFE_FIELDS else "value"
                refused.append((place, problem_at(at, field=name, value=value, scope=scope, **refusal._asdict())))
    found = {place: [p for _, p in own] for place, own in groupby(sorted(refused, key=itemgetter(0)), itemgetter(0))}
    extra = [_understood(columns[index], _text_beside)[0] for index, _ in table.unused]
    of_rows = zip(
        table.rows, _rows(tuple(table.places), values, len(table.rows)),
        _rows([heading for _, heading in table.unused], extra, len(table.rows)), strict=True,
    )  # fmt: skip
    entries, problems = [], []
    for place, ((number, row), own, beside_them) in enumerate(of_rows):
        entry = Entry(table=table, number=number, cells=row, values=own, extra=beside_them)
        no_record = _no_record(entry, row)
        if no_record:
            problems.append(no_record)
        else:
            entries.append(entry)
            problems += [_scoped(p, own) for p in found.get(place, ())]
    notes = [f"{table.raw.place}: {what} in {h!r} ({count_of(n, 'cell')})." for (what, h), n in sorted(remarks.items())]
    return entries, problems, tuple(notes)


def _understood(cells: Sequence[Cell], read: Callable[[Cell], Cleaned]) -> tuple[list[Any], list[tuple[int, Cleaned]]]:
    """What each cell of a column says, every different cell read once, and the places with a refusal or a remark."""
    # 1, 1.0 and TRUE are equal in Python, and are three different cells
    keys: Sequence[Any] = (
        cells if {*map(type, cells)} <= {str, NoneType} else list(zip(map(type, cells), cells, strict=True))
    )
    first = dict(zip(reversed(keys), reversed(cells), strict=True))
    known = {key: read(cell) for key, cell in first.items()}
    said = {key: cleaned.value for key, cleaned in known.items()}
    odd = {key for key, cleaned in known.items() if cleaned.refusal or cleaned.remark}
    places = [place for place, key in enumerate(keys) if key in odd] if odd else []
    return [*map(said.get, keys)], [(place, known[keys[place]]) for place in places]


def _text_beside(cell: Cell) -> Cleaned:
    """What a cell says in a column that the dictionary does not know."""
    return Cleaned(None if is_blank(cell) else tidy(cell_text(cell)))


def _rows(names: Sequence[str], columns: Sequence[Sequence[Any]], length: int) -> Iterator[dict[str, Any]]:
    """The columns as rows by name, without what is not recorded."""
    rows: Iterable[tuple[Any, ...]] = zip(*columns, strict=True) if columns else [()] * length
    return ({name: v for name, v in zip(names, row, strict=True) if v is not None} for row in rows)


def columns_of(entries: Sequence[Entry], names: Sequence[str]) -> dict[str, list[Any]]:
    """Return what all entries say of some fields, None where nothing is recorded."""
    return dict(zip(names, turned(([*map(entry.values.get, names)] for entry in entries), len(names)), strict=True))


def _scoped(problem: Problem, values: Mapping[str, Any]) -> Problem:
    """A time_basis that cannot be read decides the life of a failed unit, and of no other."""
    if problem.field == "time_basis" and values.get("outcome") == "failed":
        return replace(problem, scope="row")
    return problem


def _no_record(entry: Entry, row: tuple[Cell, ...]) -> Problem | None:
    """Name rows that are no records: too many cells, the example, totals, a second line of headings."""
    table, wide = entry.table, len(entry.table.headings)
    if table.raw.kind == "text" and len(row) > wide:
        reason = f"the row has {len(row)} cells and the headings {wide}, so its values may stand in wrong columns"
        return problem_at(
            entry.address(),
            reason=reason,
            advice="put cells that hold the delimiter in quotation marks",
            value=_shown_row(row),
        )
    refusal = unit_refusal(str(entry["unit_id"] or ""), entry["deployed_on"] is not None)
    if refusal:
        return entry.problem("unit_id", *refusal)
    if wide > 2 and sum(not is_blank(cell) for cell in row) == 1:
        reason = "only one cell of the row is filled, so this looks like a remark, or like a record not yet filled in"
        return entry.problem("unit_id", reason, "delete it, or fill it in")
    if entry["outcome"] is not None:
        return None
    dated = [f for f in ("deployed_on", "found_on", "last_good_on") if f in table.places]
    texts = [cell_text(row[table.places[f]]) for f in dated if table.places[f] < len(row)]
    if any(texts) and not any(c.isdigit() for c in "".join(texts)):
        return entry.problem("", "this looks like a second line of headings or units", "keep one line of headings")
    return None


def unit_refusal(unit: str, is_deployed: bool) -> Refusal | None:
    """Return why a row with such a name is no record: the example of the blank log, or a row of totals."""
    if unit.upper().startswith(EXAMPLE_MARK):
        return Refusal("this is the example row of the blank log", "delete it")
    if not is_deployed and (word_key(unit) in TOTALS or word_key(unit).startswith("total_")):
        return Refusal("this looks like a row of totals, not like a unit", "delete it from the log")
    return None


def _shown_row(row: Iterable[Cell]) -> str:
    return shown(" | ".join(cell_text(cell) for cell in row), 200)
