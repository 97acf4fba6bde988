"""Fields: which column of the dictionary is each foreign column? Told by its heading and by its cells."""

import re
from collections.abc import Mapping, Sequence
from difflib import SequenceMatcher
from functools import cache
from statistics import median

from workbench.log.adoption.date_forms import day_of, is_count, is_dated
from workbench.log.adoption.hints import (
    asks_for,
    guessed_word,
    is_day_found,
    is_known_after,
    is_word,
    key_words,
    recorded,
    told_by,
    yes_or_no,
)
from workbench.log.cells import Cell, cell_text
from workbench.log.dictionary import Column, log_columns, names_a_day, word_key
from workbench.log.rules import tidy

__all__ = ["PROTECTION", "fields_like", "guess_fields", "is_ticked", "share_held", "yes_no_words"]

PROTECTION = "protection"
"""The role that stands in place of a field for a further choice."""

_PLAIN_WORDS = frozenset({"date", "type", "unit", "name", "number", "no", "of", "at", "the", "on", "in"})
_LONGEST_HEADING = 200
_SHORTEST = 4
"""Letters of a spelling that is compared letter by letter: "plot" is no slip of "lot"."""
_NEAR, _VERY_NEAR = 0.75, 0.9
_SHARED, _HALF = 0.2, 0.5
_HOLDS = 0.8
_MOSTLY = 0.6
_LEAST_WORDS = 3
_PICTURE = re.compile(r"\.(?:jpe?g|png|heic|tiff?|webp|gif|bmp)\b", re.IGNORECASE)
_DAYS = ("deployed_on", "last_good_on", "failed_on", "found_on", "opened_on", "observed_from")

Cells = Mapping[str, Sequence[Cell]]


@cache
def _columns() -> dict[str, Column]:
    return {column.name: column for column in log_columns()}


def guess_fields(cells: Cells, known: Mapping[str, str]) -> dict[str, str]:
    """Return a field, or the role protection, for every heading of which it can be told; each field once."""
    found: dict[str, str] = {}

    def give(heading: str | None, field: str) -> None:
        if heading is not None and field and heading not in found and field not in {*known.values(), *found.values()}:
            found[heading] = field

    filled = {heading: recorded(column) for heading, column in cells.items()}
    open_ones = {heading: column for heading, column in filled.items() if heading not in known and column}
    dated = {h: c for h, c in open_ones.items() if _holds_days(h, c)}
    others = {h: c for h, c in open_ones.items() if h not in dated}
    give(_outcome_of({h: c for h, c in others.items() if not names_a_day(h)}), "outcome")
    outcome = next((h for h, f in {**known, **found}.items() if f == "outcome"), None)
    for heading, field in _days(cells, dated, {h: f for h, f in known.items() if f in _DAYS}):
        give(heading, field)
    for heading, field in _by_words({h: c for h, c in others.items() if h not in found}):
        give(heading, field)
    give(_mechanism_of({h: c for h, c in others.items() if h not in found}), "mechanism")
    give(_unit_of({h: c for h, c in others.items() if h not in found}), "unit_id")
    give(
        next((h for h, c in others.items() if h not in found and told_by(h, "site") and not _is_number(c)), None),
        "site",
    )
    for heading in (h for h, c in filled.items() if not c and h not in known):
        give(heading, next((field for field in (*_DAYS, "unit_id", "site", "outcome") if told_by(heading, field)), ""))
    for heading, column in others.items():
        if heading not in found and _is_choice(heading, column, cells, outcome=outcome):
            found[heading] = PROTECTION
    return found


def _holds_days(heading: str, column: Sequence[Cell]) -> bool:
    """Whether most cells are days; bare numbers may be, beside dates or below a heading that tells of a day."""
    days, counts = sum(map(is_dated, column)), sum(map(is_count, column))
    may_count = days >= counts or any(told_by(heading, field) for field in _DAYS)
    return days + (counts if may_count else 0) >= _MOSTLY * len(column)


