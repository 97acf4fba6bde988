"""Nearness: which known word a mistyped word may be; a word of opposite meaning is never offered."""

import json
import re
from difflib import SequenceMatcher

from workbench.log.dictionary.columns import Column, word_key

__all__ = ["is_slip", "near_word", "quoted"]

_NEAR = 0.8
_SHORTEST = 4
_NOT = re.compile(r"(?:^|_)(?:not?|non|never|without|isn|wasn|t|hardly|nearly|almost)(?:_|$)|^(?:un|in|non|dis)")
"""What turns a word into its opposite."""


def near_word(text: str, column: Column) -> str | None:
    """Return the word of a column of which a text is a slip of the keyboard; None where two meanings are as near.

    Examples
    --------
    >>> from workbench.log.dictionary import log_columns
    >>> outcome = next(c for c in log_columns() if c.name == "outcome")
    >>> near_word("wroking", outcome), near_word("fine", outcome), near_word("not dead", outcome)
    ('working', None, None)
    """
    key = word_key(text)
    if len(key) < _SHORTEST:
        return None
    ranked: dict[str, float] = {}
    for spelling, word in column.spellings.items():
        if bool(_NOT.search(key)) == bool(_NOT.search(spelling)):
            alike = SequenceMatcher(None, key, spelling).ratio()
            if not column.is_closed and is_slip(key, spelling):
                alike = max(alike, _NEAR)
            ranked[word] = max(alike, ranked.get(word, 0.0))
    best = sorted(((alike, word) for word, alike in ranked.items() if alike >= _NEAR), reverse=True)
    if not best or (len(best) > 1 and best[0][0] - best[1][0] < 0.05):
        return None
    return best[0][1]


def is_slip(one: str, other: str) -> bool:
    """Whether two words of four letters or more differ by one letter, or by two letters that changed places.

    Examples
    --------
    >>> is_slip("corc", "cork"), is_slip("crok", "cork"), is_slip("cor", "cork"), is_slip("cord", "cork s")
    (True, True, True, False)
    """
    if max(len(one), len(other)) < _SHORTEST or abs(len(one) - len(other)) > 1 or one == other:
        return False
    start = next((i for i, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), min(len(one), len(other)))
    a, b = one[start:], other[start:]
    swapped = len(a) > 1 and a[:2] == b[:2][::-1] and a[2:] == b[2:]
    return a[1:] == b[1:] or a[1:] == b or a == b[1:] or swapped


def quoted(text: str) -> str:
    """Return a text as TOML writes it in quotation marks, on one line.

    Examples
    --------
    >>> quoted('a "b"')
    '"a \\\\"b\\\\""'
    """
    return json.dumps(" ".join(text.split()), ensure_ascii=False).replace("\x7f", "\\u007f")
