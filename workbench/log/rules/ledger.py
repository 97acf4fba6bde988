"""Ledger: from the dates and the outcome of a row to what is known of the unit's life, and by which rule."""

import datetime as dt
import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from workbench.log.dictionary import Settings
from workbench.log.rules.cleaning import Refusal
from workbench.wording import count_of

__all__ = ["NOTHING_NARROWS", "Life", "LifeRefusal", "life_of"]

_INF = float("inf")

_BETWEEN_TWO_DAYS = "failed after last_good_on, by found_on"
_GUESS_UNUSED = "; the guessed failed_on is not used"
NOTHING_NARROWS = (_BETWEEN_TWO_DAYS, _BETWEEN_TWO_DAYS + _GUESS_UNUSED)
"""The rules of a failed unit when nothing narrows the span between the two days."""

_UNSAID = Settings()
_BASIS_OF = {"last record": "last_record", "last contact": "telemetry", "visit": "visit", "mixed": None}


class Life(NamedTuple):
    """What is known, in whole days: at risk after `entry`, failed in (lower, upper]; upper inf: unfailed at lower."""

    entry: float
    lower: float
    upper: float
    kind: str
    rule: str


class LifeRefusal(NamedTuple):
    """Why no life follows: the field to mend, the fields that disagree with it, reason and advice."""

    field: str
    others: tuple[str, ...]
    refusal: Refusal


def life_of(values: Mapping[str, Any], settings: Settings = _UNSAID) -> Life | LifeRefusal:
    """Return the life that a row tells of; a row's own time_basis comes before what the settings say of last_good_on.

    Examples
    --------
    >>> march = lambda day: dt.date(2025, 3, day)
    >>> row = {"outcome": "failed", "deployed_on": march(1), "last_good_on": march(5), "found_on": march(20)}
    >>> life_of(row)[:4]
    (0.0, 4.0, 19.0, 'interval')
    """
    start: dt.date = values["deployed_on"]

    def age(field: str) -> float | None:
        day = values.get(field)
        return None if day is None else float((day - start).days)

    entry = age("observed_from") or 0.0
    if values["outcome"] == "failed":
        basis = values.get("time_basis") or _BASIS_OF.get(settings.last_good_is or "mixed")
        dates = (age(field) for field in ("last_good_on", "failed_on", "found_on"))
        ends = _failed(*dates, basis=basis, within=settings.every_days, record=age("last_record_on"))
    else:
        heard = [day for day in (age("last_good_on"), age("last_record_on")) if day is not None]
        ends = _suspended(values["outcome"], max(heard, default=None), age("found_on"))
    if isinstance(ends, LifeRefusal) or entry == 0.0:
        return ends
    if ends.upper <= entry:
        return LifeRefusal(
            "observed_from",
            tuple(f for f in ("failed_on", "found_on", "last_good_on") if f in values)[:1],
            Refusal(
                f"it had failed by day {ends.upper:.0f}, and came under observation only on day {entry:.0f}",
                "correct the dates; a unit cannot enter observation after its failure",
            ),
        )
    lower = ends.lower if ends.kind == "exact" else max(ends.lower, entry)
    return ends._replace(entry=entry, lower=lower, rule=f"{ends.rule}; at risk from day {entry:.0f} (observed_from)")


def _failed(
    last_good: float | None,
    failed: float | None,
    found: float | None,
    *,
    basis: str | None,
    within: int | None,
    record: float | None,
) -> Life | LifeRefusal:
    """A failure; `within`: it lies at most so many days after last_good; `record`: the memory ends on that day."""
    guessed = failed is not None and basis == "guess"
    said = _GUESS_UNUSED if guessed else ""
    if failed is not None and not guessed:
        lower, upper, rule = failed, failed, "failed_on known to the day"
    elif record is not None:
        upper = min(record + 1, math.inf if found is None else found)
        lower, rule = upper - 1, "its data file ends on last_record_on: failed on the day after, or when found"
    elif last_good is not None and last_good == found:
        lower, upper, rule = last_good - 1, last_good, "last good and found failed on one day: failed on that day"
    elif last_good is not None and within is not None and basis == "telemetry":
        by_found = found is not None and found < last_good + within
        lower, upper = last_good, found if by_found and found is not None else last_good + within
        rule = f"last contact on last_good_on: failed within {count_of(within, 'day')} after it"
    elif last_good is not None and basis == "last_record":
        lower, upper, rule = last_good, last_good + 1, "memory read to its end: failed on the day after the last record"
    elif last_good is not None and found is not None:
        lower, upper, rule = last_good, found, _BETWEEN_TWO_DAYS
    elif found is not None:
        lower, upper, rule = 0.0, found, "failed between deployment and found_on"
    else:
        return _no_upper_end(last_good, guessed)
    if upper <= 0:
        lower, upper, rule = 0.0, 1.0, "dead on arrival: failed on the day of deployment"
    return Life(0.0, lower, upper, "exact" if lower == upper else "interval", rule + said)


def _no_upper_end(last_good: float | None, guessed: bool) -> LifeRefusal:
    if guessed:
        return LifeRefusal(
            "failed_on",
            (),
            Refusal(
                "failed_on is a guess, and without found_on nothing says by when the unit had failed",
                "give found_on, the visit or return at which it was seen failed",
            ),
        )
    if last_good is not None:
        return LifeRefusal(
            "last_good_on",
            (),
            Refusal(
                "the unit failed after last_good_on, but nothing says by when",
                "give found_on; if its memory was read to the end, write time_basis = last_record; if it was heard of "
                "by radio, telemetry, and every_days under [time] in the settings",
            ),
        )
    return LifeRefusal(
        "outcome",
        (),
        Refusal(
            "a failed unit without any date of its end", "give found_on, and last_good_on or failed_on where known"
        ),
    )


def _suspended(outcome: str, last_good: float | None, found: float | None) -> Life | LifeRefusal:
    if outcome == "missing":
        if last_good is None:
            return Life(0.0, 0.0, _INF, "suspended", "missing and never seen after deployment: followed to day 0")
        return Life(0.0, last_good, _INF, "suspended", "missing: followed to last_good_on")
    days = [day for day in (last_good, found) if day is not None]
    if not days:
        return LifeRefusal(
            "outcome",
            (),
            Refusal(
                f"a {outcome} unit without a date on which it was last known to work",
                "give last_good_on (for a unit still out, the day it was last heard of), or found_on",
            ),
        )
    last = "found_on" if found is not None and found == max(days) else "last_good_on"
    return Life(0.0, max(days), _INF, "suspended", f"{outcome} when last seen: followed to {last}")