def _outcome_of(columns: Cells) -> str | None:
    """The column whose words tell best how units ended; first one that tells of several ends, and of most units."""
    column = _columns()["outcome"]
    told: dict[str, tuple[bool, float, float]] = {}
    for heading, cells in columns.items():
        ends = [end for c in cells if (end := guessed_word(cell_text(c), column, heading=heading)) is not None]
        said = (told_by(heading, "outcome") or asks_for(heading) is not None) / 10
        share = len(ends) / len(cells) + said
        if share >= _MOSTLY and (said or len({word_key(cell_text(c)) for c in cells}) > 1):
            told[heading] = len(set(ends)) > 1, len(ends) * (1 + said), share
    return max(told, key=lambda h: told[h], default=None)


def _days(cells: Cells, dated: Cells, known: Mapping[str, str]) -> list[tuple[str, str]]:
    """Fields of columns of dates: first what a heading tells, then the earliest, the latest and what lies between."""
    pairs = [(heading, "found_on") for heading in dated if is_day_found(heading)]
    pairs += [
        (heading, field)
        for field in ("last_good_on", "opened_on", "failed_on", "deployed_on", "found_on")
        for heading in dated
        if told_by(heading, field)
    ]
    named = dict(reversed(pairs)) | dict(known)
    middle = {h: median(_ordinals(cells[h])) for h in {*dated, *known} if _ordinals(cells[h])}
    order = sorted((h for h in dated if h in middle), key=lambda h: middle[h])
    free = [h for h in order if h not in named]
    if free and middle[free[0]] <= min(middle.values()):
        pairs.append((free[0], "deployed_on"))
    if len(free) > 1 or (free and "deployed_on" in named.values()):
        pairs.append((free[-1], "found_on"))
    # a day of which nothing is said may be that of the failure, but as the last good one it can only lose precision
    return pairs + [(heading, "last_good_on") for heading in free]


def _ordinals(cells: Sequence[Cell]) -> list[int]:
    return [day.toordinal() for cell in cells if (day := day_of(cell)) is not None]


def _ends(cells: Cells, outcome: str | None) -> list[str | None]:
    column = _columns()["outcome"]
    if outcome is None:
        return []
    return [guessed_word(cell_text(cell), column, heading=outcome) for cell in cells[outcome]]


def _empty_for_survivors(cells: Cells, heading: str, outcome: str | None) -> bool:
    """Whether a column is filled for units that failed and empty for those that worked."""
    shares = {}
    for end in ("failed", "working"):
        own = [c for c, e in zip(cells[heading], _ends(cells, outcome), strict=False) if e == end]
        shares[end] = len(recorded(own)) / len(own) if own else None
    return shares["working"] is not None and shares["working"] < 0.1 and (shares["failed"] or 0.0) > 0.5


def _by_words(columns: Cells) -> list[tuple[str, str]]:
    """Pair headings with fields by likeness and by what the cells hold, the likeliest pair first."""
    pairs = []
    for heading, column in columns.items():
        for place, field in enumerate(log_columns()):
            if field.type == "date" or field.name in ("outcome", "deployment"):
                continue
            shared, letters = _alike(heading, field)
            holds, told, near = (
                share_held(field, column),
                told_by(heading, field.name),
                _is_near(field, shared, letters),
            )
            # what a heading says outright needs fewer cells that agree
            enough = _MOSTLY if shared >= _HALF else _HOLDS
            by_cells = bool(field.known_words) and (told or (shared >= _SHARED and holds >= enough))
            by_cells = by_cells or (field.type == "ip_code" and holds >= _HOLDS)
            # where any word may stand, words in a language that is not known are levels if they come again
            is_open = told and bool(field.known_words) and not field.is_closed and _come_again(column)
            if (holds >= 0.5 or is_open) and (near or (by_cells and field.role != "evidence")):
                pairs.append((-max(shared, letters) - holds - told, place, heading, field.name))
    return [(heading, name) for *_, heading, name in sorted(pairs)]


def _is_near(field: Column, shared: float, letters: float) -> bool:
    """Whether a heading is spelled like a field; a sign needs more: "desiccant pack" is not desiccant spent."""
    if field.type == "yes_no" and field.role != PROTECTION:
        return shared >= _HALF or letters >= _VERY_NEAR
    return max(shared, letters) >= _NEAR


def _come_again(cells: Sequence[Cell]) -> bool:
    """Whether the cells are words most of which stand more than once."""
    words = [word_key(cell_text(cell)) for cell in cells]
    return not _is_number(cells) and len(set(words)) * 2 <= len(words) and len(set(words)) > 1


