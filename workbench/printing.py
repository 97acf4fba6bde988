"""What does a person see of a text that may hold anything?

Everything that is printed goes through here: control, escape and direction characters appear as text, and what the
terminal's encoding lacks is replaced, so that printing never fails and never does anything but show.
"""

import json
import sys
import unicodedata
from typing import Any, TextIO

__all__ = ["json_text", "say", "say_aside", "visible", "visible_lines"]

_PLAIN = str.maketrans(
    {"−": "-", "–": "-", "—": "-", "…": "...", "’": "'", "‘": "'", "“": '"', "”": '"', "·": "-", "×": "x", "→": "->"}
)
_UNSEEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")


def visible(text: Any) -> str:
    """Return a text on one line, each character that would act instead of being seen written as its escape.

    Examples
    --------
    >>> visible("a\\x1b[31m\\nb"), visible("log.csv")
    ('a\\\\x1b[31m\\\\nb', 'log.csv')
    """
    text = str(text)
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escaped(c) if unicodedata.category(c) in _UNSEEN else c for c in text)


def visible_lines(text: Any) -> str:
    """Return a text whose line breaks stay, with everything else that would act written as its escape."""
    return "\n".join(visible(line.expandtabs(4)) for line in str(text).split("\n"))


def _escaped(character: str) -> str:
    code = ord(character)
    named = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(character)
    if named:
        return named
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def json_text(value: Any) -> str:
    """Return a value as JSON in which no character acts; NaN is refused."""
    text = json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False)
    lines = []
    for line in text.split("\n"):
        unseen = {c for c in line if unicodedata.category(c) in _UNSEEN}
        for character in unseen:
            line = line.replace(
                character, json.dumps(character)[1:-1] if not character.isascii() else f"\\u{ord(character):04x}"
            )
        lines.append(line)
    return "\n".join(lines)


def say(text: Any = "") -> None:
    """Print to the person or program that reads the answer."""
    _put(sys.stdout, visible_lines(text))


def say_aside(text: Any) -> None:
    """Print beside the answer: progress, errors, where a file was written."""
    _put(sys.stderr, visible_lines(text))


def _put(stream: TextIO, text: str) -> None:
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(_PLAIN).encode(encoding, "replace").decode(encoding)
    print(text, file=stream, flush=True)
