"""Data dictionary: what each field of the log is called, holds, means and feeds, read from columns.csv beside it."""

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property, lru_cache

from workbench.log.dictionary.data_rows import data_rows
from workbench.log.dictionary.evidence import known_signs
from workbench.log.dictionary.known_words import spelled_words

__all__ = ["Column", "evidence_column", "log_columns", "record_columns", "visit_columns", "word_key"]

TYPES = ("text", "whole", "number", "date", "word", "yes_no", "ip_code")
"""What a field may hold."""

ROLES = (
    "identity", "time", "outcome", "exposure", "protection", "condition", "evidence", "photo", "verdict", "money",
)  # fmt: skip
"""What a field feeds."""

_YES_NO_WORDS = "yes: y, true, 1, x | no: n, false, 0 | not_checked: not checked, unchecked, not looked, nc"
"""The words of a sign or of a yes-or-no choice."""

_INVISIBLE = re.compile("[\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff\u00ad]")
_NOT_WORD = re.compile(r"[^\w]+|_+")


@lru_cache(maxsize=1 << 13)  # the same headings and words come again and again
def word_key(text: str) -> str:
    """Return the form in which words are compared: lower case, everything but letters and digits as one underscore.

    A text of pictures alone, such as a tick, is compared by its pictures.

    Examples
    --------
    >>> word_key("O-Ring "), word_key("A2 (stainless)"), word_key("✔️")
    ('o_ring', 'a2_stainless', '✔')
    """
    plain = _INVISIBLE.sub("", unicodedata.normalize("NFKC", text)).casefold()
    key = _NOT_WORD.sub("_", plain).strip("_")
    return key or "".join(c for c in plain if unicodedata.category(c) == "So")


@dataclass(frozen=True)
class Column:
    """One field of the log.

    Attributes
    ----------
    name : str
        Its name in the dictionary, and its best heading.
    type : str
        One of `TYPES`.
    unit : str
        Unit of a number, "" where it has none.
    role : str
        One of `ROLES`.
    meaning : str
        One sentence.
    headings : str
        Other spellings of the heading, separated by commas.
    words : str
        Known words with other spellings: "o_ring: oring | cord: cord seal, round cord".
    closed : bool
        Whether no other word is accepted.
    required : bool
        Whether a log cannot be read without it.
    common : bool
        Whether a log without it is told what it would feed.
    low, high : float
        Limits of a number, both allowed.
    step : str
        Step of the teardown at which it is written down, "" where it is not.
    """

    name: str
    type: str
    unit: str = field(default="", kw_only=True)
    role: str = field(kw_only=True)
    meaning: str = field(kw_only=True)
    headings: str = field(default="", kw_only=True)
    words: str = field(default="", kw_only=True)
    closed: bool = field(default=False, kw_only=True)
    required: bool = field(default=False, kw_only=True)
    common: bool = field(default=False, kw_only=True)
    low: float = field(default=float("-inf"), kw_only=True)
    high: float = field(default=float("inf"), kw_only=True)
    step: str = field(default="", kw_only=True)

    @cached_property
    def spellings(self) -> Mapping[str, str]:
        """Return which word each comparable spelling stands for; a word is one of its own spellings."""
        text = self.words or (_YES_NO_WORDS if self.type == "yes_no" else "")
        found: dict[str, str] = {}
        for entry in " ".join(text.split()).split("|"):
            word, _, others = entry.partition(":")
            if word.strip():
                for spelling in (word, *others.split(",")):
                    found.setdefault(word_key(spelling), word.strip())
        found.pop("", None)
        return found

    @property
    def known_words(self) -> tuple[str, ...]:
        """The dictionary's words in their order."""
        return tuple(dict.fromkeys(self.spellings.values()))

    @property
    def is_closed(self) -> bool:
        """Whether only the known words are accepted."""
        return self.closed or self.type == "yes_no"

    @cached_property
    def heading_keys(self) -> tuple[str, ...]:
        """Return the comparable spellings of the heading."""
        return tuple(dict.fromkeys(k for k in map(word_key, (self.name, *self.headings.split(","))) if k))


def evidence_column(sign: str, where: str = "", *, label: str = "", step: str = "") -> Column:
    """Return the column of a sign found at teardown."""
    plain = (label or sign.replace("_", " ")).capitalize()
    meaning = f"{plain}; look at: {where}." if where else f"{plain}."
    return Column(sign, "yes_no", role="evidence", meaning=meaning, step=step)


@cache
def log_columns() -> tuple[Column, ...]:
    """Return the columns of the log in their order, signs at teardown last."""
    signs = (evidence_column(s.sign, s.where, label=s.label, step=s.step) for s in known_signs())
    return (*_columns_of("log"), *signs)


@cache
def visit_columns() -> tuple[Column, ...]:
    """Return the columns of the optional visits sheet, one row a look at one unit."""
    return tuple(_columns_of("visits"))


@cache
def record_columns() -> tuple[Column, ...]:
    """Return the columns of a unit's data file that are understood, one row a reading."""
    return tuple(_columns_of("records"))


def _columns_of(sheet: str) -> list[Column]:
    rows = [row for row in data_rows("columns.csv") if row["sheet"] == sheet]
    return [
        Column(
            row["name"],
            row["type"],
            unit=row["unit"],
            role=row["role"],
            meaning=row["meaning"],
            headings=row["headings"],
            words=row["words"] or spelled_words(row["name"]),
            closed=row["closed"] == "yes",
            required=row["required"] == "yes",
            common=row["common"] == "yes",
            low=float(row["low"] or "-inf"),
            high=float(row["high"] or "inf"),
            step=row["step"],
        )
        for row in rows
    ]
