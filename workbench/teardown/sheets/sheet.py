"""Sheet: the printable teardown form, one A4 page a unit, caution box first, as one HTML file without any link out."""

from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from workbench.checks import check_columns
from workbench.errors import UsageError
from workbench.log.dictionary import read_evidence_table
from workbench.log.writing import write_whole
from workbench.teardown.mechanisms import mechanism_words
from workbench.teardown.sheets.hazards import caution_html

__all__ = ["FACTS", "ORDER_OF_WORK", "sheets_html", "units_to_open", "write_blank_sheet", "write_sheets"]

ORDER_OF_WORK = (
    "photograph as hung",
    "note attitude and level",
    "do not power",
    "weigh",
    "sketch the outside",
    "let pressure out slowly",
    "open over a tray",
    "photograph before wiping",
    "keep water and crystals",
    "conductivity, humidity, desiccant mass",
    "microscope",
    "gasket thickness",
    "dry",
    "only then power on the bench",
)
"""Order that keeps evidence; common practice, no source."""

FACTS = ("unit_id", "deployment", "site", "outcome", "deployed_on", "last_good_on", "found_on", "batch", "firmware")
"""What is filled in from a log. Protection is left out on purpose, so that whoever judges need not know it."""

SURVIVORS_PER_FAILED = 3
"""One survivor is to be opened for so many failed units, for comparison; judgement."""

MOST_DESCRIBED = 80
"""With more signs than this the sheet names them without saying where to look, so that one page holds them."""

