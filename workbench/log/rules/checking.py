"""Checking: what rows say against each other and within themselves; every problem at once, none repaired."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence

from workbench.log.dictionary import Settings
from workbench.log.rules.entries import Entry
from workbench.log.rules.ledger import LifeRefusal, life_of
from workbench.log.rules.problems import Problem

__all__ = ["DATE_FIELDS", "check_across", "check_within"]

DATE_FIELDS = ("deployed_on", "observed_from", "last_good_on", "failed_on", "found_on", "last_record_on", "opened_on")
STOPPED_BEFORE = 2
"""Days by which a data file may end before a unit was found working or known to have failed: clocks and lost records;
judgement."""

_ORDER = ("deployed_on", "last_good_on", "failed_on", "found_on")
_ORDER_ADVICE = "correct the wrong one of the two; the order is deployed, last good, failed, found"


def check_within(entry: Entry, refused: frozenset[str], settings: Settings, *, today: dt.date) -> list[Problem]:
    """Return what is wrong within one row."""
    problems = _empty_fields(entry, refused)
    problems += _outside(entry, settings, today)
    problems += _out_of_order(entry)
    problems += _contradictions(entry)
    unused = _disagreeing_record(entry)
    problems += unused
    if not any(p.scope == "row" for p in problems):
        problems += _opened_early(entry)
    if not refused and not any(p.scope == "row" for p in problems):
        without = {problem.field for problem in unused}
        life = life_of(
            {k: v for k, v in entry.values.items() if k not in without} if without else entry.values, settings
        )
        if isinstance(life, LifeRefusal):
            others = tuple(entry.address(f) for f in life.others)
            problems.append(entry.problem(life.field, *life.refusal, others=others))
    return problems


_NEEDED = {
    "unit_id": "write the unit's name",
    "deployed_on": "write the day the unit was put out",
    "outcome": "still out? write working and last_good_on; otherwise failed, missing or withdrawn",
}
"""Fields that a row cannot do without, and what to do about an empty one."""


def _empty_fields(entry: Entry, refused: frozenset[str]) -> list[Problem]:
    return [
        entry.problem(field, f"{field} is empty", what)
        for field, what in _NEEDED.items()
        if field not in entry.values and field not in refused
    ]


def _outside(entry: Entry, settings: Settings, today: dt.date) -> list[Problem]:
    problems = []
    for field, day in ((field, entry.values[field]) for field in DATE_FIELDS if field in entry.values):
        if settings.window and not settings.window[0] <= day <= settings.window[1]:
            first, last = settings.window
            reason = f"{field} {day} is outside the season's window {first} to {last}"
            wide = f'window = ["{min(first, day)}", "{max(last, day)}"]'
            advice = f"correct the date, or widen the window in the settings: {wide}"
        elif not settings.window and day > today:
            reason = f"{field} {day} is later than today ({today})"
            advice = "correct the date"
        else:
            continue
        guessed = field == "failed_on" and entry["time_basis"] == "guess"
        affects = field not in ("opened_on", "last_record_on") and not guessed
        problems.append(entry.problem(field, reason, advice, scope="row" if affects else "value"))
    return problems


def _out_of_order(entry: Entry) -> list[Problem]:
    guessed = entry["time_basis"] == "guess"
    chain = [f for f in _ORDER if f in entry.values and not (f == "failed_on" and guessed)]
    problems = []
    for place, later in enumerate(chain):
        wrong = [earlier for earlier in chain[:place] if entry[earlier] > entry[later]]
        if later == "found_on" and entry["outcome"] in ("working", "withdrawn"):
            # seen working, and heard of later: no contradiction, the life ends at the later of the two
            wrong = [earlier for earlier in wrong if earlier != "last_good_on"]
        if wrong:
            named = " and ".join(entry.said(f) for f in wrong)
            others = tuple(entry.address(f) for f in wrong)
            problems.append(
                entry.problem(later, f"{entry.said(later)} is before {named}", _ORDER_ADVICE, others=others)
            )
    seen = entry["observed_from"]
    if seen is not None and entry["deployed_on"] is not None and seen < entry["deployed_on"]:
        reason = f"{entry.said('observed_from')} is before {entry.said('deployed_on')}"
        advice = "leave observed_from empty when observation began at deployment"
        problems.append(entry.problem("observed_from", reason, advice, others=(entry.address("deployed_on"),)))
    ends = [f for f in ("found_on", "last_good_on") if entry[f] is not None]
    if seen is not None and ends and entry["outcome"] in ("working", "withdrawn"):
        last = max(ends, key=lambda f: entry[f])
        if entry[last] < seen:
            reason = f"{entry.said(last)}, the end of the spell, is before {entry.said('observed_from')}"
            others = (entry.address("observed_from"),)
            problems.append(entry.problem(last, reason, "correct the wrong one of the two", others=others))
    return problems


_RECORD_ADVICE = (
    "look whether the file is this unit's and its clock was right, or correct the date; until then the file's last day "
    "is not used"
)


def _disagreeing_record(entry: Entry) -> list[Problem]:
    """What the end of a unit's own memory says against the dates that people wrote; theirs are kept."""
    last, outcome = entry["last_record_on"], entry["outcome"]
    if last is None:
        return []
    starts = [f for f in ("deployed_on", "observed_from") if entry[f] is not None and last < entry[f]]
    wrong = [(field, "is before") for field in starts]
    if outcome == "failed":
        known = entry["failed_on"] if entry["time_basis"] != "guess" else None
        wrong += [("last_good_on", "is before")] if entry["last_good_on"] and last < entry["last_good_on"] else []
        wrong += [("found_on", "is after")] if entry["found_on"] and last > entry["found_on"] else []
        wrong += [("failed_on", "is after")] if known and last > known else []
        wrong += [("failed_on", "is long before")] if known and (known - last).days > STOPPED_BEFORE else []
    elif outcome in ("working", "withdrawn") and entry["found_on"] is not None:
        silent = (entry["found_on"] - last).days
        wrong += [("found_on", f"is {silent} days before")] if silent > STOPPED_BEFORE else []
    return [
        entry.problem(
            "last_record_on",
            f"{entry.said('last_record_on')} {words} {entry.said(field)}",
            _RECORD_ADVICE,
            scope="value",
            others=(entry.address(field),),
        )
        for field, words in wrong[:1]
    ]


