"""Framing: the rows in use as typed tables: records, ledger, and how long each site was followed."""

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from workbench.log.dictionary import Column, Settings, Vocabulary
from workbench.log.rules import LABEL_FIELDS, Entry, Life, clean, order_levels
from workbench.wording import blank_label

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

__all__ = ["followed_to", "ledger_frame", "number_deployments", "records_frame", "typed_column"]


CORE = (
    *("unit_id", "deployment", "season", "site", "deployed_on", "last_good_on", "failed_on", "found_on"),
    *("observed_from", "time_basis", "outcome", "mechanism"),
)
"""Columns that the records have whether the file has them or not."""


def number_deployments(entries: Sequence[Entry]) -> list[int]:
    """Return the deployment number of each row: as given, else the smallest free one in order of date."""
    numbers = [entry["deployment"] for entry in entries]
    taken: dict[tuple[str, Any], set[int]] = defaultdict(set)
    for entry, number in zip(entries, numbers, strict=True):
        if number is not None:
            taken[entry["unit_id"], entry["season"]].add(number)
    order = sorted(
        range(len(entries)), key=lambda i: (entries[i]["deployed_on"], entries[i]["observed_from"] or dt.date.min)
    )
    for i in order:
        if numbers[i] is None:
            used = taken[entries[i]["unit_id"], entries[i]["season"]]
            numbers[i] = next(n for n in range(1, len(used) + 2) if n not in used)
            used.add(numbers[i])
    return numbers


def records_frame(
    entries: Sequence[Entry],
    columns: Mapping[str, list[Any]],
    *,
    spelling: Mapping[str, Mapping[str, str]],
    vocabulary: Vocabulary,
    settings: Settings,
) -> "pd.DataFrame":
    """Return the rows in use, and what they say by field, as a typed table."""
    import numpy as np
    import pandas as pd

    tables = {entry.table for entry in entries}
    present = {*CORE, *(name for table in tables for name in table.places), *(f for e in entries for f in e.beside)}
    has_site = any("site" in table.places for table in tables)
    data: dict[str, Any] = {
        "source": [e.table.raw.source for e in entries],
        "sheet": [e.table.raw.sheet for e in entries],
        "row": pd.array([e.number for e in entries], dtype="int64"),
    }
    units = pd.factorize(np.array(columns["unit_id"], dtype=object))[0]
    for name, column in vocabulary.columns.items():
        if name not in present:
            continue
        values = columns[name]
        if name in spelling:
            values = [None if value is None else spelling[name].get(value, value) for value in values]
        if name == "site" and has_site:
            blank = blank_label(values)
            values = [blank if v is None else v for v in values]
        data[name] = typed_column(column, values, partial(_carried, values, units), settings=settings)
    for heading in dict.fromkeys(h for entry in entries for h in entry.extra):
        name = f"{heading} (as in the file)" if heading in data else heading
        data[name] = pd.Series([e.extra.get(heading) for e in entries], dtype=object)
    return pd.DataFrame(data)


