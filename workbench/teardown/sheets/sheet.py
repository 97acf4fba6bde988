"""What does the person at the bench need on paper? One A4 sheet per unit, both sides, cautions before each step."""

import re
from collections.abc import Mapping, Sequence
from html import escape
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
from workbench.teardown.sheets.hazards import caution_items

__all__ = ["FACTS", "field_words", "sheets_html", "units_to_open", "write_blank_sheet", "write_sheets"]

FACTS = ("unit_id", "deployment", "site", "outcome", "deployed_on", "last_good_on", "found_on", "batch", "firmware")
"""What is filled in from a log. Protection is left out on purpose, so that whoever judges need not know it."""

SURVIVORS_PER_FAILED = 3
"""One survivor is to be opened for so many failed units, for comparison; judgement."""

_LONGEST_FACT = 44
_MOST_TICKS = 8
_MOST_DESCRIBED = 90
"""With more signs than this the sheet names them without saying where to look, so that one sheet holds them."""
_FIRST_OF_BACK = "cells"
_STOPS = ("cell_stop", "gas_inside", "pressure")
_STYLE = """
@page { size: A4 portrait; margin: 8mm 9mm }
* { box-sizing: border-box }
body { font: 8pt/1.2 "DejaVu Sans", Arial, sans-serif; color: #000; margin: 0 }
section.page { width: 192mm; min-height: 270mm; break-after: page; page-break-after: always }
section.page:last-of-type { break-after: auto; page-break-after: auto }
h1 { font-size: 12pt; margin: 0 0 1mm; display: flex; justify-content: space-between }
h1 small { font-weight: normal; font-size: 8pt }
h2 { font-size: 8pt; margin: 0; border-bottom: .3mm solid #000 }
.caution { border: .7mm solid #000; padding: .8mm 2mm; background: #fff3d6; margin-bottom: 1mm }
.caution h2 { border: 0; font-size: 9pt }
.caution p { margin: 0 0 .4mm; font-weight: bold; font-size: 7pt }
ul { margin: 0; padding: 0 0 0 3mm; font-size: 7pt; line-height: 1.15 }
.facts { display: grid; grid-template-columns: repeat(3, 1fr); gap: .5mm 4mm; margin: 1mm 0 }
.facts div { border-bottom: .15mm solid #999; min-height: 4.2mm; overflow: hidden; white-space: nowrap }
.work { columns: 2; column-gap: 4mm }
.step { break-inside: auto; margin-bottom: 1.1mm }
.step h2, .step .warn { break-after: avoid }
.step .do { margin: .4mm 0; font-size: 7.3pt }
.warn { background: #fff3d6; border-left: 1mm solid #000; padding: .2mm 0 .2mm 1mm; font-size: 6.5pt }
.warn { break-inside: avoid; line-height: 1.1 }
.field, .sign { break-inside: avoid; border-bottom: .1mm solid #bbb; padding: .25mm 0; line-height: 1.12 }
.field { min-height: 4.4mm; font-size: 7pt }
.field b { font-weight: normal; color: #333 }
.field .blank { display: inline-block; min-width: 16mm }
.sign { display: grid; grid-template-columns: 15mm 1fr; font-size: 6.7pt }
.many .work { columns: 3 }
.many .sign, .many .warn, .many .field, .many .step .do { font-size: 5.8pt; line-height: 1.05 }
.many .sign i { display: none }
.sign i { color: #444 }
.box { display: inline-block; width: 2.6mm; height: 2.6mm; border: .25mm solid #000; vertical-align: -.3mm }
.box { margin: 0 1.4mm 0 .4mm }
.key { font-size: 6.7pt; margin: 0 0 .4mm }
footer { font-size: 6.5pt; color: #444; margin-top: 1mm }
@media screen { body { background: #ddd } section.page { background: #fff; margin: 5mm auto; padding: 3mm } }
"""


