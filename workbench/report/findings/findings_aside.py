"""Findings on rows that were read and not used, by reason, for the appendix."""

import pandas as pd

from workbench.report.basis import Finding, SeasonData, set_aside_frame
from workbench.report.words import shown_name, shown_text
from workbench.wording import count_of

__all__ = ["set_aside_findings"]


def set_aside_findings(data: SeasonData) -> list[Finding]:
    """Return which rows were set aside and why, and which single values were not used."""
    rows = int(data.log.rows) - int(data.log.used)
    values = data.log.problems
    single = int(values["rows"].sum() if "rows" in values else (values["scope"] == "value").sum()) if len(values) else 0
    if rows == 0:
        statement = "No row was set aside."
    else:
        verb = "was" if rows == 1 else "were"
        statement = (
            f"{count_of(rows, 'row')} {verb} set aside, each with its reason; {'it is' if rows == 1 else 'they are'} in"
            " set_aside.csv."
        )
    if single:
        statement += f" {count_of(single, 'single value')} counted as not recorded while the row stayed in use."
    return [
        Finding(
            id="appendix.set_aside",
            headline="Rows set aside, and why",
            kind="count",
            section="appendix",
            order=2,
            statement=statement[0].upper() + statement[1:],
            estimate=rows,
            unit="rows",
            method="Rows are never repaired or guessed; the reason names the rule that the row breaks.",
            table=_by_reason(set_aside_frame(data.log)) if rows else None,
        )
    ]


def _by_reason(frame: pd.DataFrame) -> dict[str, list[str]]:
    if "rows" in frame:  # counted by reason already
        return {
            "rows": [f"{n:,}" for n in frame["rows"]],
            "column": [shown_name(f, 24) for f in frame["field"]],
            "reason": [shown_text(r, 110) for r in frame["reason"]],
        }
    first = frame.drop_duplicates(["source", "sheet", "row"])
    files = {"file": [shown_text(s, 30) for s in first["source"]]} if first["source"].nunique() > 1 else {}
    return {
        **files,
        "row": [f"{r}" for r in first["row"]],
        "column": [shown_name(c, 24) for c in first["column"]],
        "reason": [shown_text(r, 110) for r in first["reason"]],
    }
