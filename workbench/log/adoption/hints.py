"""Hints: what does a foreign heading or word probably mean? The words that tell are data; all they give are guesses."""

from collections.abc import Iterable
from functools import cache

from workbench.log.cells import Cell, cell_text
from workbench.log.dictionary import MISSING_WORDS, Column, hint_rows, near_word, word_key
from workbench.log.rules import tidy

__all__ = [
    "asks_for",
    "guessed_word",
    "is_day_found",
    "is_known_after",
    "is_word",
    "key_words",
    "last_good_meaning",
    "recorded",
    "says_nothing",
    "told_by",
    "yes_or_no",
]


_MOST_WORDS = 3
_YES_NO = {"yes": "yes", "y": "yes", "true": "yes", "1": "yes", "no": "no", "n": "no", "false": "no", "0": "no"}


def key_words(text: str) -> set[str]:
    """Return the comparable words of a heading."""
    return set(word_key(text).split("_")) - {""}


@cache
def _words(kind: str, field: str = "") -> dict[str, str]:
    """Comparable word to what it means, of one kind and field."""
    rows = [row for row in hint_rows() if row["kind"] == kind and row["field"] == field]
    return {word_key(word): row["means"] for row in rows for word in row["words"].split(",")}


def told_by(heading: str, field: str) -> bool:
    """Whether a heading holds a word that tells of a field."""
    key = f"_{word_key(heading)}_"
    return any(f"_{word}_" in key for word in _words("heading", field))


def is_day_found(heading: str) -> bool:
    """Whether a heading speaks of a failure that was found on a day ("found dead"), not of the day it happened."""
    return told_by(heading, "failed_on") and bool(key_words(heading) & set(_words("finding")))


def is_known_after(heading: str) -> bool:
    """Whether a heading speaks of what is known only after the end, and so of no choice."""
    return bool(key_words(heading) & set(_words("after")))


def guessed_word(text: str, column: Column, *, heading: str = "") -> str | None:
    """Return the word of a column that a foreign word probably means; a yes or no answers what the heading asks."""
    key = word_key(text)
    known = column.spellings.get(key) or _words("word", column.name).get(key) or near_word(text, column)
    if known is not None:
        return known
    if column.name == "outcome":
        return _answered(key, heading) or _named_outcome(key, column)
    return None if column.is_closed else _contained(key, column)


def asks_for(heading: str) -> str | None:
    """Return the outcome that a yes below a heading means, as below "Still alive?"; None where it asks for none."""
    means = {means for word, means in _words("yes_means", "outcome").items() if f"_{word}_" in f"_{word_key(heading)}_"}
    return means.pop() if len(means) == 1 and not key_words(heading) & set(_words("guard")) else None


def _answered(key: str, heading: str) -> str | None:
    asked, answer = asks_for(heading), _YES_NO.get(key) or _words("word", "yes_no").get(key)
    if asked is None or answer is None:
        return None
    return asked if answer == "yes" else {"working": "failed", "failed": "working"}[asked]


def _named_outcome(key: str, column: Column) -> str | None:
    """The outcome that two or three words name together, as "batt dead"; none where one may turn the meaning."""
    if not 1 < len(key.split("_")) <= _MOST_WORDS or key_words(key) & set(_words("guard")):
        return None
    known = {**_words("word", "outcome"), **column.spellings}
    found = {word for spelling, word in known.items() if f"_{spelling}_" in f"_{key}_"}
    return found.pop() if len(found) == 1 and found <= {"working", "failed"} else None


def is_word(text: str, column: Column) -> bool:
    """Whether a text is one of the words of a column, or one that is known to mean it."""
    return word_key(text) in column.spellings or word_key(text) in _words("word", column.name)


def _contained(key: str, column: Column) -> str | None:
    """The one word of an open column that a longer text names, as "flat rubber" names flat; none beside a "no"."""
    parts = f"_{key}_"
    found = {word for spelling, word in column.spellings.items() if f"_{spelling}_" in parts}
    return found.pop() if len(found) == 1 and not key_words(key) & {"no", "not", "without", "or"} else None


def last_good_meaning(heading: str) -> str | None:
    """Return what a heading says of the last good day: last record, last contact or visit."""
    found = {means for word, means in _words("meaning", "last_good_on").items() if word in key_words(heading)}
    return found.pop() if len(found) == 1 else None


def recorded(cells: Iterable[Cell]) -> list[Cell]:
    """Return the cells in which something stands."""
    return [c for c in cells if (text := tidy(cell_text(c)).casefold()) not in MISSING_WORDS and not says_nothing(text)]


def says_nothing(text: str) -> bool:
    """Whether a text probably stands for nothing recorded, in whatever language."""
    return text.casefold() in _nothing()


@cache
def _nothing() -> frozenset[str]:
    listed = (row["words"].split(",") for row in hint_rows() if row["kind"] == "nothing")
    return frozenset(word.strip() for words in listed for word in words)


def yes_or_no(text: str, column: Column) -> str | None:
    """Return yes, no or not_checked where a word says so, in whatever language."""
    return column.spellings.get(word_key(text)) or _words("word", "yes_no").get(word_key(text))
