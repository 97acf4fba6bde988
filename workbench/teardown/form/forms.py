"""Forms: one offline page for the bench, or for the field, that keeps what is filled in and exports it as a table."""

import hashlib
import json
from collections.abc import Sequence
from typing import Any

import pandas as pd

from workbench.log.dictionary import (
    HEADLINE,
    bench_steps,
    known_causes,
    known_hazards,
    known_mechanisms,
    known_signs,
    visit_columns,
)
from workbench.printing import visible
from workbench.teardown.form.noted import noted_signs
from workbench.teardown.mechanisms import mechanism_words
from workbench.teardown.sheets import field_words
from workbench.templating import packaged_text, rendered

__all__ = ["bench_form_html", "field_form_html"]

_FACTS = ("site", "outcome", "deployed_on", "last_good_on", "found_on", "batch", "firmware", "notes")
"""What is shown of a unit; protection is left out on purpose, so that whoever judges need not know it."""

_IN_FIELD = ("field", "stings", "flood_water", "solar_mains", "droppings")
_HERE = "workbench.teardown.form"


def bench_form_html(records: pd.DataFrame) -> str:
    """Return the form for the teardown of some deployments, step by step, cautions before each."""
    steps: list[dict[str, Any]] = []
    shown: set[str] = set()
    for number, step in enumerate(bench_steps(), start=1):
        own = [h for h in step.hazards if h.hazard not in shown]
        again = [h.topic for h in step.hazards if h.hazard in shown]
        shown |= {h.hazard for h in step.hazards}
        fields = [_field(column) for column in step.fields]
        families: dict[str, list[dict[str, str]]] = {}
        for sign in step.signs:
            if sign.family != "absence":
                families.setdefault(mechanism_words(sign.family), []).append(
                    {"name": sign.sign, "label": sign.label, "where": sign.where}
                )
        steps.append({"number": number, "title": step.title, "do": step.do, "cautions": own, "again": again,
                      "fields": fields, "families": list(families.items()), "is_verdict": step.step == "verdict",
                      })  # fmt: skip
    columns = [f["name"] for s in steps for f in s["fields"]] + [
        sign["name"] for s in steps for _, signs in s["families"] for sign in signs
    ]
    return _page("Teardown form", "teardowns", records, columns=columns, steps=steps, hazards=known_hazards())


def field_form_html(records: pd.DataFrame) -> str:
    """Return the form for a round of visits: what state each unit was seen in, and when."""
    fields = [_field(column) for column in visit_columns() if column.name != "unit_id"]
    step = {"number": 1, "title": "Visit", "do": "One entry for each unit looked at.", "cautions": [], "again": [],
            "fields": fields, "families": [], "is_verdict": False}  # fmt: skip
    hazards = [h for h in known_hazards() if h.hazard in _IN_FIELD]
    return _page("Visit form", "visits", records, columns=[f["name"] for f in fields], steps=[step], hazards=hazards)


def _page(
    title: str,
    kind: str,
    records: pd.DataFrame,
    *,
    columns: Sequence[str],
    steps: Sequence[Any],
    hazards: Sequence[Any],
) -> str:
    units = [_unit(row) for row in records.to_dict("records")]
    digest = hashlib.sha256(json.dumps([kind, units], sort_keys=True).encode()).hexdigest()[:16]
    names = ["unit_id", "deployment"] if kind == "teardowns" else ["unit_id"]
    told = {"key": f"{kind}-{digest}", "kind": kind, "units": units, "names": names, "columns": list(columns)}
    return rendered(
        _HERE, "form.html", title=title, headline=HEADLINE, hazards=hazards, steps=steps, told=told,
        style=packaged_text(_HERE, "form.css"), script=packaged_text(_HERE, "form.js"),
    )  # fmt: skip


def _unit(row: Any) -> dict[str, Any]:
    facts = {mechanism_words(name): _text(row.get(name)) for name in _FACTS}
    labels = {sign.sign: sign.label for sign in known_signs()}
    noted = [n for n in noted_signs(_text(row.get("notes"))) if n.sign in labels]
    return {
        "noted": [{"sign": n.sign, "label": labels[n.sign], "words": n.words} for n in noted],
        "unit_id": str(row["unit_id"]),
        "shown": visible(row["unit_id"]),
        "deployment": int(row["deployment"]),
        "facts": {name: text for name, text in facts.items() if text},
    }


def _text(value: Any) -> str:
    if value is None or pd.isna(value):
        return ""
    return value.strftime("%Y-%m-%d") if hasattr(value, "strftime") else visible(" ".join(str(value).split()))


def _field(column: Any) -> dict[str, Any]:
    """How a column is filled in: a choice among few words, a list of many, a date, a number, a photograph or text."""
    words = {"mechanism": known_mechanisms, "cause": known_causes}.get(column.name)
    options = [getattr(w, column.name) for w in words()] if words else list(column.known_words)
    kinds = {"date": "date", "number": "number", "whole": "number"}
    kind = "photo" if column.role == "photo" else "choice" if options else kinds.get(column.type, "text")
    limits = {"low": column.low, "high": column.high} if kind == "number" else {}
    return {
        "name": column.name,
        "label": field_words(column),
        "meaning": column.meaning,
        "unit": column.unit,
        "kind": kind,
        "options": [{"value": o, "label": mechanism_words(o)} for o in options],
        **{k: v for k, v in limits.items() if abs(v) != float("inf")},
    }