def _opened_early(entry: Entry) -> list[Problem]:
    opened = entry["opened_on"]
    if opened is None:
        return []
    ends = [f for f in ("found_on", "failed_on", "last_good_on", "deployed_on") if f in entry.values]
    if not ends or opened >= max(entry[f] for f in ends):
        return []
    last = max(ends, key=lambda f: entry[f])
    reason = f"{entry.said('opened_on')} is before {entry.said(last)}"
    return [
        entry.problem("opened_on", reason, "correct the day of opening", scope="value", others=(entry.address(last),))
    ]


def _contradictions(entry: Entry) -> list[Problem]:
    outcome, problems = entry["outcome"], []
    if outcome in ("working", "missing", "withdrawn") and entry["failed_on"] is not None:
        reason = f"outcome is {outcome} ({entry.address('outcome').short}), but {entry.said('failed_on')} is given"
        advice = "write outcome failed, or empty failed_on"
        problems.append(entry.problem("failed_on", reason, advice, others=(entry.address("outcome"),)))
    if outcome in ("working", "withdrawn") and entry["mechanism"] is not None:
        reason = f"outcome is {outcome} ({entry.address('outcome').short}), but a mechanism of failure is given"
        advice = "empty the mechanism, or write outcome failed"
        problems.append(entry.problem("mechanism", reason, advice, scope="value", others=(entry.address("outcome"),)))
    return problems


