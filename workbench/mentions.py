"""Mentions: how does a sentence keep which columns and levels it names, so that nobody has to find them in it?"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Self

__all__ = ["Mention", "Sentence", "joined", "listed", "of_group"]


@dataclass(frozen=True)
class Mention:
    """A column, or where `level` is not empty a level of it, that a sentence names; `alone` without its column."""

    column: str
    level: str = ""
    alone: bool = False

    def __str__(self) -> str:
        if not self.level:
            return self.column
        return self.level if self.alone else f"{self.column} = {self.level}"


class Sentence(str):
    """A sentence, or a clause of one, that knows what it names: a text in the log's own words, made of `parts`.

    Examples
    --------
    >>> said = Sentence("units with ", Mention("lid_seal", "o_ring"), " are missing")
    >>> said
    'units with lid_seal = o_ring are missing'
    >>> said.named(lambda mention: "the O-ring")
    'units with the O-ring are missing'
    """

    __slots__ = ("parts",)
    parts: tuple[str | Mention, ...]

    def __new__(cls, *parts: str | Mention) -> Self:
        """Join texts, mentions and sentences, whose own mentions stay mentions."""
        flat = tuple(inner for part in parts for inner in (part.parts if isinstance(part, Sentence) else (part,)))
        sentence = super().__new__(cls, "".join(str(part) for part in flat))
        sentence.parts = flat
        return sentence

    @property
    def mentions(self) -> tuple[Mention, ...]:
        """What it names, in its order."""
        return tuple(part for part in self.parts if isinstance(part, Mention))

    def named(self, name: Callable[[Mention], str]) -> "Sentence":
        """The sentence with everything that it names under the name given; it mentions nothing any more."""
        return Sentence(*(name(part) if isinstance(part, Mention) else part for part in self.parts))

    def finished(self) -> "Sentence":
        """The clause as a sentence of its own: a first letter that is no part of a name large, a full stop after it."""
        first, *rest = self.parts
        return Sentence(first if isinstance(first, Mention) else first[:1].upper() + first[1:], *rest, ".")


def of_group(label: str, text: str) -> Sentence:
    """Return a note on one group of units, its name first.

    Examples
    --------
    >>> of_group("o_ring", "no unit failed.").named(lambda group: "O-ring")
    'O-ring: no unit failed.'
    """
    return Sentence(Mention("group", label, alone=True), ": ", text)


def joined(separator: str, clauses: Iterable[str]) -> Sentence:
    """Return clauses as one, with a separator between each two.

    Examples
    --------
    >>> joined("; ", ["a", "b"])
    'a; b'
    """
    parts: list[str] = []
    for clause in clauses:
        parts += [separator, clause] if parts else [clause]
    return Sentence(*parts)


def listed(things: Sequence[str | Mention]) -> Sentence:
    """Return things in a row as in a sentence.

    Examples
    --------
    >>> listed([Mention("vent"), Mention("lid_seal"), "others"])
    'vent, lid_seal and others'
    """
    *most, last = map(Sentence, things) if things else ("",)
    return Sentence(joined(", ", most), " and ", last) if most else Sentence(last)
