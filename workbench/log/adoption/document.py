"""Document: season.toml as it is written and read again; a line is confirmed, or marked as a guess by a comment."""

from collections.abc import Iterator, Mapping, MutableMapping, Sequence
from typing import Any

import tomlkit
from tomlkit.items import Item

from workbench.errors import SettingsError
from workbench.log.rules import tidy

__all__ = ["GUESS", "SettingsDocument", "changes_between"]

GUESS = "guess: confirm or correct"

Place = tuple[str, ...]
"""Names of tables and the key in them, such as ("levels", "outcome", "words", "kaput")."""


class SettingsDocument:
    """Settings as text that keeps what people typed, with what is confirmed apart from what is guessed."""

    def __init__(self, text: str = "") -> None:
        self._remarks: list[str] = []
        try:
            self._text = tomlkit.parse(text)
        except (tomlkit.exceptions.ParseError, ValueError, RecursionError) as error:
            raise SettingsError(f"the settings are no valid TOML ({tidy(str(error))}); mend them first") from None

    def value(self, place: Place) -> Any:
        """Return the value at a place, None where there is none."""
        found = self._find(place)
        return found.unwrap() if isinstance(found, Item) else found

    def is_confirmed(self, place: Place) -> bool:
        """Whether a value stands at a place without the mark of a guess."""
        found = self._find(place)
        return found is not None and GUESS not in getattr(getattr(found, "trivia", None), "comment", "")

    def put(self, place: Place, value: Any, *, is_confirmed: bool, comment: str = "") -> None:
        """Write a value, with the mark of a guess unless it was confirmed."""
        table: Any = self._text
        for name in place[:-1]:
            if name not in table:
                table[name] = tomlkit.table(is_super_table=name == "levels")
            table = table[name]
        table[place[-1]] = tomlkit.item(value)
        trivia = table.item(place[-1]).trivia
        trivia.comment_ws, trivia.comment = "", ""  # of the value before
        said = "; ".join(tidy(part) for part in ("" if is_confirmed else GUESS, comment) if part)
        if said:
            table.item(place[-1]).comment(said)

    def drop(self, place: Place) -> None:
        """Take a value out, if it is there."""
        table = self._find(place[:-1])
        if isinstance(table, MutableMapping):
            table.pop(place[-1], None)

    def begin_with(self, text: str) -> None:
        """Write a comment as the first line."""
        self._text.add(tomlkit.comment(tidy(text)))

    def remark(self, text: str) -> None:
        """Write a comment at the end, on one line whatever it holds."""
        self._remarks.append(f"# {tidy(text)}")

    def text(self) -> str:
        """Return the whole as TOML."""
        written = str(tomlkit.dumps(self._text)).rstrip("\n")
        new = [line for line in self._remarks if line not in written.splitlines()]
        return "\n".join([written, *(["", *new] if new else [])]).lstrip("\n") + "\n"

    def plain(self) -> dict[str, Any]:
        """Return the values alone."""
        return dict(self._text.unwrap())

    def guesses(self) -> int:
        """How many lines are marked as guesses."""
        return sum(GUESS in line.partition("#")[2] for line in self.text().splitlines())

    def _find(self, place: Sequence[str]) -> Any:
        found: Any = self._text
        for name in place:
            if not isinstance(found, Mapping) or name not in found:
                return None
            found = found.item(name) if hasattr(found, "item") else found[name]
        return found


def _lines(values: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, str]]:
    for name, value in values.items():
        if isinstance(value, Mapping):
            yield from _lines(value, f"{before}{name}, ")
        else:
            yield f"{before}{name}", str(value)


def changes_between(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """Return what differs between two settings, one sentence per key."""
    was, now = dict(_lines(old)), dict(_lines(new))
    said = [f"{tidy(key)}: {tidy(value)} (new)" for key, value in now.items() if key not in was]
    said += [f"{tidy(k)}: {tidy(v)} instead of {tidy(was[k])}" for k, v in now.items() if k in was and was[k] != v]
    return said + [f"{tidy(key)}: taken out" for key in was if key not in now]
