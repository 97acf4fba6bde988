"""What does the person at the bench need on paper? One A4 sheet per unit, both sides, cautions before each step."""

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from workbench.checks import check_columns
from workbench.filing import Permit, check_target, write_file
from workbench.log.dictionary import (
    HEADLINE,
    BenchStep,
    Column,
    bench_steps,
    known_hazards,
    read_evidence_table,
    sign_names,
)
from workbench.teardown.mechanisms import mechanism_words
from workbench.teardown.sheets.photos import photos_of
from workbench.templating import packaged_text, rendered

__all__ = ["FACTS", "field_words", "sheets_html", "units_to_open", "write_blank_sheet", "write_sheets"]

FACTS = ("unit_id", "deployment", "site", "outcome", "deployed_on", "last_good_on", "found_on", "batch", "firmware")
"""What is filled in from a log. Protection is left out on purpose, so that whoever judges need not know it."""

SURVIVORS_PER_FAILED = 3
"""One survivor is to be opened for so many failed units, for comparison; judgement."""

_LONGEST_FACT = 44
_MOST_TICKS = 8
_MOST_DESCRIBED = 90
"""With more signs than this the sheet names them without saying where to look, so that one sheet holds them."""
_PHOTO_PIXELS = 640
_FIRST_OF_BACK = "cells"
_STOPS = ("cell_stop", "gas_inside", "pressure")
_ROOM = "workbench.teardown.sheets"


def units_to_open(
    records: pd.DataFrame, opened: np.ndarray, *, seed: int = 0, units: Sequence[str] | None = None
) -> pd.DataFrame:
    """Choose the deployments that get a sheet: failed units not yet opened, and some survivors for comparison.

    Units that the safety check stopped get none unless they are named.

    Shapes: opened (n,).
    """
    names = records["unit_id"].map(str)
    if units is not None:
        wanted = check_columns(list(units), dict.fromkeys(names), "unit")
        return records[names.isin(wanted).to_numpy()]
    outcome = records["outcome"].astype(object).to_numpy()
    shut = ~opened
    if "safety_check" in records.columns:
        shut &= (records["safety_check"].map(str) != "stopped").to_numpy()
    failed = np.flatnonzero((outcome == "failed") & shut)
    came_back = np.isin(outcome, ("working", "withdrawn")) & shut
    if "found_on" in records.columns:
        came_back &= records["found_on"].notna().to_numpy()
    alive = np.flatnonzero(came_back)
    number = min(alive.size, max(3, -(-failed.size // SURVIVORS_PER_FAILED))) if failed.size else 0
    order = alive[np.argsort(names.to_numpy()[alive].astype(str), kind="stable")]
    drawn = np.sort(np.random.default_rng(seed).choice(order, number, replace=False)) if number else alive[:0]
    return records.iloc[np.concatenate([failed, drawn])]


def sheets_html(
    records: pd.DataFrame | None = None, *, table: pd.DataFrame | None = None, photos: str | Path | None = None
) -> str:
    """Return teardown sheets as one HTML page that prints one A4 sheet per unit, both sides.

    Photographs that a unit's record names are shown when their folder is given.
    """
    evidence = read_evidence_table() if table is None else table
    rows: list[Mapping[str, Any]] = [{}] if records is None else records.to_dict("records")
    front, back = _sides(evidence)
    return rendered(
        _ROOM,
        "sheet.html",
        title="Teardown sheets",
        style=packaged_text(_ROOM, "sheet.css"),
        colours={},
        script="",
        many=evidence["sign"].nunique() > _MOST_DESCRIBED,
        headline=HEADLINE,
        hazards=[h for h in known_hazards() if h.hazard in _STOPS],
        units=[_unit(row, photos) for row in rows],
        front=front,
        back=back,
    )


def write_sheets(
    path: str | Path,
    records: pd.DataFrame,
    *,
    table: pd.DataFrame | None = None,
    photos: str | Path | None = None,
    permit: Permit | None = None,
) -> Path:
    """Write teardown sheets with the known facts and, from the folder given, the known photographs filled in."""
    return _write(path, sheets_html(records, table=table, photos=photos), permit)


def write_blank_sheet(path: str | Path, *, permit: Permit | None = None) -> Path:
    """Write one blank teardown sheet."""
    return _write(path, sheets_html(), permit)


def _write(path: str | Path, text: str, permit: Permit | None) -> Path:
    given = permit or Permit()
    return write_file(check_target(path, (".html", ".htm"), given), text.encode("utf-8"), given)


def _unit(row: Mapping[str, Any], photos: str | Path | None) -> dict[str, Any]:
    """What is known of a unit before it is opened."""
    pictures, troubles = ([], []) if photos is None else photos_of(row, photos, longest_side=_PHOTO_PIXELS)
    facts = {mechanism_words(name): _fact(row.get(name)) for name in FACTS}
    return {"name": _fact(row.get("unit_id")) or "…………", "facts": facts, "pictures": pictures, "troubles": troubles}


def _sides(evidence: pd.DataFrame) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Front and back of the sheet: the steps in order, each with the cautions that it needs before its first box."""
    asked = evidence[evidence["family"] != "absence"].drop_duplicates("sign").set_index("sign")["where"]
    steps, shown = bench_steps(), set(_STOPS)
    own = [(str(sign), str(where)) for sign, where in asked.items() if sign not in sign_names()]
    turn = next(place for place, step in enumerate(steps) if step.step == _FIRST_OF_BACK)
    blocks = []
    for number, step in enumerate(steps, start=1):
        signs = [(s.label, str(asked[s.sign])) for s in step.signs if s.sign in asked.index]
        if step.step == _OWN_SIGNS:
            signs += [(mechanism_words(sign), where) for sign, where in own]
        blocks.append(_step(number, step, signs, shown=shown))
        shown |= {h.hazard for h in step.hazards}
    return blocks[:turn], blocks[turn:]


_UNIT = re.compile("_(kpa_min|us_cm|mohm|nm|mm|ml|min|percent|g|v)$")
_OWN_SIGNS = "board"
"""The step at which signs of a table of the user's own are looked for."""


def _step(number: int, step: BenchStep, signs: Sequence[tuple[str, str]], *, shown: set[str]) -> dict[str, Any]:
    """A step as the template shows it: cautions said in full the first time, by their topic after that."""
    return {
        "number": number,
        "title": step.title,
        "do": step.do,
        "cautions": [hazard for hazard in step.hazards if hazard.hazard not in shown],
        "again": [hazard.topic for hazard in step.hazards if hazard.hazard in shown],
        "fields": [{"label": field_words(c), "words": _boxes(c), "unit": c.unit} for c in step.fields],
        "signs": [{"label": label, "where": where} for label, where in signs],
    }


def field_words(column: Column) -> str:
    """Return a field's name in words, without the unit at its end."""
    return mechanism_words(_UNIT.sub("", column.name) if column.unit else column.name)


def _boxes(column: Column) -> list[str]:
    """The words of a field that get a box each; none where a line is left to write on."""
    words = ("yes", "no", "not checked") if column.type == "yes_no" else column.known_words
    return [word.replace("_", " ") for word in words or ()] if words and len(words) <= _MOST_TICKS else []


def _fact(value: Any) -> str:
    """A value as text on one line, cut when long, blank when missing."""
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)) or value is pd.NA:
        return ""
    if hasattr(value, "strftime"):
        return str(value.strftime("%Y-%m-%d"))
    text = " ".join(str(value).split())
    return text if len(text) <= _LONGEST_FACT else text[: _LONGEST_FACT - 1] + "…"
