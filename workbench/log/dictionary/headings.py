"""Headings: which row of a sheet names the columns, and which field of the dictionary each column is."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise, zip_longest

from workbench.checks import nearest
from workbench.errors import LogError
from workbench.log.cells import RawSheet, Table, cell_text, column_letters, is_blank, shown
from workbench.log.dictionary.absence import absence_said, what_stands_there
from workbench.log.dictionary.columns import Column, evidence_column, log_columns, visit_columns, word_key
from workbench.log.dictionary.nearness import quoted
from workbench.log.dictionary.settings import Settings

__all__ = [
    "Vocabulary",
    "beside_vocabulary",
    "column_named",
    "fit_of",
    "headings_at",
    "headings_of",
    "locate",
    "log_vocabulary",
    "visit_vocabulary",
]

_ROWS_SEARCHED = 40
_LEAST_KNOWN = 2
_MOST_LISTED = 12
_PERHAPS = 0.7
_NAMES_A_DEPLOYMENT = ("unit_id", "deployment", "season", "last_record_on")
_DATE_FIELDS = ("found_on", "last_good_on", "failed_on")


@dataclass(frozen=True, kw_only=True)
class Vocabulary:
    """The columns that can be understood and the spellings of their headings.

    Attributes
    ----------
    columns : mapping of str to Column
        By name, in dictionary order.
    keys : mapping of str to str
        Comparable heading to name.
    ignored : frozenset of str
        Comparable headings that are to be left alone.
    """

    columns: Mapping[str, Column]
    keys: Mapping[str, str]
    ignored: frozenset[str] = frozenset()

    def field_of(self, heading: str) -> str:
        """Return the name of the column that a heading means."""
        key = word_key(heading)
        if key in self.ignored:
            return ""
        name = self.keys.get(key, "")
        if not name and heading.rstrip().endswith(")"):
            # "deployed on (yyyy-mm-dd)"; a number's bracket may hold another unit, so it must match whole
            name = self.keys.get(word_key(heading.rpartition("(")[0]), "")
            name = "" if name and self.columns[name].type == "number" else name
        return name


def log_vocabulary(settings: Settings) -> Vocabulary:
    """Return the headings of the log: dictionary, further columns with a role, and the user's own names."""
    columns = {c.name: c for c in log_columns()}
    keys = {key: c.name for c in reversed(log_columns()) for key in c.heading_keys}
    keys |= {name: name for name in columns}
    for role in ("protection", "exposure", "evidence"):
        for name in settings.roles.get(role, ()):
            key = word_key(name)
            columns[key] = replace(columns[key], role=role) if key in columns else _further_column(key, role, name)
            keys[key] = key
    keys |= {word_key(theirs): word_key(ours) for theirs, ours in settings.rename.items()}
    ignored = frozenset(word_key(name) for name in settings.roles.get("ignore", ()))
    return Vocabulary(columns=columns, keys=keys, ignored=ignored)


def column_named(name: str, settings: Settings) -> str:
    """Return the column that a name means: its own name, or a heading as it stands in the file."""
    vocabulary = log_vocabulary(settings)
    return name if name in vocabulary.columns else vocabulary.field_of(name) or name


def _further_column(key: str, role: str, name: str) -> Column:
    if role == "evidence":
        return evidence_column(key)
    return Column(key, "word", role=role, meaning=f"Further column {name!r}, {role} by the settings.")


def visit_vocabulary() -> Vocabulary:
    """Return the headings of the visits sheet."""
    keys = {key: c.name for c in reversed(visit_columns()) for key in c.heading_keys}
    return Vocabulary(columns={c.name: c for c in visit_columns()}, keys=keys)


def beside_vocabulary(settings: Settings) -> Vocabulary:
    """Return the headings of a table beside a log: what files and bench say of one deployment, and which it is."""
    whole = log_vocabulary(settings)
    kept = {
        name: replace(column, required=name == "unit_id", common=False)
        for name, column in whole.columns.items()
        if name in _NAMES_A_DEPLOYMENT or column.step or column.role == "evidence"
    }
    return replace(whole, columns=kept, keys={key: name for key, name in whole.keys.items() if name in kept})


