"""What do tables beside a log add to its rows? They fill what nobody wrote, and never replace what a person wrote."""

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from workbench.log.cells import Address
from workbench.log.rules.entries import Entry
from workbench.log.rules.problems import Problem

__all__ = ["merge_beside", "usable_additions"]

_NAMES = ("unit_id", "deployment", "season")
_NOT_LOOKED = ("not_checked",)
_BOTH = "correct one of the two; until then the log's own value is used"


def usable_additions(rows: Sequence[Entry], problems: Sequence[Problem]) -> tuple[list[Entry], list[Problem]]:
    """Keep the rows that name a unit; a row beside the log never sets a row of the log aside."""
    named = {p.row_key for p in problems}
    kept = [row for row in rows if row["unit_id"] is not None]
    nameless = [row for row in rows if row["unit_id"] is None and row.key not in named]
    said = [row.problem("unit_id", "unit_id is empty", "write the unit's name", scope="value") for row in nameless]
    return kept, [*(replace(p, scope="value") for p in problems), *said]


def merge_beside(entries: Sequence[Entry], additions: Sequence[Entry]) -> tuple[list[Entry], list[Problem]]:
    """Give each row of the log what the rows beside it say of its deployment."""
    spells: dict[str, list[Entry]] = defaultdict(list)
    for entry in entries:
        if entry["unit_id"] is not None:
            spells[entry["unit_id"]].append(entry)
    filled: dict[tuple[int, str, int], Entry] = {}
    problems: list[Problem] = []
    for addition in additions:
        target = _target(addition, spells.get(addition["unit_id"], []))
        if isinstance(target, Problem):
            problems.append(target)
            continue
        filled[target.key], found = _filled(filled.get(target.key, target), addition)
        problems += found
    return [filled.get(entry.key, entry) for entry in entries], problems


def _target(addition: Entry, spells: Sequence[Entry]) -> Entry | Problem:
    """The row of the log that a row beside it is about: of a refit the later one, of exact copies the first."""
    if not spells:
        reason = f"the log has no unit {addition['unit_id']}, so this row is not used"
        return addition.problem("unit_id", reason, "correct unit_id, or give the log that holds it", scope="value")
    order = sorted(spells, key=_start)
    days = list(dict.fromkeys(entry["deployed_on"] for entry in order))
    found = [e for e in order if addition["season"] in (None, e["season"])]
    if addition["deployment"] is not None:
        found = [e for e in found if (e["deployment"] or days.index(e["deployed_on"]) + 1) == addition["deployment"]]
    if not found or len({e["deployed_on"] for e in found}) > 1:
        told = "no such deployment" if not found else f"{len(found)} deployments"
        reason = f"the log has {told} of unit {addition['unit_id']}, so this row is not used"
        return addition.problem("unit_id", reason, "give the number of the deployment", scope="value")
    last = max(_start(e) for e in found)
    return next(e for e in found if _start(e) == last)


def _start(entry: Entry) -> dt.date:
    return max((d for d in (entry["deployed_on"], entry["observed_from"]) if d is not None), default=dt.date.min)


def _filled(entry: Entry, addition: Entry) -> tuple[Entry, list[Problem]]:
    values: dict[str, Any] = dict(entry.values)
    beside: dict[str, Address] = dict(entry.beside)
    problems = []
    for name, value in _said(addition).items():
        own = values.get(name)
        if own is None or own in _NOT_LOOKED:
            values[name], beside[name] = value, addition.address(name)
        elif own != value:
            reason = f"{name} {value} differs from {own} in {entry.address(name).full}"
            problems.append(addition.problem(name, reason, _BOTH, scope="value", others=(entry.address(name),)))
    return replace(entry, values=values, beside=beside), problems


def _said(addition: Entry) -> Mapping[str, Any]:
    return {k: v for k, v in addition.values.items() if k not in _NAMES and v not in _NOT_LOOKED}
