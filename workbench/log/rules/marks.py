"""Marks: what the fill colour or the comment of a cell says beside its value; shown to people, used for nothing."""

import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

from workbench.log.cells import Address, Table, cell_text, shown
from workbench.log.rules.cleaning import tidy
from workbench.log.rules.entries import Entry
from workbench.wording import count_of

__all__ = ["is_unsaid_outcome", "marks_beside"]

_FEWEST_ROWS = 3
_MOSTLY = 0.8
_SELDOM = 0.2
_OFTEN = 0.5
_LONGEST_COMMENT = 200
_UNSAID = re.compile("but its outcome (?:is empty|.* is not understood)$")


def marks_beside(tables: Sequence[Table], entries: Sequence[Entry]) -> tuple[str, ...]:
    """Return comments with their rows, and rows whose fill colour says of the outcome what their cell does not."""
    marks = []
    for table in tables:
        own = {entry.number: entry for entry in entries if entry.table is table}
        marks += _comments(table)
        marks += _colours(own, table.raw.fills)
    return tuple(marks)


def is_unsaid_outcome(mark: str) -> bool:
    """Whether a mark tells of a row filled like those of one outcome whose own is not known."""
    return bool(_UNSAID.search(mark))


def _comments(table: Table) -> list[str]:
    rows = {number for number, _ in table.rows}
    found = []
    for (row, column), text in sorted(table.raw.comments.items()):
        if row in rows or row == table.header_row:
            address = table.address_at(row, column)
            heading = f" ({address.column!r})" if address.column else ""
            found.append(f"{address.full}{heading}, comment: {shown(text, _LONGEST_COMMENT)}")
    return found


def _colours(entries: Mapping[int, Entry], fills: Mapping[int, str]) -> list[str]:
    ends: dict[str, Counter[str]] = defaultdict(Counter)
    totals: Counter[str] = Counter()
    for number, entry in entries.items():
        if entry["outcome"] is not None:
            totals[entry["outcome"]] += 1
            ends[fills.get(number, "")][entry["outcome"]] += 1
    said = []
    for colour, counts in ends.items():
        outcome, number = counts.most_common(1)[0]
        others, all_others = counts.total() - number, totals.total() - totals[outcome]
        tells = number >= max(_FEWEST_ROWS, _MOSTLY * counts.total(), _OFTEN * totals[outcome])
        if not colour or not tells or not all_others or others > _SELDOM * all_others:
            continue
        for row, entry in entries.items():
            if fills.get(row) == colour and entry["outcome"] != outcome:
                place: Address = entry.address("outcome")
                said.append(
                    f"{place.full}: the row is filled like {count_of(number, f'{outcome} row')}, but its outcome "
                    f"{_said_of(entry)}"
                )
    return said


def _said_of(entry: Entry) -> str:
    """What the outcome of a row is: a word, nothing, or a text that is no outcome."""
    if entry["outcome"] is not None:
        return f"is {entry['outcome']}"
    index = entry.table.places.get("outcome", len(entry.cells))
    typed = tidy(cell_text(entry.cells[index])) if index < len(entry.cells) else ""
    return f"{shown(typed)} is not understood" if typed else "is empty"
