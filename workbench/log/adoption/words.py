"""Words: which of the dictionary's words does each foreign word mean? A word is asked once, whatever its case."""

from collections import Counter
from collections.abc import Mapping, Sequence
from difflib import SequenceMatcher

from workbench.log.adoption.document import SettingsDocument
from workbench.log.adoption.fields import yes_no_words
from workbench.log.adoption.hints import guessed_word, recorded, yes_or_no
from workbench.log.adoption.questions import Ask, Query
from workbench.log.cells import Cell, cell_text, shown
from workbench.log.dictionary import Column, log_columns, word_key
from workbench.log.rules import tidy
from workbench.wording import count_of

__all__ = ["settle_words"]

_MOST_ASKED = 30
_MOST_LISTED = 12
_KEEP = "a level of its own"


def settle_words(
    document: SettingsDocument, cells: Mapping[str, Sequence[Cell]], headings: Mapping[str, str], *, ask: Ask
) -> None:
    """Ask what unknown words mean: all of closed columns, of open ones those that look like a known word."""
    for column in log_columns():
        if column.known_words and column.name in cells and column.role != "evidence":
            _settle_column(document, column, cells[column.name], heading=headings[column.name], ask=ask)


def _settle_column(
    document: SettingsDocument, column: Column, cells: Sequence[Cell], *, heading: str, ask: Ask
) -> None:
    place = ("levels", column.name, "words")
    before = {word_key(theirs): (theirs, word) for theirs, word in (document.value(place) or {}).items()}
    counts: Counter[str] = Counter()
    spelled: dict[str, str] = {}
    for cell in recorded(cells):
        text = tidy(cell_text(cell))
        if word_key(text) and word_key(text) not in column.spellings:
            counts[word_key(text)] += 1
            spelled.setdefault(word_key(text), text)
    answers = not column.is_closed and "none" in column.known_words and yes_no_words(recorded(cells)) is not None
    for key, number in counts.most_common(_MOST_ASKED):
        theirs, word = before.get(key, (spelled[key], None))
        if word is not None and document.is_confirmed((*place, theirs)):
            continue
        proposal = word or guessed_word(theirs, column, heading=heading) or (_yes_no(theirs) if answers else None)
        if proposal is None and not column.is_closed:
            continue
        near = _likeliest(theirs, column)
        ours = "" if heading == column.name else f", {column.name}"
        about = f"Word {shown(theirs)} in {shown(heading)} ({count_of(number, 'row')}){ours}"
        answer = ask(
            Query(
                about=about,
                proposal=proposal,
                options=(*near, *(() if column.is_closed else (_KEEP,))),
                also=tuple(word for word in column.known_words if word not in near),
            )
        )
        document.drop((*place, theirs))
        if answer.value is not None:
            value = theirs if answer.value == _KEEP else answer.value
            document.put((*place, theirs), value, is_confirmed=answer.is_confirmed)


def _likeliest(theirs: str, column: Column) -> tuple[str, ...]:
    """The words of a column, those most like a foreign word where there are too many to read."""
    if len(column.known_words) <= _MOST_LISTED:
        return column.known_words
    alike: dict[str, float] = {}
    for spelling, word in column.spellings.items():
        alike[word] = max(alike.get(word, 0.0), SequenceMatcher(None, word_key(theirs), spelling).ratio())
    return tuple(sorted(alike, key=lambda word: -alike[word])[: _MOST_LISTED // 2])


def _yes_no(text: str) -> str | None:
    """What a yes or no means below a heading that asks for a kind, such as "coating": some kind, or none."""
    return {"yes": "yes", "no": "none"}.get(yes_or_no(text, next(c for c in log_columns() if c.name == "shade")) or "")
