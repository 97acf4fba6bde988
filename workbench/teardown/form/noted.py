"""Which signs does a note tell of? Phrases of a table, said and not denied; each a proposal for a person to confirm."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

from workbench.log.dictionary import is_slip, phrase_rows

__all__ = ["Noted", "noted_signs"]

_CLAUSE = re.compile(r"[.;,!]|\bbut\b|\bonly\b|\s-\s")
_DENIES = frozenset(("no", "not", "never", "without", "none", "nothing", "neither", "nor", "cannot", "isnt", "wasnt"))
_REACH = 3
"""Words before a phrase, or between two of its words, within which a word belongs to it."""
_LONGER = 3
"""Letters by which a word may be longer than that of the phrase: puddles, fogged, chewed."""


@dataclass(frozen=True, kw_only=True)
class Noted:
    """A sign that a note tells of, with the words that say so."""

    sign: str
    words: str


def noted_signs(note: str) -> tuple[Noted, ...]:
    """Return the signs that a note proposes, each once, with the words quoted as they stand in it.

    Examples
    --------
    >>> [(n.sign, n.words) for n in noted_signs("Mouse ate the cable, no puddle inside")]
    [('tooth_marks', 'Mouse ate')]
    """
    found: dict[str, Noted] = {}
    for clause in _CLAUSE.split(note):
        said = re.findall(r"[^\W_]+(?:['’][^\W_]+)?", clause)
        plain = [word.casefold().replace("'", "").replace("’", "") for word in said]
        for phrase, sign in _phrases():
            place = _place(plain, phrase)
            if place and not _is_denied(plain, place):
                found.setdefault(sign, Noted(sign=sign, words=" ".join(said[place[0] : place[1] + 1])))
    return tuple(found.values())


@cache
def _phrases() -> tuple[tuple[tuple[str, ...], str], ...]:
    rows = phrase_rows()
    return tuple((tuple(row["phrase"].split()), row["sign"]) for row in rows)


def _place(words: Sequence[str], phrase: tuple[str, ...]) -> tuple[int, int] | None:
    """Where the words of a phrase stand in their order with little between them: the first and the last of them."""
    for start, word in enumerate(words):
        if not _same(word, phrase[0]):
            continue
        at = start
        for wanted in phrase[1:]:
            nearby = range(at + 1, min(at + 2 + _REACH, len(words)))
            at = next((n for n in nearby if _same(words[n], wanted)), -1)
            if at < 0:
                break
        if at >= 0:
            return start, at
    return None


def _same(word: str, wanted: str) -> bool:
    """A word of a note is that of a phrase, with an ending or a slip of the keyboard."""
    is_longer = word.startswith(wanted) and len(word) - len(wanted) <= _LONGER
    return is_longer or (len(wanted) > 4 and is_slip(word, wanted))


def _is_denied(words: Sequence[str], place: tuple[int, int]) -> bool:
    before, inside = words[max(0, place[0] - _REACH) : place[0]], words[place[0] : place[1] + 1]
    after = words[place[1] + 1 : place[1] + 3]
    return bool(_DENIES & {*before, *inside}) or (bool(after) and after[0] in ("not", "none", "no", "never"))
