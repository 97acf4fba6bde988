"""Visits: what a sheet of looks at units says of the last day each worked and the first on which it was seen failed."""

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Any

from workbench.log.rules.entries import Entry
from workbench.log.rules.problems import Problem

__all__ = ["derive_dates", "usable_visits"]

_ALIVE = ("working", "refit")


def usable_visits(visits: Sequence[Entry], problems: Sequence[Problem]) -> tuple[list[Entry], list[Problem]]:
    """Keep the visits that say when which unit was seen in what state."""
    named = {p.row_key for p in problems}
    kept, more = [], []
    for visit in visits:
        empty = [f for f in ("unit_id", "visited_on", "state") if visit[f] is None]
        if not empty:
            kept.append(visit)
        elif visit.key not in named:
            advice = "fill the cell, or delete the visit"
            more.append(
                visit.problem(empty[0], f"{empty[0]} is empty, so the visit is not used", advice, scope="value")
            )
    return kept, [*(replace(p, scope="value") for p in problems), *more]


@dataclass(frozen=True)
class _Seen:
    """The visits that decide one spell: last working, first failed, first absent after it; `revived`: failed before."""

    good: Entry | None
    failed: Entry | None
    absent: Entry | None
    revived: bool


def derive_dates(entries: Sequence[Entry], visits: Sequence[Entry]) -> tuple[list[Entry], list[Problem]]:
    """Give each row the dates that its visits show: last working, and the first failed (or absent) after it."""
    by_unit: dict[str, list[Entry]] = defaultdict(list)
    for visit in visits:
        by_unit[visit["unit_id"]].append(visit)
    spells: dict[str, list[Entry]] = defaultdict(list)
    for entry in entries:
        if entry["unit_id"] is not None and entry["deployed_on"] is not None:
            spells[entry["unit_id"]].append(entry)
    problems: list[Problem] = []
    filled: dict[tuple[int, str, int], Entry] = {}
    for unit, looks in by_unit.items():
        order = sorted(spells.get(unit, []), key=_start)
        unclaimed = list(looks)
        for entry, following in zip_longest(order, order[1:]):
            last = _start(following) if following is not None else dt.date.max
            own = [v for v in unclaimed if _start(entry) <= v["visited_on"] <= last]
            unclaimed = [v for v in unclaimed if v not in own]
            filled[entry.key], found = _filled(entry, _seen(own))
            problems += found
        problems += [_not_out(visit) for visit in unclaimed]
    return [filled.get(entry.key, entry) for entry in entries], problems


def _start(entry: Entry) -> dt.date:
    days: list[dt.date] = [d for d in (entry["deployed_on"], entry["observed_from"]) if d is not None]
    return max(days)


def _seen(visits: Sequence[Entry]) -> _Seen:
    def day(visit: Entry) -> dt.date:
        on: dt.date = visit["visited_on"]
        return on

    good = max((v for v in visits if v["state"] in _ALIVE), key=day, default=None)
    failed = min((v for v in visits if v["state"] == "failed"), key=day, default=None)
    absent = [v for v in visits if v["state"] == "absent" and (good is None or day(v) >= day(good))]
    revived = good is not None and failed is not None and day(good) > day(failed)
    return _Seen(good=good, failed=failed, absent=min(absent, key=day, default=None), revived=revived)


def _filled(entry: Entry, seen: _Seen) -> tuple[Entry, list[Problem]]:
    if seen.revived and seen.failed is not None and seen.good is not None:
        return entry, _revived(entry, seen.failed, seen.good)
    found = {"failed": seen.failed, "missing": seen.absent}.get(str(entry["outcome"]))
    problems: list[Problem] = []
    values: dict[str, Any] = dict(entry.values)
    for field, visit in (("last_good_on", seen.good), ("found_on", found)):
        if visit is None:
            continue
        if entry[field] is None:
            values[field] = visit["visited_on"]
        elif entry[field] != visit["visited_on"]:
            reason = f"{entry.said(field)} differs from the visits sheet, which says {visit.said('visited_on')}"
            others = (visit.address("visited_on"),)
            problems.append(entry.problem(field, reason, "correct one of the two", others=others))
    if seen.good is not None and values["last_good_on"] == seen.good["visited_on"]:
        values.setdefault("time_basis", "visit")
    if seen.failed is not None and entry["outcome"] in ("working", "withdrawn"):
        reason = f"outcome is {entry['outcome']}, but the unit was seen failed: {seen.failed.said('visited_on')}"
        others = (seen.failed.address("state"),)
        problems.append(entry.problem("outcome", reason, "correct the outcome or the visit", others=others))
    return replace(entry, values=values), problems


def _revived(entry: Entry, failed: Entry, good: Entry) -> list[Problem]:
    said = f"seen failed ({failed.said('visited_on')}) and working after it ({good.said('visited_on')})"
    both = (failed.address("state"), good.address("state"))
    advice = "correct the wrong visit; after a repair the unit needs a row of its own"
    return [
        entry.problem("outcome", f"the unit was {said}", advice, others=both),
        failed.problem("state", f"unit {entry['unit_id']} was {said}", advice, scope="value", others=both[1:]),
        good.problem("state", f"unit {entry['unit_id']} was {said}", advice, scope="value", others=both[:1]),
    ]


def _not_out(visit: Entry) -> Problem:
    reason = f"unit {visit['unit_id']} was not out on {visit['visited_on']} by the log, so the visit is not used"
    return visit.problem("visited_on", reason, "correct unit_id or the day of the visit", scope="value")