@dataclass(frozen=True, kw_only=True)
class _HeadingLine:
    """Where headings stand in the rows of a sheet, on how many rows, and how many different columns they name."""

    headings: tuple[str, ...]
    place: int = 0
    lines: int = 1
    known: int = 0


def fit_of(sheet: RawSheet, vocabulary: Vocabulary) -> tuple[int, int]:
    """Return how many different columns the best headings of a sheet name, and the place of their last row."""
    line = _heading_line(sheet, vocabulary)
    return line.known, line.place + line.lines - 1


def headings_of(sheet: RawSheet, vocabulary: Vocabulary) -> tuple[str, ...]:
    """Return the best headings of a sheet, those on two lines joined."""
    return _heading_line(sheet, vocabulary).headings


def _heading_line(sheet: RawSheet, vocabulary: Vocabulary) -> _HeadingLine:
    """The row that names most columns; two rows read together where that names more, as "Date" above "deployed"."""
    best = _HeadingLine(headings=())
    rows = sheet.rows[:_ROWS_SEARCHED]
    for place in range(len(rows)):
        headings = headings_at(sheet, place)
        known = len(_named(headings, vocabulary))
        if not best.headings or known > best.known:
            best = _HeadingLine(headings=headings, place=place, known=known)
    for place, ((_, upper), (_, lower)) in enumerate(pairwise(rows) if sheet.kind != "columnar" else ()):
        if sum(not is_blank(cell) for cell in upper) > 1:
            pairs = zip_longest(upper, lower)
            joined = tuple(" ".join(f"{cell_text(a)} {cell_text(b)}".split()) for a, b in pairs)
            known = len(_named(joined, vocabulary))
            if known > best.known:
                best = _HeadingLine(headings=joined, place=place, lines=2, known=known)
    return best


def headings_at(sheet: RawSheet, place: int) -> tuple[str, ...]:
    """Return the headings of a row; those that it says twice with what the row above says over each.

    A group heading that stands once, over the first of its columns, holds for the columns after it.
    """
    headings = tuple(" ".join(cell_text(cell).split()) for cell in sheet.rows[place][1])
    twice = {text for text, number in Counter(headings).items() if text and number > 1}
    if not twice or not place or sheet.kind == "columnar":
        return headings
    above, group = [], ""
    for index, _ in enumerate(headings):
        cells = sheet.rows[place - 1][1]
        text = " ".join(cell_text(cells[index]).split()) if index < len(cells) else ""
        group = text or group
        above.append(group)
    if len({*above} - {""}) < 2:
        return headings
    return tuple(
        f"{over} {text}".strip() if text in twice else text for over, text in zip(above, headings, strict=True)
    )


def _named(headings: Iterable[str], vocabulary: Vocabulary) -> set[str]:
    return {vocabulary.field_of(heading) for heading in headings if heading} - {""}


def locate(sheet: RawSheet, vocabulary: Vocabulary, *, has_visits: bool = False, what: str = "log") -> Table:
    """Find the headings of a sheet and the rows below them."""
    line = _heading_line(sheet, vocabulary)
    if line.known < _LEAST_KNOWN:
        raise LogError(_no_headings(sheet))
    place, headings = line.place + line.lines - 1, line.headings
    header_row = sheet.rows[place][0]
    fields = tuple(vocabulary.field_of(h) for h in headings)
    rows = tuple((n, row) for n, row in sheet.rows[place + 1 :] if not all(is_blank(cell) for cell in row))
    ignored = frozenset(i for i, h in enumerate(headings) if word_key(h) in vocabulary.ignored)
    table = Table(raw=sheet, header_row=header_row, headings=headings, fields=fields, ignored=ignored, rows=rows)
    _refuse_twice(table)
    _refuse_missing(table, vocabulary, has_visits)
    if not rows:
        raise LogError(f"{sheet.place} has headings (row {header_row}) but no row below them; the {what} is empty")
    _refuse_shifted(table)
    return replace(table, notes=_notes(table, vocabulary, lines=line.lines))