def _carried(values: Sequence[Any], units: "np.ndarray") -> Mapping[Any, int]:
    """How many units, given as numbers, carried each value.

    Shapes: units (n,).
    """
    import numpy as np
    import pandas as pd

    codes, levels = pd.factorize(np.array(values, dtype=object))
    wide = int(units.max(initial=0)) + 1
    pairs = pd.unique(codes[codes >= 0] * wide + units[codes >= 0])
    return dict(zip(levels, np.bincount(pairs // wide, minlength=len(levels)).tolist(), strict=True))


def typed_column(
    column: Column, values: list[Any], carried: Callable[[], Mapping[Any, int]], *, settings: Settings
) -> Any:
    """Return values as a column of a table: dates, numbers, or categories with the reference first.

    `carried` counts the units of each value; it is asked only where that decides the order of the categories.
    """
    import pandas as pd

    if column.type == "date":
        return pd.Series(pd.to_datetime(pd.Series(values, dtype=object), format="%Y-%m-%d"))
    if column.type == "whole":
        return pd.array(values, dtype="int64" if None not in values else "Int64")
    if column.type == "number":
        return pd.Series(values, dtype="float64")
    if column.type == "text" and column.name not in LABEL_FIELDS:
        return pd.Series(values, dtype=object)
    if column.role == "exposure" and column.type == "word" and not column.known_words:
        numbers = _numbers(column, values, settings)
        if numbers is not None:
            return pd.Series(numbers, dtype="float64")
    if column.name in ("outcome", "time_basis") or column.role in ("condition", "evidence"):
        levels = (*column.known_words, *sorted({v for v in values if v is not None} - set(column.known_words)))
    else:
        levels = order_levels(column, carried(), clean(settings.reference.get(column.name), column, settings).value)
    place = {level: number for number, level in enumerate(levels)}
    codes = [-1 if value is None else place.get(value, -1) for value in values]
    return pd.Series(pd.Categorical.from_codes(codes, dtype=pd.CategoricalDtype(list(levels))))


def _numbers(column: Column, values: Sequence[Any], settings: Settings) -> list[float | None] | None:
    """A further exposure column is numeric when everything recorded in it is a number."""
    number = Column(column.name, "number", role="exposure", meaning=column.meaning)
    read = [clean(v, number, settings) for v in values]
    return None if any(r.refusal for r in read) or all(r.value is None for r in read) else [r.value for r in read]


def ledger_frame(entries: Sequence[Entry], lives: Sequence[Life]) -> "pd.DataFrame":
    """Return the life of every row in use, with the rule that made it."""
    import pandas as pd

    columns = {
        "row": pd.array([e.number for e in entries], dtype="int64"),
        "unit_id": pd.Series([e["unit_id"] for e in entries], dtype=object),
        "deployment": pd.array([e["deployment"] for e in entries], dtype="int64"),
        **{
            name: pd.Series([getattr(life, name) for life in lives], dtype="float64")
            for name in ("entry", "lower", "upper")
        },
        **{name: pd.Series([getattr(life, name) for life in lives], dtype=object) for name in ("kind", "rule")},
        "cluster": pd.Series([e["unit_id"] for e in entries], dtype=object),
        "source": pd.Series([e.table.raw.source for e in entries], dtype=object),
        "sheet": pd.Series([e.table.raw.sheet for e in entries], dtype=object),
    }
    return pd.DataFrame(columns)


def followed_to(
    entries: Sequence[Entry],
    visits: Sequence[Entry],
    lives: Sequence[Life],
    *,
    spelling: Mapping[str, Mapping[str, str]],
) -> "np.ndarray":
    """Return for each row the age at the last visit or return seen anywhere at its site in its season.

    `spelling` holds by field the one spelling of a value, so that a site written in two ways is one site.

    Shapes: returns (n,).
    """
    import numpy as np

    last: dict[tuple[Any, ...], dt.date] = {}
    place: dict[str, tuple[Any, ...]] = {}
    groups = [tuple(spelling.get(f, {}).get(e[f], e[f]) for f in ("site", "season")) for e in entries]
    for entry, group in zip(entries, groups, strict=True):
        place.setdefault(entry["unit_id"], group)
        days = [entry[f] for f in ("found_on", "last_good_on", "deployed_on") if entry[f] is not None]
        last[group] = max([*days, last.get(group, dt.date.min)])
    for visit in visits:
        group = place.get(visit["unit_id"], (None, None))
        if group in last and visit["visited_on"].year == last[group].year:
            last[group] = max(last[group], visit["visited_on"])
    seen = [float((last[group] - entry["deployed_on"]).days) for entry, group in zip(entries, groups, strict=True)]
    return np.asarray(np.maximum(np.array(seen, dtype=float), np.array([life.lower for life in lives], dtype=float)))
