"""Small logs for the tests, written by hand: csv, xlsx and ods files made where they are needed."""

import datetime as dt
from pathlib import Path

import openpyxl

TODAY = dt.date(2026, 1, 31)

HEAD = ("unit_id", "deployed_on", "outcome", "last_good_on", "failed_on", "found_on", "site", "lid_seal")


def row(unit="LM-001", outcome="failed", **more):
    """One plain row as a dict of texts; a failed unit was last good on 1 May and found on 1 June."""
    plain = {
        "unit_id": unit,
        "deployed_on": "2025-03-01",
        "outcome": outcome,
        "site": "Hollow Wood",
        "lid_seal": "cord",
    }
    if outcome == "failed":
        plain |= {"last_good_on": "2025-05-01", "found_on": "2025-06-01"}
    elif outcome in ("working", "withdrawn"):
        plain |= {"found_on": "2025-09-01"}
    elif outcome == "missing":
        plain |= {"last_good_on": "2025-04-01"}
    return plain | more


def write_csv(path: Path, rows, head=None, delimiter=",", above=()):
    """Write rows (dicts) under a heading line; no quoting, so values must not hold the delimiter."""
    names = list(head or dict.fromkeys([*HEAD, *(k for r in rows for k in r)]))
    lines = [*above, delimiter.join(names), *(delimiter.join(str(r.get(n, "")) for n in names) for r in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def write_xlsx(path: Path, rows, head=None, *, title="Log", above=(), change=None, book=None):
    """Write rows (dicts of true values) to a sheet; `change` gets the sheet before it is saved."""
    names = list(head or dict.fromkeys([*HEAD, *(k for r in rows for k in r)]))
    book = book or openpyxl.Workbook()
    sheet = book.active
    sheet.title = title
    for line in above:
        sheet.append(list(line))
    sheet.append(names)
    for one in rows:
        sheet.append([one.get(n) for n in names])
    if change:
        change(sheet)
    book.save(path)
    return path


def reasons(log):
    """The problems as (row, field, scope, reason)."""
    return [(p.row, p.field, p.scope, p.reason) for p in log.all_problems]


def write_theirs(tmp_path, text, name="theirs.csv"):
    """Write somebody's own log as it is."""
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path
