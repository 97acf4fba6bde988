"""Pages: the evidence of every failed unit with its photographs, as one HTML file without any link out."""

import base64
from collections.abc import Mapping
from html import escape
from pathlib import Path
from typing import Any

import pandas as pd

from workbench.filing import Permit, check_target, write_file
from workbench.teardown.mechanisms import MechanismSuggestions, mechanism_words, sign_family_of
from workbench.teardown.sheets.hazards import caution_html
from workbench.teardown.sheets.photos import photos_of
from workbench.wording import percent_text

__all__ = ["evidence_html", "write_evidence"]

_STYLE = """
body { font: 10.5pt/1.4 "DejaVu Sans", Arial, sans-serif; color: #1f2933; max-width: 190mm; margin: 6mm auto }
.caution { border: .7mm solid #000; padding: 2mm 4mm; background: #fff3d6; font-size: 9pt }
article { border-top: .4mm solid #59636e; margin-top: 6mm; break-inside: avoid }
h2 { margin: 2mm 0 0; font-size: 13pt }
dl { display: grid; grid-template-columns: 34mm 1fr; gap: .6mm 3mm; margin: 2mm 0 }
dt { color: #59636e } dd { margin: 0; overflow-wrap: anywhere }
.photos { display: flex; flex-wrap: wrap; gap: 3mm } .photos img { max-width: 88mm; max-height: 70mm }
"""


def evidence_html(suggestions: MechanismSuggestions, folder: str | Path) -> str:
    """Return one HTML page with the evidence of every failed unit, photographs beside it."""
    records = suggestions.teardowns.records
    table = suggestions.table
    cards = [
        _card(row, records.iloc[position].to_dict(), Path(folder))
        for row, position in zip(table.to_dict("records"), suggestions.rows, strict=True)
    ]
    notes = "".join(f"<li>{escape(note)}</li>" for note in suggestions.notes)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Evidence by unit</title>'
        f"<style>{_STYLE}</style></head><body>{caution_html()}<h1>Evidence by unit</h1><ul>{notes}</ul>"
        f"{''.join(cards)}</body></html>\n"
    )


def write_evidence(
    path: str | Path, suggestions: MechanismSuggestions, folder: str | Path, *, permit: Permit | None = None
) -> Path:
    """Write the evidence of every failed unit as HTML."""
    given = permit or Permit()
    place = check_target(path, (".html", ".htm"), given)
    return write_file(place, evidence_html(suggestions, folder).encode("utf-8"), given)


def _card(row: Mapping[Any, Any], record: Mapping[Any, Any], folder: Path) -> str:
    pictures, troubles = photos_of({str(k): v for k, v in record.items()}, folder)
    said = {
        "signs suggest": _chances(row),
        "family (ISO 14224)": sign_family_of(row["best"]) if row["mechanism"] != "undetermined" else "",
        "for": _signs(row["for"]),
        "against": _signs(row["against"]),
        "verdict": mechanism_words(row["verdict"]) + (" (sure)" if row["confirmed"] else ""),
        "condition inside": _text(record.get("condition_found")),
        "days wet before opening": _text(record.get("days_wet_before_opening")),
        "next check": row["next_check"],
        "note": " ".join([row["note"], *troubles]).strip(),
    }
    lines = "".join(f"<dt>{escape(k)}</dt><dd>{escape(str(v))}</dd>" for k, v in said.items() if str(v).strip())
    shown = "".join(
        f'<img alt="Photograph {n} of the unit" src="data:image/jpeg;base64,{base64.b64encode(p).decode("ascii")}">'
        for n, p in enumerate(pictures, start=1)
    )
    title = f"{_text(row['unit_id'])}, deployment {_text(row['deployment'])}"
    return f'<article><h2>{escape(title)}</h2><dl>{lines}</dl><div class="photos">{shown}</div></article>'


def _chances(row: Mapping[Any, Any]) -> str:
    best, second = mechanism_words(row["best"]), mechanism_words(row["second"])
    told = f"{best} {percent_text(row['probability'])}, then {second} {percent_text(row['second_probability'])}"
    return f"undetermined; best {told}" if row["mechanism"] == "undetermined" else told


def _signs(text: str) -> str:
    return ", ".join(mechanism_words(sign) for sign in text.split(", ")) if text else ""


def _text(value: Any) -> str:
    return "" if value is None or (not isinstance(value, str) and pd.isna(value)) else " ".join(str(value).split())
