"""Entries: the rows of a table as values, cell by cell; what a cell does not say becomes a problem with its address."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from workbench.log.cells import Address, Cell, Table, cell_text, is_blank, shown
from workbench.log.dictionary import Settings, Vocabulary, hint_rows, word_key
from workbench.log.rules.cleaning import Cleaned, Refusal, clean, tidy
from workbench.log.rules.problems import Problem, problem_at
from workbench.wording import count_of

__all__ = ["EXAMPLE_MARK", "LIFE_FIELDS", "TOTALS", "Entry", "read_entries", "unit_refusal"]

EXAMPLE_MARK = "EXAMPLE"
"""How the unit of the blank log's example row begins; such a row never counts."""

LIFE_FIELDS = ("unit_id", "deployed_on", "last_good_on", "failed_on", "found_on", "observed_from", "outcome")
"""Fields without which a row's life is not known: a cell of these that cannot be read sets the row aside."""

TOTALS = frozenset(word_key(w) for row in hint_rows() if row["kind"] == "totals" for w in row["words"].split(","))
"""First words of a row of totals below a table."""


@dataclass(frozen=True, kw_only=True, eq=False)
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
    """Read every row of a table."""
    entries, problems = [], []
    remarks: Counter[tuple[str, str]] = Counter()
    known: dict[tuple[str, type, Cell], Cleaned] = {}
    for number, row in table.rows:
        values: dict[str, Any] = {}
        found: list[Problem] = []
        for name, index in table.places.items():
            cell = row[index] if index < len(row) else None
            if cell is None or cell == "":
                continue
            memo = (name, type(cell), cell)
            if memo not in known:
                known[memo] = clean(cell, vocabulary.columns[name], settings)
            value, refusal, remark = known[memo]
            if value is not None:
                values[name] = value
            if remark:
                remarks[remark, table.headings[index]] += 1
            if refusal:
                at = table.address_at(number, index)
                scope = "row" if name in LIFE_FIELDS else "value"
                found.append(problem_at(at, field=name, value=cell_text(cell), scope=scope, **refusal._asdict()))
        entry = Entry(table=table, number=number, cells=row, values=values, extra=_extra(table, row))
        odd = _no_record(entry, row)
        if odd:
            problems.append(odd)
        else:
            entries.append(entry)
            problems += [_scoped(p, values) for p in found]
    notes = [f"{table.raw.place}: {what} in {h!r} ({count_of(n, 'cell')})." for (what, h), n in sorted(remarks.items())]
    return entries, problems, tuple(notes)


def _scoped(problem: Problem, values: Mapping[str, Any]) -> Problem:
    """A time_basis that cannot be read decides the life of a failed unit, and of no other."""
    if problem.field == "time_basis" and values.get("outcome") == "failed":
        return replace(problem, scope="row")
    return problem


def _extra(table: Table, row: tuple[Cell, ...]) -> dict[str, str]:
    return {h: tidy(cell_text(row[i])) for i, h in table.unused if i < len(row) and not is_blank(row[i])}


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
    if sum(not is_blank(cell) for cell in row) == 1 and wide > 2:
        reason = "only one cell of the row is filled, so this looks like a remark, or like a record not yet filled in"
        return entry.problem("unit_id", reason, "delete it, or fill it in")
    dated = [f for f in ("deployed_on", "found_on", "last_good_on") if f in table.places]
    texts = [cell_text(row[table.places[f]]) for f in dated if table.places[f] < len(row)]
    if entry["outcome"] is None and any(texts) and not any(c.isdigit() for c in "".join(texts)):
        return entry.problem("", "this looks like a second line of headings or units", "keep one line of headings")
    return None


def unit_refusal(unit: str, is_deployed: bool) -> Refusal | None:
    """Return why a row with such a name is no record: the example of the blank log, or a row of totals."""
    if unit.upper().startswith(EXAMPLE_MARK):
        return Refusal("this is the example row of the blank log", "delete it")
    if (word_key(unit) in TOTALS or word_key(unit).startswith("total_")) and not is_deployed:
        return Refusal("this looks like a row of totals, not like a unit", "delete it from the log")
    return None


def _shown_row(row: Iterable[Cell]) -> str:
    return shown(" | ".join(cell_text(cell) for cell in row), 200)
