"""Understood: which typed words were read as which, and which units stand in several rows? Said, to be checked."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from typing import Any

from workbench.log.cells import Cell, cell_text, shown
from workbench.log.dictionary import Vocabulary
from workbench.log.rules.cleaning import tidy
from workbench.log.rules.entries import Entry
from workbench.wording import count_of, join_words

__all__ = ["notes_on_units", "translations_of"]

_MOST_LISTED = 5


def translations_of(
    entries: Sequence[Entry], columns: Mapping[str, Sequence[Any]], vocabulary: Vocabulary
) -> tuple[str, ...]:
    """Return which typed words were read as which words of the dictionary, one sentence per word."""
    counts: dict[tuple[str, str], Counter[str]] = defaultdict(Counter)
    start = 0
    for table, group in groupby(entries, key=lambda entry: entry.table):
        rows = list(group)
        stop = start + len(rows)
        cells = replace(table, rows=tuple((entry.number, entry.cells) for entry in rows)).columns()
        for name, index in table.places.items():
            if vocabulary.columns[name].type in ("word", "yes_no"):
                read = _read_otherwise(name, rows, cells[index], words=columns[name][start:stop])
                for (_, cell, word), number in Counter(read).items():
                    counts[name, str(word)][tidy(cell_text(cell))] += number
        start = stop
    order = {name: place for place, name in enumerate(vocabulary.columns)}
    return tuple(
        f"{name}: {_listed(typed)} read as {word}"
        for (name, word), typed in sorted(counts.items(), key=lambda item: (order[item[0][0]], item[0][1]))
    )


def _read_otherwise(
    name: str, entries: Sequence[Entry], cells: Sequence[Cell], *, words: Sequence[Any]
) -> Iterator[tuple[type, Cell, Any]]:
    """The cells that were read as another word, with their kind: 1 and TRUE are equal, and two cells."""
    for entry, cell, word in zip(entries, cells, words, strict=True):
        if word is not None and cell != word and name not in entry.beside and tidy(cell_text(cell)) != word:
            yield type(cell), cell, word


def _listed(typed: Counter[str]) -> str:
    counts = typed.most_common()
    return ", ".join(f"{shown(text) if text else 'empty'} ({count_of(number, 'row')})" for text, number in counts)


def notes_on_units(entries: Sequence[Entry]) -> list[str]:
    """Return which units stand in several rows in use, and how these were joined."""
    rows: dict[str, list[Entry]] = defaultdict(list)
    for entry in entries:
        rows[entry["unit_id"]].append(entry)
    several = {unit: own for unit, own in rows.items() if len(own) > 1}
    if not several:
        return []
    named = [
        f"{shown(unit)} ({join_words([entry.address().short for entry in own])})"
        for unit, own in list(several.items())[:_MOST_LISTED]
    ]
    more = len(several) - len(named)
    rest = [f"{more} more"] if more else []
    stand = "1 unit stands" if len(several) == 1 else f"{len(several)} units stand"
    return [
        f"{stand} in several rows: {join_words([*named, *rest])}; each row is a spell of its own, and the spells of a "
        "unit are counted as one unit, not as independent ones."
    ]
