"""Exports: findings.json, set_aside.csv and ledger.csv, without private cells or cells that run as formulas."""

import csv
import io
import json
import math
import platform
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import pandas as pd

from workbench.log.writing import inert_text
from workbench.report.basis.finding import Finding

__all__ = ["csv_text", "findings_json", "is_private", "set_aside_frame", "versions_used"]

PRIVATE = ("latitude", "longitude", "notes", "photo_1", "photo_2", "photo_3", "photo_4")
"""Fields whose cells leave no trace in any output unless asked for: places can be vulnerable, notes name people."""

WITHHELD = "(withheld)"

PROGRAMS = ("numpy", "scipy", "pandas", "matplotlib", "seaborn", "lifelines", "scikit-learn", "python-pptx")


def versions_used() -> dict[str, str]:
    """Return the versions of the programs that take part."""
    from workbench import __version__

    found = {"workbench": __version__, "python": platform.python_version()}
    for name in PROGRAMS:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def findings_json(
    log: Any, settings: Mapping[str, Any], versions: Mapping[str, str], *, findings: Sequence[Finding]
) -> str:
    """Return findings.json as text: log, settings, versions, findings and the rows of their tables."""
    everything = [part for finding in findings for part in (finding, *finding.rows())]
    document = {
        "schema": 1,
        "log": {
            "file": "; ".join(str(name) for name, _ in log.files),
            "sha256": "; ".join(str(digest) for _, digest in log.files),
            "rows": int(log.rows),
            "used": int(log.used),
            "set_aside": int(log.rows) - int(log.used),
        },
        "settings": _plain(settings),
        "versions": dict(versions),
        "findings": [finding.as_json() for finding in everything],
    }
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if value is None or isinstance(value, str | int | float | bool) else str(value)


def is_private(field: Any, column: Any = "") -> bool:
    """Return whether a field's cells are withheld."""
    return str(field) in PRIVATE or str(column).strip().lower().replace(" ", "_") in PRIVATE


def set_aside_frame(log: Any, *, locations: bool = False) -> pd.DataFrame:
    """Return the problems of rows set aside, fit to be handed on."""
    frame = log.set_aside.copy()
    if locations or frame.empty:
        return frame
    # a value without a column is the text of a whole row, positions and notes among it
    headings = frame["column"] if "column" in frame else frame["field"]
    places = zip(frame["field"], headings, frame["value"], strict=True)
    private = [is_private(field, column) or bool(not field and not column and value) for field, column, value in places]
    rows = [i for i, hidden in enumerate(private) if hidden]
    columns = {name: frame.columns.get_loc(name) for name in ("value", "reason", "advice")}
    for row in rows:
        value = str(frame.iloc[row, columns["value"]])
        for name in ("reason", "advice"):
            text = str(frame.iloc[row, columns[name]])
            frame.iloc[row, columns[name]] = text.replace(value, WITHHELD) if value else text
        frame.iloc[row, columns["value"]] = WITHHELD
    return frame


def csv_text(frame: pd.DataFrame) -> str:
    """Return a table as CSV that no spreadsheet program runs: an apostrophe stands before text that could be a formula.

    Examples
    --------
    >>> csv_text(pd.DataFrame({"a": ["=1+1", "-2"], "b": [-2, 3]}))
    "a,b\\r\\n'=1+1,-2\\r\\n'-2,3\\r\\n"
    """
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\r\n")
    writer.writerow([inert_text(str(name)) for name in frame.columns])
    for row in zip(*(frame[name].tolist() for name in frame.columns), strict=True):
        writer.writerow([_csv_cell(value) for value in row])
    return target.getvalue()


def _csv_cell(value: Any) -> str:
    if value is None or value is pd.NaT or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, pd.Timestamp):
        return str(value.date().isoformat())
    return str(value) if isinstance(value, int | bool) else inert_text(str(value))