def _no_headings(sheet: RawSheet) -> str:
    first = [shown(cell_text(cell), 24) for cell in (sheet.rows[0][1] if sheet.rows else ()) if not is_blank(cell)]
    stands = what_stands_there([cell_text(cell) for cell in (sheet.rows[0][1] if sheet.rows else ())])
    if stands:
        return f"{sheet.place} holds no row with the headings of a log; in its first row, {stands}"
    listed = ", ".join(first[:5]) + (f" and {len(first) - 5} more" if len(first) > 5 else "")
    return (
        f"{sheet.place} holds no row with the headings of a log (first row: {listed or 'empty'}); it needs unit_id, "
        "deployed_on, outcome and a date of the end: name them so, or map your headings with 'workbench adopt LOG'"
    )


def _refuse_twice(table: Table) -> None:
    seen: dict[str, int] = {}
    for index, name in enumerate(table.fields):
        if name and seen.setdefault(name, index) != index:
            first, second = (f"{column_letters(i)} ({table.headings[i]!r})" for i in (seen[name], index))
            raise LogError(
                f"{table.raw.place}: columns {first} and {second} both mean {name}; "
                f"rename one, or add to the settings: [roles] ignore = [{quoted(table.headings[index])}]"
            )


def _refuse_missing(table: Table, vocabulary: Vocabulary, has_visits: bool) -> None:
    missing = [c.name for c in vocabulary.columns.values() if c.required and c.name not in table.places]
    if "deployed_on" in vocabulary.columns and not has_visits and not any(f in table.places for f in _DATE_FIELDS):
        missing.append("one of found_on, last_good_on and failed_on")
    if not missing:
        return
    raise LogError(absence_said(table, missing, vocabulary.columns))


def _refuse_shifted(table: Table) -> None:
    """Refuse text tables whose rows all have more, or all have fewer, cells than there are headings."""
    if table.raw.kind != "text":
        return
    wide = len(table.headings)
    widths = [len(row) for _, row in table.rows]
    if min(widths) > wide or max(widths) < wide:
        more, fewer = ("row", "heading line") if min(widths) > wide else ("heading line", "row")
        raise LogError(
            f"{table.raw.place}: the headings (row {table.header_row}) have {wide} cells, row {table.rows[0][0]} has "
            f"{widths[0]}, and no row has {wide}; every {more} has a cell too many, or the {fewer} one too few, so the "
            "columns may be shifted: mend the file where it was exported"
        )


def _perhaps(heading: str, vocabulary: Vocabulary) -> str:
    near = nearest(word_key(heading), vocabulary.columns, cutoff=_PERHAPS)
    return f" (perhaps {near})" if near else ""


def _notes(table: Table, vocabulary: Vocabulary, *, lines: int) -> tuple[str, ...]:
    place, notes = table.raw.place, []
    if lines > 1:
        notes.append(f"{place}: the headings stand on two lines, the second in row {table.header_row}, and are joined.")
    elif table.header_row > 1:
        notes.append(f"{place}: the headings were found in row {table.header_row}; what stands above is not used.")
    used_hidden = sum(number in table.raw.hidden for number, _ in table.rows)
    if used_hidden:
        rows = "1 hidden row was" if used_hidden == 1 else f"{used_hidden} hidden rows were"
        notes.append(f"{place}: {rows} read like the others; delete them if they should not count.")
    if table.raw.kind == "text":
        short = sum(len(row) < len(table.headings) for _, row in table.rows)
        if short:
            have = "1 row has" if short == 1 else f"{short} rows have"
            notes.append(f"{place}: {have} fewer cells than headings; what is missing counts as not recorded.")
    unknown = [h for _, h in table.unused]
    if unknown:
        named = ", ".join(f"{h!r}{_perhaps(h, vocabulary)}" for h in unknown[:_MOST_LISTED])
        named += f" and {len(unknown) - _MOST_LISTED} more" if len(unknown) > _MOST_LISTED else ""
        notes.append(f"{place}: columns without a role are kept and not used: {named}.")
    widest = max(len(row) for _, row in table.rows) if table.raw.kind == "workbook" else 0
    bare = [i for i, h in enumerate(table.headings) if not h] + list(range(len(table.headings), widest))
    filled = [i for i in bare if any(i < len(row) and not is_blank(row[i]) for _, row in table.rows)]
    if filled:
        notes.append(
            f"{place}: column {', '.join(map(column_letters, filled))} has values but no heading and is not used."
        )
    return tuple(notes)
