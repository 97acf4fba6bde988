"""Which units are worth opening next, and which say the same?"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from workbench.lives import UNDETERMINED, Lives
from workbench.teardown.mechanisms import MechanismSuggestions, mechanism_words
from workbench.wording import percent_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["AlikeUnits", "NextUnit", "alike_units", "units_next"]


class NextUnit(NamedTuple):
    """A deployment of a failed unit that was never opened, or one to look at again, and why.

    `unit_id` tells the deployment too where the unit failed in more than one.
    """

    unit_id: str
    is_shut: bool
    reason: str


class AlikeUnits(NamedTuple):
    """Failed units of which the signs say the same; `named` is whether that is a mechanism."""

    what: str
    named: bool
    units: tuple[str, ...]


def units_next(suggestions: MechanismSuggestions, lives: Lives, *, most: int = 5) -> tuple[NextUnit, ...]:
    """Return the failed units that would teach most: those never opened, the earliest failures first, since they cost
    most days; then opened ones that one more check may settle, the nearest to a mechanism first. Those that stay shut
    for safety are left out.
    """
    table = suggestions.table.assign(
        opened=suggestions.teardowns.opened[suggestions.rows], upper=lives.upper[suggestions.rows]
    )
    table["named"] = _names(table)
    table = table[~suggestions.teardowns.stopped[suggestions.rows]]
    shut = table[~table["opened"]].sort_values(["upper", "unit_id"], kind="stable")
    found = [NextUnit(r.named, True, f"failed by day {r.upper:g}, not opened") for r in shut.itertuples()]
    near = table[table["opened"] & (table["mechanism"] == UNDETERMINED) & (table["verdict"] == "")]
    near = near.sort_values(["probability", "unit_id"], ascending=[False, True], kind="stable")
    found += [
        NextUnit(r.named, False, f"{mechanism_words(r.best)} {percent_text(r.probability)}; {r.next_check}")
        for r in near.itertuples()
    ]
    return tuple(dict.fromkeys(found))[:most]


def _names(table: "pd.DataFrame") -> list[str]:
    """Name each deployment by its unit, and by its number too where the unit failed in more than one."""
    again = table["unit_id"].duplicated(keep=False)
    return [
        f"{unit} (deployment {number})" if twice else str(unit)
        for unit, number, twice in zip(table["unit_id"], table["deployment"], again, strict=True)
    ]


def alike_units(suggestions: MechanismSuggestions) -> tuple[AlikeUnits, ...]:
    """Return failed units grouped by what their signs say, mechanisms first, the largest group first."""
    opened = suggestions.teardowns.opened[suggestions.rows]
    groups: dict[tuple[bool, str], list[str]] = {}
    table = suggestions.table
    for row, name, looked in zip(table.to_dict("records"), _names(table), np.asarray(opened), strict=True):
        named = row["mechanism"] != UNDETERMINED
        what = mechanism_words(row["mechanism"] if named else row["best"])
        if not named:
            what = f"undetermined ({what}?)" if looked else "undetermined (not opened)"
        share = f" {percent_text(row['probability'])}" if named else ""
        groups.setdefault((named, what), []).append(f"{name}{share}")
    ordered: Sequence[tuple[tuple[bool, str], list[str]]] = sorted(
        groups.items(), key=lambda item: (not item[0][0], -len(item[1]), item[0][1])
    )
    return tuple(AlikeUnits(what, named, tuple(units)) for (named, what), units in ordered)
