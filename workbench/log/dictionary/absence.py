"""Absence: what is said of a log without a column that it needs, and what helps?"""

import re
from collections.abc import Container, Sequence

from workbench.checks import nearest
from workbench.log.cells import Table, shown
from workbench.log.dictionary.columns import word_key
from workbench.log.dictionary.date_text import names_a_day
from workbench.log.dictionary.nearness import quoted

__all__ = ["absence_said", "what_stands_there"]

_FEWEST_VISITS = 3
"""Headings that are days, from which on they are taken for one column per visit."""

_FEWEST_VALUES = 2
_MOST_LISTED = 5
_NUMBER = re.compile(r"-?\d+(?:[.,]\d+)?\Z")
_DAYS_COUNTED = frozenset({"days", "tage", "jours", "dias", "días", "giorni", "dagen", "lifetime", "lasted"})
_TO_ADD = {
    "unit_id": "unit_id (the name of the unit)",
    "deployed_on": "deployed_on (the day the unit was put out)",
    "outcome": "outcome (failed, working, missing or withdrawn)",
}
_END = "found_on (the visit or return at which its state was seen) or last_good_on (the last day it is known to work)"


def absence_said(table: Table, missing: Sequence[str], known: Container[str]) -> str:
    """Return what a log lacks and what to do: rename a heading, add a column, or turn columns of visits into dates."""
    unknown = [h for h, f in zip(table.headings, table.fields, strict=True) if h and not f]
    lacks = f"{table.raw.place}: no column for {', '.join(missing)} among the headings of row {table.header_row}"
    to_add = " and ".join(_TO_ADD.get(name, _END) for name in missing)
    stands = what_stands_there(table.headings)
    if stands:
        return f"{lacks}: {stands}"
    counted = next((h for h in unknown if set(word_key(h).split("_")) & _DAYS_COUNTED), None)
    if counted is not None:
        return (
            f"{lacks}; {shown(counted)} seems to count days, and lives are counted from dates: add {to_add}"
            f"{_of_colours(table, missing)}"
        )
    if not unknown:
        return f"{lacks}, and every heading there has another meaning: add {to_add}{_of_colours(table, missing)}"
    found = [nearest(name, [word_key(h) for h in unknown]) for name in missing]
    near = next((f"; is it {name!r}?" for name in found if name), "")
    listed = ", ".join(shown(h, 24) for h in unknown[:_MOST_LISTED])
    listed += f" and {len(unknown) - _MOST_LISTED} more" if len(unknown) > _MOST_LISTED else ""
    line = f'[rename] "your heading" = {quoted(missing[0] if missing[0] in known else "found_on")}'
    return (
        f"{lacks}{near} (headings not known: {listed}); 'workbench adopt LOG' asks what yours mean, or "
        f"add to the settings: {line}; where there is none, add {to_add}{_of_colours(table, missing)}"
    )


def what_stands_there(headings: Sequence[str]) -> str:
    """Return what stands where headings should and what helps: days of visits, or values; "" where neither does."""
    days = [h for h in headings if names_a_day(h)]
    if len(days) >= _FEWEST_VISITS:
        return (
            f"{len(days)} of the headings are days ({shown(days[0])} to {shown(days[-1])}), and one column per visit "
            "is not read; add to each row outcome (failed, working, missing or withdrawn), last_good_on (the last "
            "visit at which it worked) and found_on (the visit at which its end was seen)"
        )
    values = [h for h in headings if names_a_day(h) or _NUMBER.match(h)]
    if len(values) < _FEWEST_VALUES:
        return ""
    return (
        f"values stand there ({', '.join(map(shown, values[:_MOST_LISTED]))}), so the line of headings seems to be "
        "missing; write one above the first record"
    )


def _of_colours(table: Table, missing: Sequence[str]) -> str:
    """That fills alone tell no outcome, where rows have several."""
    colours = {table.raw.fills.get(number, "") for number, _ in table.rows}
    if "outcome" not in missing or len(colours) < 2:
        return ""
    return "; rows are filled in several colours, and what a colour means is not read: write it as a word"
