"""Levels: spellings of one word made one level; words that the dictionary does not know said with the nearest known."""

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence, Set
from difflib import get_close_matches
from functools import partial
from typing import Any

from workbench.log.cells import shown
from workbench.log.dictionary import Column, Settings, Vocabulary, is_slip, near_word, quoted, word_key
from workbench.log.rules.entries import Entry
from workbench.wording import count_of

__all__ = ["LABEL_FIELDS", "merged_spellings", "notes_on_levels", "order_levels", "unify_levels"]

LABEL_FIELDS = ("site", "batch", "firmware", "season")
"""Fields of free text that are used as levels."""

_NEAR = 0.84
_MOST_LISTED = 5
_MOST_PAIRS = 100_000
"""Pairs of names compared for misspellings, a second or two; a season has tens of sites."""


def unify_levels(
    entries: Sequence[Entry], columns: Mapping[str, Sequence[Any]], *, vocabulary: Vocabulary, settings: Settings
) -> tuple[dict[str, dict[str, str]], tuple[str, ...]]:
    """Return the one spelling of every level, and what to say about it."""
    spelling: dict[str, dict[str, str]] = {}
    notes: list[str] = []
    for name, column in vocabulary.columns.items():
        is_open = column.type == "word" and not column.is_closed
        if not is_open and name not in LABEL_FIELDS:
            continue
        counts = Counter(columns[name])
        del counts[None]
        if not counts:
            continue
        merged = merged_spellings(column, counts)
        if merged:
            spelling[name] = merged
            listed = ", ".join(f"{shown(a)} as {shown(b)}" for a, b in sorted(merged.items()))
            notes.append(f"{name}: {listed} (spellings that differ only in case, spaces or punctuation are one level).")
        levels = Counter({merged.get(value, value): 0 for value in counts})
        for value, number in counts.items():
            levels[merged.get(value, value)] += number
        notes += notes_on_levels(column, levels, settings, where=partial(_where, column.name, entries))
    return spelling, tuple([*notes, *_units_alike(entries)])


def merged_spellings(column: Column, counts: Mapping[str, int]) -> dict[str, str]:
    """Return which level stands for each value that differs from it only in case, spaces or punctuation."""
    key: Callable[[str], str] = str.casefold if column.name in LABEL_FIELDS else word_key
    groups: dict[str, list[str]] = defaultdict(list)
    for value in counts:
        groups[key(value)].append(value)
    best = {v: max(vs, key=lambda w: (counts[w], w)) for vs in groups.values() for v in vs}
    return {value: level for value, level in best.items() if value != level}


def _where(name: str, entries: Sequence[Entry], level: str) -> str:
    first = next(e for e in entries if e[name] is not None and word_key(e[name]) == word_key(level))
    return f", first {first.address(name).full}"


def notes_on_levels(
    column: Column, levels: Mapping[str, int], settings: Settings, *, where: Callable[[str], str] = lambda level: ""
) -> list[str]:
    """Return what to say about the levels of a column: words not in the dictionary, or names that look misspelled."""
    if not column.known_words:
        return _misspelled(column.name, levels)
    own = settings.levels.get(column.name, {})
    known = {*column.known_words, *own.get("words", {}).values(), *own.get("labels", {}), *own.get("cost", {})}
    known |= {settings.reference.get(column.name, "")}
    unknown = sorted(set(levels) - known)
    notes = []
    for level in unknown[:_MOST_LISTED]:
        near = near_word(word_key(level), column)
        hint = ""
        if near:
            line = f"[levels.{column.name}] words = {{ {quoted(level)} = {quoted(near)} }}"
            hint = f"; did you mean {near!r}? Then add to the settings: {line}"
        place = f"{count_of(levels[level], 'row')}{where(level)}"
        notes.append(
            f"{column.name}: {shown(level)} ({place}) is not in the dictionary and is kept as a level of its own{hint}."
        )
    more = len(unknown) - _MOST_LISTED
    further = f"{count_of(more, 'further word')} {'is' if more == 1 else 'are'} not in the dictionary."
    look_alikes = _misspelled(column.name, levels, set(column.known_words))
    return notes + ([f"{column.name}: {further}"] if more > 0 else []) + look_alikes


def _misspelled(name: str, levels: Mapping[str, int], known: Set[str] = frozenset()) -> list[str]:
    """Name levels that look like a more frequent level of the same column; two known words are no slip."""
    alike: dict[tuple[str, ...], list[str]] = defaultdict(list)
    digits = {level: _digits(level) for level in levels}
    for level in levels:
        alike[digits[level]].append(level)
    if sum(len(names) ** 2 for names in alike.values()) > _MOST_PAIRS:
        return [f"{name}: {len(levels):,} different names are too many to be compared for misspellings."]
    notes = []
    for level in sorted(levels):
        likely = [other for other in alike[digits[level]] if levels[other] > levels[level]]
        if not likely:
            continue
        near = get_close_matches(level.casefold(), [w.casefold() for w in likely], n=1, cutoff=_NEAR)
        slips = [other for other in likely if is_slip(word_key(level), word_key(other))]
        other = next((w for w in likely if near and w.casefold() == near[0]), slips[0] if slips else None)
        if other is not None and not {level, other} <= known:
            counts = f"{count_of(levels[level], 'row')} and {count_of(levels[other], 'row')}"
            notes.append(f"{name}: {shown(level)} and {shown(other)} are kept apart ({counts}); are they the same?")
    return notes


def _digits(text: str) -> tuple[str, ...]:
    return tuple(re.findall(r"\d+", text))


def _units_alike(entries: Sequence[Entry]) -> list[str]:
    alike: dict[str, set[str]] = defaultdict(set)
    for entry in entries:
        alike[entry["unit_id"].casefold()].add(entry["unit_id"])
    pairs = [" and ".join(map(shown, sorted(names))) for names in alike.values() if len(names) > 1]
    return [f"unit_id: {pair} are read as different units; are they the same?" for pair in sorted(pairs)]


def order_levels(column: Column, carried: Mapping[str, int], reference: str | None) -> tuple[str, ...]:
    """Return the levels that occur, the reference first."""
    known = {word: place for place, word in enumerate(column.known_words)}
    levels = sorted(carried, key=lambda v: (known.get(v, len(known)), v))
    first = reference if reference in carried else max(levels, key=lambda v: carried[v], default=None)
    return tuple(sorted(levels, key=lambda v: v != first))
