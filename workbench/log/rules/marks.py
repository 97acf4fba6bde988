"""Marks: what the fill colour or the comment of a cell says beside its value; shown to people, used for nothing."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

from workbench.log.cells import Address, Table, cell_text, shown
from workbench.log.rules.cleaning import tidy
from workbench.log.rules.entries import Entry
from workbench.wording import count_of

__all__ = ["marks_beside", "unsaid_ends"]

_FEWEST_ROWS = 3
_MOSTLY = 0.8
_SELDOM = 0.2
_OFTEN = 0.5
_LONGEST_COMMENT = 200


def marks_beside(tables: Sequence[Table], entries: Sequence[Entry]) -> tuple[str, ...]:
    """Return comments with their rows, and rows whose outcome is another than that of the rows filled like them."""
    marks = []
    for table in tables:
        marks += _comments(table)
        marks += [said for end, said in _coloured(table, entries) if not end]
    return tuple(marks)


def unsaid_ends(tables: Sequence[Table], entries: Sequence[Entry]) -> tuple[tuple[str, str], ...]:
    """Return the outcome that a fill colour tells of each row whose own is not known, with a sentence."""
    return tuple((end, said) for table in tables for end, said in _coloured(table, entries) if end)


def _coloured(table: Table, entries: Sequence[Entry]) -> list[tuple[str, str]]:
    own = {entry.number: entry for entry in entries if entry.table is table}
    return _colours(own, table.raw.fills)


def _comments(table: Table) -> list[str]:
    rows = {number for number, _ in table.rows}
    found = []
    for (row, column), text in sorted(table.raw.comments.items()):
        if row in rows or row == table.header_row:
            address = table.address_at(row, column)
            heading = f" ({address.column!r})" if address.column else ""
            found.append(f"{address.full}{heading}, comment: {shown(text, _LONGEST_COMMENT)}")
    return found


def _colours(entries: Mapping[int, Entry], fills: Mapping[int, str]) -> list[tuple[str, str]]:
    """Rows unlike those filled like them: a sentence, and the outcome of those where their own is not known."""
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
                sentence = (
                    f"{place.full}: the row is filled like {count_of(number, f'{outcome} row')}, but its outcome "
                )
                said.append((outcome if entry["outcome"] is None else "", sentence + _said_of(entry)))
    return said


def _said_of(entry: Entry) -> str:
    """What the outcome of a row is: a word, nothing, or a text that is no outcome."""
    if entry["outcome"] is not None:
        return f"is {entry['outcome']}"
    index = entry.table.places.get("outcome", len(entry.cells))
    typed = tidy(cell_text(entry.cells[index])) if index < len(entry.cells) else ""
    return f"{shown(typed)} is not understood" if typed else "is empty"