def check_across(entries: Sequence[Entry], unusable: frozenset[tuple[int, str, int]]) -> list[Problem]:
    """Return what rows say against each other: duplicates, one deployment told twice, spells that overlap."""
    problems: list[Problem] = []
    by_unit: dict[str, list[Entry]] = defaultdict(list)
    for entry in entries:
        if entry["unit_id"] is not None:
            by_unit[entry["unit_id"]].append(entry)
    for rows in by_unit.values():
        if len(rows) > 1:
            different, repeated = _told_again(rows)
            problems += repeated
            problems += _told_twice(different) or _overlaps([e for e in different if e.key not in unusable])
    return problems


def _told_again(rows: Sequence[Entry]) -> tuple[list[Entry], list[Problem]]:
    """Split the rows of a unit into the first of each kind and the exact duplicates."""
    first: dict[frozenset[tuple[str, str]], Entry] = {}
    problems = []
    for entry in rows:
        original = first.setdefault(entry.same(), entry)
        if original is not entry:
            reason = f"equal in every cell to {original.address().full}, which is kept"
            problems.append(entry.problem("unit_id", reason, "delete one of the two"))
    return list(first.values()), problems


def _told_twice(rows: Sequence[Entry]) -> list[Problem]:
    groups: dict[tuple[object, ...], list[Entry]] = defaultdict(list)
    for entry in rows:
        if entry["deployment"] is not None:
            groups[entry["season"], entry["deployment"]].append(entry)
    problems = []
    for (_, deployment), same in groups.items():
        # a refit closes one row and opens another of the same deployment, observed from the day of the refit
        starts = {(e["deployed_on"], e["observed_from"]) for e in same}
        is_refit = len({e["deployed_on"] for e in same}) == 1 and len(starts) == len(same)
        if len(same) < 2 or is_refit:
            continue
        for entry in same:
            others = [e for e in same if e is not entry]
            what = f"deployment {deployment} of unit {entry['unit_id']}"
            reason = f"{what} also stands, with other values, in {_places(others)}"
            advice = "keep the right row; a second spell of the unit needs its own deployment number"
            problems.append(
                entry.problem("unit_id", reason, advice, others=tuple(e.address("unit_id") for e in others))
            )
    return problems


def _places(entries: Iterable[Entry]) -> str:
    return " and ".join(entry.address("unit_id").full for entry in entries)


def _overlaps(rows: Sequence[Entry]) -> list[Problem]:
    spells = [(entry, *_spell(entry)) for entry in rows]
    problems = []
    for entry, start, end in spells:
        clashing = [e for e, s, f in spells if e is not entry and _overlap(start, end, s, other_end=f)]
        if not clashing:
            continue
        sites = {str(e["site"]) for e in [entry, *clashing]}
        what = "at two sites at once" if len(sites) > 1 else "entered twice for the same days"
        reason = f"unit {entry['unit_id']} is {what}: {start} to {end} here, and {_places(clashing)}"
        advice = "correct unit_id or the dates; one spell must end before the next begins (the same day is allowed)"
        problems.append(entry.problem("unit_id", reason, advice, others=tuple(e.address("unit_id") for e in clashing)))
    return problems


def _overlap(start: dt.date, end: dt.date, other_start: dt.date, *, other_end: dt.date) -> bool:
    """A unit may be moved on the day its spell ends, so a shared last and first day is no overlap."""
    if (start, end) == (other_start, other_end):
        return True
    return start < other_end and other_start < end


def _spell(entry: Entry) -> tuple[dt.date, dt.date]:
    """First and last day on which the row places the unit at its site."""
    start = max(d for d in (entry["deployed_on"], entry["observed_from"]) if d is not None)
    fields: tuple[str, ...] = (
        ("last_good_on",) if entry["outcome"] == "missing" else ("last_good_on", "failed_on", "found_on")
    )
    if entry["time_basis"] == "guess":
        fields = tuple(f for f in fields if f != "failed_on")
    days = [entry[f] for f in fields if entry[f] is not None]
    return start, max([start, *days])