def units_to_open(
    records: pd.DataFrame, opened: np.ndarray, *, seed: int = 0, units: Sequence[str] | None = None
) -> pd.DataFrame:
    """Choose the deployments that get a sheet: failed units not yet opened, and some survivors for comparison.

    Shapes: opened (n,).
    """
    names = records["unit_id"].map(str)
    if units is not None:
        wanted = check_columns(list(units), dict.fromkeys(names), "unit")
        return records[names.isin(wanted).to_numpy()]
    outcome = records["outcome"].astype(object).to_numpy()
    failed = np.flatnonzero((outcome == "failed") & ~opened)
    came_back = np.isin(outcome, ("working", "withdrawn")) & ~opened
    if "found_on" in records.columns:
        came_back &= records["found_on"].notna().to_numpy()
    alive = np.flatnonzero(came_back)
    number = min(alive.size, max(3, -(-failed.size // SURVIVORS_PER_FAILED))) if failed.size else 0
    order = alive[np.argsort(names.to_numpy()[alive].astype(str), kind="stable")]
    drawn = np.sort(np.random.default_rng(seed).choice(order, number, replace=False)) if number else alive[:0]
    return records.iloc[np.concatenate([failed, drawn])]


def sheets_html(records: pd.DataFrame | None = None, *, table: pd.DataFrame | None = None) -> str:
    """Return teardown sheets as one HTML page that prints one A4 sheet per unit, both sides."""
    evidence = read_evidence_table() if table is None else table
    rows: list[Mapping[str, Any]] = [{}] if records is None else records.to_dict("records")
    sides = _sides(evidence)
    many = ' class="many"' if evidence["sign"].nunique() > _MOST_DESCRIBED else ""
    pages = "".join(_pages(row, number, len(rows), sides=sides) for number, row in enumerate(rows, start=1))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Teardown sheets</title>'
        f"<style>{_STYLE}</style></head><body{many}>{pages}</body></html>\n"
    )


def write_sheets(
    path: str | Path, records: pd.DataFrame, *, table: pd.DataFrame | None = None, permit: Permit | None = None
) -> Path:
    """Write teardown sheets with the known facts filled in."""
    return _write(path, sheets_html(records, table=table), permit)


def write_blank_sheet(path: str | Path, *, permit: Permit | None = None) -> Path:
    """Write one blank teardown sheet."""
    return _write(path, sheets_html(), permit)


def _write(path: str | Path, text: str, permit: Permit | None) -> Path:
    given = permit or Permit()
    return write_file(check_target(path, (".html", ".htm"), given), text.encode("utf-8"), given)


def _pages(row: Mapping[str, Any], number: int, sheets: int, *, sides: tuple[str, str]) -> str:
    facts = "".join(f"<div><b>{mechanism_words(name)}:</b> {_fact(row.get(name))}</div>" for name in FACTS)
    unit = _fact(row.get("unit_id")) or "…………"
    stops = caution_items(h for h in known_hazards() if h.hazard in _STOPS)
    head = f"unit {unit} · sheet {number} of {sheets}"
    key = (
        '<p class="key">Boxes of a sign from left to right: <b>yes</b> – <b>no</b> – <b>not checked</b>. Only what was '
        "looked for counts.</p>"
    )
    return (
        f'<section class="page"><h1>Teardown sheet<small>{head} · front</small></h1>'
        f'<section class="caution" role="note"><h2>Caution</h2><p>{escape(HEADLINE)}</p><ul>{stops}</ul></section>'
        f'<h2>Known before opening (protection is left out on purpose)</h2><div class="facts">{facts}</div>{key}'
        f'<div class="work">{sides[0]}</div></section>'
        f'<section class="page"><h1>Teardown sheet<small>{head} · back</small></h1>'
        f'<div class="work">{sides[1]}</div>'
        "<footer>“Undetermined” and “no cause found” are honest answers. "
        "Open some survivors the same way.</footer></section>"
    )


_BOX = '<span class="box"></span>'


def _sides(evidence: pd.DataFrame) -> tuple[str, str]:
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
        blocks.append(_step_html(number, step, signs, shown=shown))
        shown |= {h.hazard for h in step.hazards}
    return "".join(blocks[:turn]), "".join(blocks[turn:])


_UNIT = re.compile("_(kpa_min|us_cm|mohm|nm|mm|ml|min|percent|g|v)$")
_OWN_SIGNS = "board"
"""The step at which signs of a table of the user's own are looked for."""


def _step_html(number: int, step: BenchStep, signs: Sequence[tuple[str, str]], *, shown: set[str]) -> str:
    said = [f"<b>{escape(h.topic)}:</b> {escape(h.caution)}" for h in step.hazards if h.hazard not in shown]
    again = [escape(h.topic) for h in step.hazards if h.hazard in shown]
    said += [f"<b>Again, as above:</b> {'; '.join(again)}."] if again else []
    warn = f'<div class="warn">{" ".join(said)}</div>' if said else ""
    fields = "".join(f'<div class="field"><b>{escape(field_words(c))}:</b> {_room(c)}</div>' for c in step.fields)
    ticks = "".join(
        f'<div class="sign"><span>{_BOX * 3}</span><span>{escape(label)} <i>({escape(where)})</i></span></div>'
        for label, where in signs
    )
    return (
        f'<div class="step"><h2>{number}. {escape(step.title)}</h2>{warn}<p class="do">{_BOX}{escape(step.do)}</p>'
        f"{fields}{ticks}</div>"
    )


def field_words(column: Column) -> str:
    """Return a field's name in words, without the unit at its end."""
    return mechanism_words(_UNIT.sub("", column.name) if column.unit else column.name)


def _room(column: Column) -> str:
    """Room to write a field down: boxes for few words, a line with its unit for the rest."""
    words = ("yes", "no", "not checked") if column.type == "yes_no" else column.known_words
    if words and len(words) <= _MOST_TICKS:
        return " ".join(f"{_words(word)}{_BOX}" for word in words)
    return f'<span class="blank"></span>{escape(column.unit)}'


def _words(name: str) -> str:
    return escape(name.replace("_", " "))


def _fact(value: Any) -> str:
    """A value as escaped text on one line, cut when long, blank when missing."""
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)) or value is pd.NA:
        return ""
    if hasattr(value, "strftime"):
        return str(value.strftime("%Y-%m-%d"))
    text = " ".join(str(value).split())
    return escape(text if len(text) <= _LONGEST_FACT else text[: _LONGEST_FACT - 1] + "…")
