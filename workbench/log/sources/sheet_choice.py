"""Choosing: which sheet of a file is the log and which the visits, and that sheet's headings understood."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePath

from workbench.checks import did_you_mean
from workbench.errors import LogError, SettingsError, UsageError
from workbench.filing import BESIDE_A_LOG
from workbench.log.cells import RawSheet, Table, shown
from workbench.log.dictionary import Settings, Vocabulary, beside_vocabulary, fit_of, locate, visit_vocabulary, word_key
from workbench.wording import count_of, join_words

__all__ = ["Chosen", "choose_tables", "is_beside", "is_visits"]

_LEAST_KNOWN = 2


@dataclass(frozen=True, kw_only=True)
class Chosen:
    """The tables of the log, those of visits, those beside the log, and what was chosen."""

    logs: tuple[Table, ...]
    visits: tuple[Table, ...]
    beside: tuple[Table, ...]
    notes: tuple[str, ...]


def choose_tables(
    files: Sequence[Sequence[RawSheet]], vocabulary: Vocabulary, settings: Settings, *, from_folder: bool
) -> Chosen:
    """Choose and understand the tables of all files."""
    notes: list[str] = []
    logs: list[RawSheet] = []
    visits: list[RawSheet] = []
    beside: list[RawSheet] = []
    for sheets in files:
        if is_beside(sheets[0], vocabulary):
            beside.append(sheets[0])
            continue
        looks = [sheet for sheet in sheets if is_visits(sheet, vocabulary)]
        visits += [sheet for sheet in looks if len(sheet.rows) > fit_of(sheet, visit_vocabulary())[1] + 1]
        rest = [sheet for sheet in sheets if sheet not in looks]
        if not rest:
            continue
        chosen = _chosen(rest, vocabulary, settings)
        if from_folder and fit_of(chosen[0], vocabulary)[0] < _LEAST_KNOWN:
            notes.append(f"{chosen[0].source} has no headings of a log and was not read.")
            continue
        logs += chosen
        if len(sheets) > 1:
            passed = [s.sheet for s in rest if s not in chosen]
            said = f" (not read: {', '.join(map(repr, passed))})" if passed else ""
            named = join_words([repr(s.sheet) for s in chosen])
            count_word = "sheet" if len(chosen) == 1 else "sheets"
            notes.append(f"{chosen[0].source}: the log is on {count_word} {named}{said}.")
    if not logs:
        _refuse_no_log(files, visits, beside)
    visit_tables = [locate(sheet, visit_vocabulary(), what="visits") for sheet in visits]
    words = beside_vocabulary(settings)
    added = [locate(sheet, words, what="table") for sheet in beside if len(sheet.rows) > fit_of(sheet, words)[1] + 1]
    tables = [locate(sheet, vocabulary, has_visits=bool(visits)) for sheet in logs]
    notes += [
        f"{t.raw.place}: {count_of(len(t.rows), 'visit')}; last_good_on and found_on follow from them."
        for t in visit_tables
    ]
    notes += [f"{t.raw.place}: {count_of(len(t.rows), 'row')}, beside the log: empty cells filled." for t in added]
    for table in [*tables, *visit_tables, *added]:
        notes += [*table.raw.notes, *table.notes]
    _refuse_unknown_roles(settings, [*tables, *added])
    notes += _unused_names(settings, tables)
    return Chosen(logs=tuple(tables), visits=tuple(visit_tables), beside=tuple(added), notes=tuple(notes))


def is_beside(sheet: RawSheet, vocabulary: Vocabulary) -> bool:
    """Whether a table has the name of one beside a log, and does not hold a log all the same."""
    if PurePath(sheet.source).name not in BESIDE_A_LOG or not sheet.rows or is_visits(sheet, vocabulary):
        return False
    cells = [str(cell) for cell in sheet.rows[fit_of(sheet, vocabulary)[1]][1] if cell is not None]
    named = {vocabulary.field_of(cell) for cell in cells}
    return "unit_id" in named and "deployed_on" not in named


def is_visits(sheet: RawSheet, vocabulary: Vocabulary) -> bool:
    """A sheet of visits names unit, day and state, and no day of deployment."""
    words = visit_vocabulary()
    known, place = fit_of(sheet, words)
    if known < _LEAST_KNOWN:
        return False
    cells = [str(cell) for cell in sheet.rows[place][1] if cell is not None]
    as_visits = {words.field_of(cell) for cell in cells}
    as_log = {vocabulary.field_of(cell) for cell in cells}
    return {"unit_id", "visited_on", "state"} <= as_visits and "deployed_on" not in as_log


def _chosen(sheets: Sequence[RawSheet], vocabulary: Vocabulary, settings: Settings) -> list[RawSheet]:
    """The sheets that the settings name, in the order of the file; else the one that fits best."""
    named = {sheet.sheet.strip().casefold(): sheet for sheet in sheets if sheet.sheet}
    if not settings.sheet or not named:
        return [_best(sheets, vocabulary)]
    wanted = {name.casefold(): name for name in settings.sheet}
    for key, name in wanted.items():
        if key not in named:
            names = [sheet.sheet for sheet in named.values()]
            raise SettingsError(
                f"{sheets[0].source} has no sheet {name!r} with any content{did_you_mean(name, names)} "
                f"(there are: {', '.join(names)})"
            )
    return [sheet for key, sheet in named.items() if key in wanted]


def _best(sheets: Sequence[RawSheet], vocabulary: Vocabulary) -> RawSheet:
    fits = [fit_of(sheet, vocabulary)[0] for sheet in sheets]
    best = max(fits)
    tied = [sheet.sheet for sheet, fit in zip(sheets, fits, strict=True) if fit == best]
    if len(tied) > 1 and best >= _LEAST_KNOWN:
        raise LogError(
            f"{sheets[0].source}: the sheets {join_words([shown(t) for t in tied])} fit a log equally well; "
            f"name one in the settings, such as sheet = {tied[0]!r}, or all that hold the log, sheet = {tied!r}"
        )
    return sheets[fits.index(best)]


def _refuse_no_log(files: Sequence[Sequence[RawSheet]], visits: Sequence[RawSheet], beside: Sequence[RawSheet]) -> None:
    names = ", ".join(sheets[0].source for sheets in files)
    if visits or beside:
        what = "visits" if visits else "teardowns"
        raise LogError(f"{names} holds {what} but no log; give the log as well, one row per deployment")
    raise UsageError(
        f"none of {names} has the headings of a log; name the file, or map its headings with 'workbench adopt'"
    )


def _refuse_unknown_roles(settings: Settings, tables: Sequence[Table]) -> None:
    headings = {word_key(h): h for table in tables for h in table.headings if h}
    places = {name for table in tables for name in table.places}
    for name in settings.further_columns():
        if word_key(name) not in places:
            near = did_you_mean(word_key(name), headings)
            raise SettingsError(f"roles names the column {name!r}, which no file has{near}: correct it in [roles]")


def _unused_names(settings: Settings, tables: Sequence[Table]) -> list[str]:
    headings = {word_key(h) for table in tables for h in table.headings}
    unused = [theirs for theirs in settings.rename if word_key(theirs) not in headings]
    if not unused:
        return []
    return [f"[rename] names headings that no file has: {', '.join(map(shown, unused))}."]
