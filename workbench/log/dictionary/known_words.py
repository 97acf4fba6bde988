"""Which mechanisms and causes does the trade tell apart, and by which other words do logs name them? Data beside it."""

from dataclasses import dataclass
from functools import cache

from workbench.log.dictionary.data_rows import data_rows

__all__ = [
    "KnownCause",
    "KnownMechanism",
    "answers_without_mechanism",
    "hint_rows",
    "known_causes",
    "known_label",
    "known_mechanisms",
    "spelled_words",
]


@dataclass(frozen=True, kw_only=True)
class KnownMechanism:
    """One word for what ended a unit: a process, a wider word that covers several, an absence, or an honest answer."""

    mechanism: str
    label: str
    kind: str
    family: str
    moisture: str
    covers: tuple[str, ...]
    spellings: str
    meaning: str


@dataclass(frozen=True, kw_only=True)
class KnownCause:
    """One circumstance that lets a mechanism act."""

    cause: str
    family: str
    spellings: str
    meaning: str


@cache
def known_mechanisms() -> tuple[KnownMechanism, ...]:
    """Return the mechanisms in the order of their table."""
    rows = [(row, tuple(row.pop("covers").split())) for row in data_rows("mechanisms.csv")]
    return tuple(KnownMechanism(covers=covers, **row) for row, covers in rows)


@cache
def answers_without_mechanism() -> frozenset[str]:
    """Return the honest answers that name no mechanism; a cell left empty is one."""
    return frozenset({"", *(m.mechanism for m in known_mechanisms() if m.kind == "answer")})


@cache
def known_causes() -> tuple[KnownCause, ...]:
    """Return the causes in the order of their table."""
    return tuple(KnownCause(**row) for row in data_rows("causes.csv"))


def spelled_words(field: str) -> str:
    """Return the words of a verdict field with their other spellings, in the form of the dictionary."""
    pairs = {
        "mechanism": [(m.mechanism, m.spellings) for m in known_mechanisms()],
        "cause": [(c.cause, c.spellings) for c in known_causes()],
    }
    return " | ".join(f"{word}: {others}" if others else word for word, others in pairs.get(field, ()))


@cache
def hint_rows() -> tuple[dict[str, str], ...]:
    """Return the words that tell what foreign headings and words probably mean: kind field means words."""
    return tuple(data_rows("hints.csv"))


@cache
def known_label(column: str, level: str) -> str | None:
    """Return how a level of the dictionary is shown where its own word does not read well."""
    return {(row["column"], row["level"]): row["label"] for row in data_rows("labels.csv")}.get((column, level))