_LONGEST_FACT = 44
_STYLE = """
@page { size: A4 portrait; margin: 8mm 9mm }
* { box-sizing: border-box }
body { font: 8pt/1.25 "DejaVu Sans", Arial, sans-serif; color: #000; margin: 0 }
section.page { width: 192mm; height: 279mm; overflow: hidden; break-after: page; page-break-after: always }
section.page:last-of-type { break-after: auto; page-break-after: auto }
h1 { font-size: 12pt; margin: 0 0 1mm; display: flex; justify-content: space-between }
h1 small { font-weight: normal; font-size: 8pt }
h2 { font-size: 8.5pt; margin: 1.6mm 0 .6mm; border-bottom: .3mm solid #000 }
.caution { border: .7mm solid #000; padding: 1mm 2mm; background: #fff3d6 }
.caution h2 { border: 0; margin: 0; font-size: 9.5pt }
.caution p { margin: 0 0 .5mm; font-weight: bold; font-size: 7.2pt }
.caution ul { margin: 0; padding: 0 0 0 3mm; columns: 2; column-gap: 5mm; font-size: 6.5pt; line-height: 1.18 }
.caution li { break-inside: avoid }
.facts, .fields { display: grid; grid-template-columns: repeat(3, 1fr); gap: .6mm 4mm }
.facts div, .fields div { border-bottom: .15mm solid #999; min-height: 4.6mm; overflow: hidden; white-space: nowrap }
.facts b, .fields b { font-weight: normal; color: #444; font-size: 7pt }
ol { margin: 0; padding: 0; list-style: none; columns: 4; font-size: 6.8pt; counter-reset: step }
ol li { padding-left: 9mm; text-indent: -9mm; break-inside: avoid }
ol li::before { counter-increment: step; content: counter(step) ". " }
.signs { columns: 2; column-gap: 5mm; font-size: 6.4pt; line-height: 1.13 }
.many { columns: 3; column-gap: 4mm }
.many i { display: none }
.sign { display: grid; grid-template-columns: 17mm 1fr; break-inside: avoid }
.sign { border-bottom: .1mm solid #ccc; padding: .2mm 0 }
.sign i { color: #444 }
.box { display: inline-block; width: 2.7mm; height: 2.7mm; border: .25mm solid #000; vertical-align: -.3mm }
.box { margin: 0 1.9mm 0 .4mm }
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
    """Return teardown sheets as one HTML page that prints one A4 page a unit."""
    evidence = read_evidence_table() if table is None else table
    rows: list[Mapping[str, Any]] = [{}] if records is None else records.to_dict("records")  # type: ignore[assignment]
    signs = _signs_html(evidence)
    pages = "".join(_page(row, number, len(rows), signs=signs) for number, row in enumerate(rows, start=1))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Teardown sheets</title>'
        f"<style>{_STYLE}</style></head><body>{pages}</body></html>\n"
    )


def write_sheets(path: str | Path, records: pd.DataFrame, *, table: pd.DataFrame | None = None) -> Path:
    """Write teardown sheets with the known facts filled in."""
    return _write(path, sheets_html(records, table=table))


def write_blank_sheet(path: str | Path) -> Path:
    """Write one blank teardown sheet."""
    return _write(path, sheets_html())


def _write(path: str | Path, text: str) -> Path:
    place = Path(path)
    if place.suffix.lower() not in (".html", ".htm"):
        raise UsageError(
            f"teardown sheets are written as HTML for printing; give a name ending in .html, not {place.name!r}"
        )
    if not place.parent.is_dir():
        raise UsageError(f"cannot write {place}: there is no folder {place.parent}; make it first")
    write_whole(place, text.encode("utf-8"))
    return place


def _page(row: Mapping[str, Any], number: int, pages: int, *, signs: str) -> str:
    facts = "".join(f"<div><b>{mechanism_words(name)}:</b> {_fact(row.get(name))}</div>" for name in FACTS)
    steps = "".join(f"<li>{_BOX}{step}</li>" for step in ORDER_OF_WORK)
    unit = _fact(row.get("unit_id")) or "…………"
    return (
        f'<section class="page"><h1>Teardown sheet<small>unit {unit} · sheet {number} of {pages}</small></h1>'
        f"{caution_html()}"
        f'<h2>Known before opening (protection is left out on purpose)</h2><div class="facts">{facts}</div>'
        f"<h2>Order of work that keeps evidence</h2><ol>{steps}</ol>"
        f'<h2>At opening</h2><div class="fields">{_FIELDS}</div>'
        f"<h2>Signs: look for each; only what was looked for counts</h2>{signs}"
        f'<h2>Verdict: mode, mechanism and cause are three things</h2><div class="fields">{_VERDICT}</div>'
        "<footer>One sign never proves a mechanism: ask for two independent ones. “Undetermined” and “no cause found” "
        "are honest answers. Open some survivors the same way.</footer></section>"
    )


_BOX = '<span class="box"></span>'


def _ticks(*words: str) -> str:
    return " ".join(f"{word}{_BOX}" for word in words)


_FIELDS = "".join(
    f"<div><b>{label}:</b> {content}</div>"
    for label, content in (
        ("opened on", ""),
        ("days wet before opening", ""),
        ("condition inside", _ticks("dry", "damp", "wet")),
        ("weight before opening, g", ""),
        ("weight after drying, g", ""),
        ("powered since it came back", _ticks("yes", "no")),
        ("photo numbers", ""),
        ("opened by (role)", ""),
        ("stored", _ticks("sealed wet", "dried", "cold")),
    )
)
_VERDICT = "".join(
    f"<div><b>{label}:</b> {content}</div>"
    for label, content in (
        ("mode (how it failed, from outside)", ""),
        ("mechanism (the process)", ""),
        ("cause (what let it)", ""),
        ("how sure", _ticks("sure", "likely", "unsure")),
        ("judged by (role)", ""),
        ("blind to protection", _ticks("yes", "no")),
    )
)


def _signs_html(evidence: pd.DataFrame) -> str:
    asked = evidence[evidence["family"] != "absence"].drop_duplicates("sign")
    rows = "".join(
        f'<div class="sign"><span>{_BOX * 3}</span><span>{escape(mechanism_words(str(sign)))} '
        f"<i>({escape(str(where))})</i></span></div>"
        for sign, where in zip(asked["sign"], asked["where"], strict=True)
    )
    many = " many" if len(asked) > MOST_DESCRIBED else ""
    key = '<p class="key">Boxes from left to right: <b>yes</b> – <b>no</b> – <b>not checked</b></p>'
    return f'{key}<div class="signs{many}">{rows}</div>'


def _fact(value: Any) -> str:
    """A value as escaped text on one line, cut when long, blank when missing."""
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)) or value is pd.NA:
        return ""
    if hasattr(value, "strftime"):
        return str(value.strftime("%Y-%m-%d"))
    text = " ".join(str(value).split())
    return escape(text if len(text) <= _LONGEST_FACT else text[: _LONGEST_FACT - 1] + "…")