def _alike(heading: str, column: Column) -> tuple[float, float]:
    """How alike a heading is to the spellings of a column's: telling words in common, and letters in order (0 to 1)."""
    key = word_key(heading[:_LONGEST_HEADING])
    words = set(key.split("_")) - _PLAIN_WORDS
    others = [set(known.split("_")) for known in column.heading_keys]
    shared = max(len(words & other) / len(words | other) for other in others)
    long = [known for known in column.heading_keys if len(known) >= _SHORTEST]
    letters = max((SequenceMatcher(None, key, known).ratio() for known in long), default=0.0)
    return shared, letters


def share_held(column: Column, cells: Sequence[Cell]) -> float:
    """Return the share of cells that a column could hold; for free text, where all could, one half."""
    if column.role == "photo" and cells:
        return sum(bool(_PICTURE.search(cell_text(c))) for c in cells) / len(cells)
    if column.type == "text" or not cells:
        return 0.5
    if column.type == "date":
        return sum(is_dated(cell) or is_count(cell) for cell in cells) / len(cells)
    if column.type in ("number", "whole"):
        return sum(bool(re.fullmatch(r"-?\d+(?:[.,]\d+)?", tidy(cell_text(c)))) for c in cells) / len(cells)
    if column.type == "ip_code":
        return sum(cell_text(c).strip().upper().startswith("IP") for c in cells) / len(cells)
    return sum(is_word(cell_text(c), column) for c in cells) / len(cells)


def fields_like(heading: str, cells: Sequence[Cell], taken: set[str], *, most: int = 5) -> tuple[str, ...]:
    """Return the fields that a column may be, the likeliest first."""
    filled = recorded(cells)
    ranked = []
    for place, column in enumerate(log_columns()):
        holds = share_held(column, filled)
        if column.name not in taken and holds >= 0.5 and column.role != "evidence":
            ranked.append((-max(_alike(heading, column)) - holds - told_by(heading, column.name), place, column.name))
    return tuple(name for *_, name in sorted(ranked)[:most])


def _unit_of(columns: Cells) -> str | None:
    """The column that names units: nearly all of its cells differ, or, as units go out again, most of them do."""
    differing = {h: len(set(map(cell_text, c))) / len(c) for h, c in columns.items() if not _is_fraction(c)}
    unique = [h for h, share in differing.items() if share >= 0.9]
    told = [h for h in differing if told_by(h, "unit_id")]
    again = next((h for h in told if differing[h] >= 0.5), None)
    return next((h for h in unique if h in told), again or (unique[0] if len(unique) == 1 else None))


def _mechanism_of(columns: Cells) -> str | None:
    """The column most of whose different cells name what ended a unit."""
    column = _columns()["mechanism"]
    for heading, cells in columns.items():
        named = [guessed_word(text, column) is not None for text in {word_key(cell_text(c)) for c in cells}]
        if len(named) >= _LEAST_WORDS and sum(named) >= _MOSTLY * len(named):
            return heading
    return None


def _is_number(cells: Sequence[Cell]) -> bool:
    return share_held(_columns()["elevation_m"], cells) >= _HOLDS


def _is_fraction(cells: Sequence[Cell]) -> bool:
    return any(re.fullmatch(r"-?\d+[.,]\d+", tidy(cell_text(c))) for c in cells)


def yes_no_words(cells: Sequence[Cell]) -> dict[str, str] | None:
    """Return yes or no for each other word of a column of yes and no; None for any other column."""
    words = {word_key(cell_text(cell)): yes_or_no(cell_text(cell), _columns()["shade"]) for cell in recorded(cells)}
    if not words or not all(words.values()):
        return None
    return {text: str(word) for text, word in words.items() if text != word}


def is_ticked(cells: Sequence[Cell]) -> bool:
    """Whether every cell in which something stands says yes, as where a box is ticked or left empty."""
    return {yes_or_no(cell_text(cell), _columns()["shade"]) for cell in recorded(cells)} == {"yes"}


def _is_choice(heading: str, column: Sequence[Cell], cells: Cells, *, outcome: str | None) -> bool:
    """A yes-or-no column that was known before the end: neither its heading nor its empty cells speak of the end."""
    if yes_no_words(column) is None or is_known_after(heading) or key_words(heading) & {"test", "photo"}:
        return False
    return not _empty_for_survivors(cells, heading, outcome)
