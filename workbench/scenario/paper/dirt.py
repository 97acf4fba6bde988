"""Dirt: the faults that tired people leave in a log, put in on purpose, and the list of what was damaged."""

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from workbench.checks import check_columns, check_whole
from workbench.errors import UsageError

__all__ = ["DIRT", "dirty"]

_Change = dict[str, Any]
_Words = Mapping[str, str]

SPELLINGS: dict[str, _Words] = {
    "lid_seal": {"o_ring": "O ring", "flat_gasket": "Flat", "cord": "round cord"},
    "board_protection": {"varnish": "lacquer", "potting": "Potted", "none": "bare"},
    "outcome": {"failed": "dead", "working": "OK", "missing": "lost", "withdrawn": "taken out"},
    "vent": {"membrane": "Membrane vent", "none": "no vent"},
}
"""Spellings that the dictionary knows, by column and word."""


def _spelling(row: pd.Series, rng: np.random.Generator) -> _Change:
    able = [c for c, words in SPELLINGS.items() if row.get(c) in words]
    column = str(rng.choice(able)) if able else ""
    return {column: SPELLINGS[column][row[column]]} if able else {}


def _swap(row: pd.Series, rng: np.random.Generator) -> _Change:
    if pd.isna(row["found_on"]) or row["found_on"] == row["deployed_on"]:
        return {}
    return {"deployed_on": row["found_on"], "found_on": row["deployed_on"]}


def _comma(row: pd.Series, rng: np.random.Generator) -> _Change:
    text = str(row["unit_cost"])
    return {"unit_cost": text.replace(".", ",")} if "." in text else {}


def _future(row: pd.Series, rng: np.random.Generator) -> _Change:
    return {} if pd.isna(row["found_on"]) else {"found_on": "2062" + str(row["found_on"])[4:]}


def _no_outcome(row: pd.Series, rng: np.random.Generator) -> _Change:
    return {"outcome": np.nan}


def _unknown_word(row: pd.Series, rng: np.random.Generator) -> _Change:
    return {"board_protection": "varnich"} if row["board_protection"] == "varnish" else {}


def _bad_code(row: pd.Series, rng: np.random.Generator) -> _Change:
    return {"enclosure_rating": "IP99"}


def _no_such_day(row: pd.Series, rng: np.random.Generator) -> _Change:
    return {"deployed_on": str(row["deployed_on"])[:5] + "02-31"}


def _no_unit(row: pd.Series, rng: np.random.Generator) -> _Change:
    return {"unit_id": np.nan}


def _no_value(row: pd.Series, rng: np.random.Generator) -> _Change:
    return {"desiccant": "?"} if pd.notna(row["desiccant"]) else {}


DIRT: dict[str, tuple[Callable[[pd.Series, np.random.Generator], _Change], str]] = {
    "other_spelling": (_spelling, ""),
    "swapped_dates": (_swap, "row"),
    "decimal_comma": (_comma, "value"),
    "future_date": (_future, "row"),
    "missing_outcome": (_no_outcome, "row"),
    "unknown_word": (_unknown_word, ""),
    "impossible_code": (_bad_code, "value"),
    "impossible_day": (_no_such_day, "row"),
    "missing_unit": (_no_unit, "row"),
    "not_recorded": (_no_value, ""),
}
"""Faults of one row: what changes, and what a careful reader loses by it: the row, the value or nothing."""


def dirty(
    frame: pd.DataFrame, *, seed: int, counts: Mapping[str, int] | None = None
) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """Put faults into a copy of a log, each in a row of its own.

    Examples
    --------
    >>> from workbench.simulate import simulate_season
    >>> log, _ = simulate_season(40, seed=1)
    >>> worse, damage = dirty(log, seed=2, counts={"duplicate": 1})
    >>> len(worse), [(d["kind"], d["scope"]) for d in damage]
    (41, [('duplicate', 'row')])
    """
    kinds = [*DIRT, "duplicate"]
    wanted = dict.fromkeys(kinds, 1) if counts is None else dict(counts)
    check_columns(list(wanted), kinds, "kind of dirt")
    total = sum(check_whole(kind, number) for kind, number in wanted.items())
    rng = np.random.default_rng(check_whole("seed", seed))
    result = frame.reset_index(drop=True).astype(object)
    free = list(rng.permutation(len(result)))
    damage = []
    for kind in kinds:
        for _ in range(wanted.get(kind, 0)):
            done = _spoil(result, kind, free, rng=rng)
            if done is None:
                raise UsageError(f"no row is left for {kind}; the log has {len(frame)} rows for {total} faults")
            damage.append(done)
    return _repeat(result, damage)


def _spoil(frame: pd.DataFrame, kind: str, free: list[int], *, rng: np.random.Generator) -> dict[str, Any] | None:
    """Damage the first free row that allows it and take it off the list."""
    for place, row in enumerate(free):
        if kind == "duplicate":
            free.pop(place)
            return {"kind": kind, "row": int(row), "unit_id": frame.at[row, "unit_id"], "columns": {}, "scope": "row"}
        change, scope = DIRT[kind]
        cells = change(frame.loc[row], rng)
        if cells:
            free.pop(place)
            before = {c: _plain(frame.at[row, c]) for c in cells}
            unit = _plain(frame.at[row, "unit_id"])
            for column, value in cells.items():
                frame.at[row, column] = value
            columns = {c: [before[c], _plain(v)] for c, v in cells.items()}
            return {"kind": kind, "row": int(row), "unit_id": unit, "columns": columns, "scope": scope}
    return None


def _plain(value: Any) -> str | None:
    return None if pd.isna(value) else str(value)


def _repeat(frame: pd.DataFrame, damage: list[dict[str, Any]]) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    twice = sorted(d["row"] for d in damage if d["kind"] == "duplicate")
    order = np.sort(np.concatenate([np.arange(len(frame)), np.array(twice, dtype=np.int64)]))
    moved = [d | {"row": int(np.searchsorted(order, d["row"], side="right")) - 1} for d in damage]
    return frame.loc[order].reset_index(drop=True), moved
