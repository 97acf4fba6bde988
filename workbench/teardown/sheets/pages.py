"""Pages: the evidence of every failed unit with its photographs, as one HTML file without any link out."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from workbench.filing import Permit, check_target, write_file
from workbench.lives import UNDETERMINED
from workbench.log.dictionary import HEADLINE, known_hazards
from workbench.teardown.mechanisms import MechanismSuggestions, mechanism_words, sign_family_of
from workbench.teardown.sheets.photos import photos_of
from workbench.templating import packaged_text, rendered
from workbench.wording import percent_text

__all__ = ["evidence_html", "write_evidence"]

_ROOM = "workbench.teardown.sheets"


def evidence_html(suggestions: MechanismSuggestions, folder: str | Path) -> str:
    """Return one HTML page with the evidence of every failed unit, photographs beside it."""
    records = suggestions.teardowns.records
    table = suggestions.table
    cards = [
        _card(row, records.iloc[position].to_dict(), Path(folder))
        for row, position in zip(table.to_dict("records"), suggestions.rows, strict=True)
    ]
    return rendered(
        _ROOM,
        "evidence.html",
        title="Evidence by unit",
        style=packaged_text(_ROOM, "evidence.css"),
        colours={},
        script="",
        headline=HEADLINE,
        hazards=known_hazards(),
        notes=suggestions.notes,
        cards=cards,
    )


def write_evidence(
    path: str | Path, suggestions: MechanismSuggestions, folder: str | Path, *, permit: Permit | None = None
) -> Path:
    """Write the evidence of every failed unit as HTML."""
    given = permit or Permit()
    place = check_target(path, (".html", ".htm"), given)
    return write_file(place, evidence_html(suggestions, folder).encode("utf-8"), given)


def _card(row: Mapping[Any, Any], record: Mapping[Any, Any], folder: Path) -> dict[str, Any]:
    """What stands on the page of one unit: its title, what is said of it, and its pictures."""
    pictures, troubles = photos_of({str(k): v for k, v in record.items()}, folder)
    said = {
        "signs suggest": _chances(row),
        "family (ISO 14224)": sign_family_of(row["best"]) if row["mechanism"] != UNDETERMINED else "",
        "for": _signs(row["for"]),
        "against": _signs(row["against"]),
        "verdict": mechanism_words(row["verdict"]) + (" (sure)" if row["confirmed"] else ""),
        "condition inside": _text(record.get("condition_found")),
        "days wet before opening": _text(record.get("days_wet_before_opening")),
        "next check": row["next_check"],
        "note": " ".join([row["note"], *troubles]).strip(),
    }
    return {
        "title": f"{_text(row['unit_id'])}, deployment {_text(row['deployment'])}",
        "said": {heading: str(text) for heading, text in said.items() if str(text).strip()},
        "unit": _text(row["unit_id"]),
        "pictures": pictures,
    }


def _chances(row: Mapping[Any, Any]) -> str:
    best, second = mechanism_words(row["best"]), mechanism_words(row["second"])
    told = f"{best} {percent_text(row['probability'])}, then {second} {percent_text(row['second_probability'])}"
    return f"undetermined; best {told}" if row["mechanism"] == UNDETERMINED else told


def _signs(text: str) -> str:
    return ", ".join(mechanism_words(sign) for sign in text.split(", ")) if text else ""


def _text(value: Any) -> str:
    return "" if value is None or (not isinstance(value, str) and pd.isna(value)) else " ".join(str(value).split())
