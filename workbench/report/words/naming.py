"""Naming: texts from a log made fit to be shown, and limits in words."""

import re
import unicodedata
from collections.abc import Sequence

from workbench.wording import Amount, interval_text

__all__ = [
    "LIMITS",
    "MOST_HEADLINE_WORDS",
    "as_headline",
    "first_sentence",
    "id_words",
    "limits_words",
    "short_name",
    "shown_name",
    "shown_text",
    "unbroken",
]

LIMITS = "limits"
"""The word for the ends of an interval, everywhere."""

MOST_HEADLINE_WORDS, LONGEST_HEADLINE = 14, 92
"""Words of a headline: more cannot be read while somebody speaks; so many letters fit two lines of 28 points."""

_ANSWERS = re.compile(r"_(?:y_n|yes_no|j_n|ja_nein|o_n|oui_non|s_n|si_no|sí_no|ja_nee)\Z", re.IGNORECASE)
"""What a heading says of the answers below it, as "O-ring (Y/N)" does: no part of a choice's name."""
_LONE_LETTER = re.compile(r"(?<![\w-])([^\W\d_])-(?=[^\W\d_])")
_LINK = re.compile(r"[a-z]*https?[a-z]*:?/*", re.IGNORECASE)


def first_sentence(statement: str) -> tuple[str, str]:
    """Return a statement's first sentence and the rest.

    Examples
    --------
    >>> first_sentence("Of 9 units 3.5 % failed. No more is known.")
    ('Of 9 units 3.5 % failed.', 'No more is known.')
    """
    parts = re.split(r"(?<=[.?!])\s+(?=[A-Z0-9“\"(])", statement.strip(), maxsplit=1)
    return parts[0], parts[1] if len(parts) > 1 else ""


def limits_words(lower: Amount, upper: Amount, confidence: float) -> str:
    """Return limits in words.

    Examples
    --------
    >>> limits_words(Amount("12", "%"), Amount("31", "%"), 0.95)
    '95 % limits 12 to 31 %'
    """
    return f"{100 * confidence:g} % {LIMITS} {interval_text(lower, upper)}"


def shown_name(text: object, limit: int = 44) -> str:
    """Return a name from a log as it may be shown: one line, no control or direction marks, no link, cut when long.

    Examples
    --------
    >>> shown_name("flat_gasket"), shown_name("o_ring_y_n"), shown_name("a\\u202eb"), shown_name("x" * 60, 10)
    ('flat gasket', 'o ring', 'ab', 'xxxxxxxxx…')
    """
    return shown_text(_ANSWERS.sub("", str(text)).replace("_", " "), limit)


def shown_text(text: object, limit: int = 300) -> str:
    """Return other text from a log, such as a file's name, as it may be shown; underscores stay.

    Examples
    --------
    >>> shown_text("season_2025.csv")
    'season_2025.csv'
    """
    kept = str(text)
    if not kept.isprintable():
        kept = "".join(" " if c.isspace() else c for c in kept if c.isspace() or unicodedata.category(c)[0] != "C")
    line = " ".join(_LINK.sub("(link) ", kept).split())
    return (line[: limit - 1].rstrip() + "…" if len(line) > limit else line) or "(no name)"


def as_headline(text: str) -> str:
    """Return a claim that fits a headline: cut where names from a log make it too long.

    Examples
    --------
    >>> as_headline("54 of 165 failed"), len(as_headline("word " * 30).split())
    ('54 of 165 failed', 14)
    """
    text = text[:1].upper() + text[1:]
    words = text.split()
    if len(words) > MOST_HEADLINE_WORDS:
        text = f"{' '.join(words[:MOST_HEADLINE_WORDS])}…"
    return text if len(text) <= LONGEST_HEADLINE else f"{text[: LONGEST_HEADLINE - 1].rstrip()}…"


def short_name(text: str, limit: int = 26) -> str:
    """Return a name cut to what a headline can hold beside its own words: four words, a few letters."""
    words = text.split()
    kept = " ".join(words[:4]) + ("…" if len(words) > 4 else "")
    return shown_text(kept, limit)


def unbroken(text: str) -> str:
    r"""Return a text whose hyphens between a single letter and a word never end a line.

    Examples
    --------
    >>> unbroken("O-ring, leak-tested, U-12").encode("ascii", "backslashreplace").decode()
    'O\\u2011ring, leak-tested, U-12'
    """
    return _LONE_LETTER.sub("\\1\u2011", text)


def id_words(names: Sequence[str]) -> dict[str, str]:
    """Return the part that each name takes in the id of a finding.

    Examples
    --------
    >>> id_words(["O-ring", "o ring", "cord"])
    {'O-ring': 'o_ring', 'o ring': 'level_2', 'cord': 'cord'}
    """
    words: dict[str, str] = {}
    for number, name in enumerate(names, start=1):
        word = re.sub("[^a-z0-9]+", "_", str(name).lower()).strip("_")[:40]
        words[name] = word if word and word not in words.values() else f"level_{number}"
    return words
