"""Workbook: a sample season as the spreadsheet that several people kept, with sheets of visits and of remarks."""

import datetime
import re
import zipfile
from collections.abc import Mapping, Sequence
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from workbench.scenario.paper import MEASURED

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["VISITED_SITES", "write_workbook"]

VISITED_SITES = ("Weir Lock", "Orchard Lane")
"""Sites whose dates stand in the sheet of visits only."""

_DATES = ("deployed_on", "last_good_on", "failed_on", "found_on", "observed_from", "opened_on")
_NUMBERS = (
    "deployment",
    "latitude",
    "longitude",
    "elevation_m",
    "distance_to_salt_water_m",
    "days_wet_before_opening",
    "unit_cost",
    *MEASURED,
)
_TITLE = ("Lantern Moor Observatory", "Log of the season 2025, kept by the field team and the bench", None)
_REMARKS = (
    ("Sheet", "Remark"),
    ("Log", "One row per deployment. A unit that went out twice has two rows."),
    ("Log", "Dates of Weir Lock and Orchard Lane: see the sheet Visits."),
    ("Visits", "State as seen on the day; absent means that the post or the unit was gone."),
    ("Log", "Grey row: taken out at the wish of the land owner, hidden so that it is not counted with the dead."),
)
_MOMENT = datetime.datetime(2025, 12, 12, 9, 0)
_HIDDEN_REASON = "landowner"
_ROLES = ("field_lead", "volunteer")


def write_workbook(
    path: str | Path, log: pd.DataFrame, truth: Mapping[str, Any], *, damage: Sequence[Mapping[str, Any]]
) -> None:
    """Write a damaged log as a workbook: title rows, true dates and numbers, a merged cell, a hidden row, visits."""
    from openpyxl import Workbook

    moved = _rows_by_visits(log, damage)
    book = Workbook()
    remarks = book.active
    remarks.title = "Remarks"
    for row in _REMARKS:
        remarks.append(row)
    _fill_log(book.create_sheet("Log"), log, moved)
    _fill_visits(book.create_sheet("Visits"), log, truth, moved=moved, damage=damage)
    book.active = 1
    book.properties.creator = "field_lead"
    book.properties.created = _MOMENT
    _save_same_bytes(book, Path(path))


def _rows_by_visits(log: pd.DataFrame, damage: Sequence[Mapping[str, Any]]) -> set[int]:
    """Rows whose dates are known from visits alone and stand in no fault, at the sites with a sheet of visits."""
    faulty = {d["row"] for d in damage} | {d["row"] - 1 for d in damage if d["kind"] == "duplicate"}
    single = ~log["unit_id"].duplicated(keep=False)
    plain = log["site"].isin(VISITED_SITES) & (log["time_basis"] == "visit") & single
    plain &= log["outcome"].isin(["failed", "working"]) & log["found_on"].notna()
    return {int(i) for i in np.flatnonzero(plain)} - faulty


def _heading(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _typed(name: str, value: Any) -> Any:
    """A true date or number where the text is one, as a spreadsheet program makes of what is typed."""
    if pd.isna(value):
        return None
    text = str(value)
    if name in _DATES:
        try:
            return datetime.datetime.fromisoformat(text)
        except ValueError:
            return text
    if name in _NUMBERS and re.fullmatch(r"-?\d+(\.\d+)?", text):
        return float(text) if "." in text else int(text)
    return text


def _fill_log(sheet: "Worksheet", log: pd.DataFrame, moved: set[int]) -> None:
    from openpyxl.styles import Font, PatternFill

    for text in _TITLE:
        sheet.append([text])
    sheet.append([_heading(c) for c in log.columns])
    top = len(_TITLE) + 2
    for i, row in enumerate(log.to_dict("records")):
        blank = ("last_good_on", "found_on") if i in moved else ()
        sheet.append([None if c in blank else _typed(str(c), v) for c, v in row.items()])
    for column in range(1, len(log.columns) + 1):
        sheet.cell(row=top - 1, column=column).font = Font(bold=True)
    place = list(log.columns)
    for name in _DATES:
        for (cell,) in sheet.iter_rows(min_row=top, min_col=place.index(name) + 1, max_col=place.index(name) + 1):
            cell.number_format = "yyyy-mm-dd"
    hidden = top + int(np.flatnonzero(log["withdrawn_reason"] == _HIDDEN_REASON)[0])
    sheet.row_dimensions[hidden].hidden = True
    for cell in sheet[hidden]:
        cell.fill = PatternFill("solid", fgColor="DDDDDD")
    season = place.index("season") + 1
    sheet.merge_cells(start_row=top, end_row=top + 2, start_column=season, end_column=season)
    sheet.freeze_panes = sheet.cell(row=top, column=2)


def _fill_visits(
    sheet: "Worksheet",
    log: pd.DataFrame,
    truth: Mapping[str, Any],
    *,
    moved: set[int],
    damage: Sequence[Mapping[str, Any]],
) -> None:
    """Every visit up to the day on which the state was found, in order of the day."""
    doubled = sorted(d["row"] for d in damage if d["kind"] == "duplicate")
    visits = []
    for row in sorted(moved):
        source = row - int(np.searchsorted(doubled, row, side="right"))
        start = datetime.date.fromisoformat(str(log.at[row, "deployed_on"]))
        found = (datetime.date.fromisoformat(str(log.at[row, "found_on"])) - start).days
        for age in truth["visit_days"][source]:
            if age <= found:
                state = "failed" if age >= truth["failure_day"][source] else "working"
                visits.append((start + datetime.timedelta(days=age), log.at[row, "unit_id"], state))
    sheet.append(["Unit ID", "Visited on", "State", "By", "Notes"])
    for i, (day, unit, state) in enumerate(sorted(visits)):
        sheet.append([unit, datetime.datetime.combine(day, datetime.time()), state, _ROLES[i % 2], None])
        sheet.cell(row=i + 2, column=2).number_format = "yyyy-mm-dd"


def _save_same_bytes(book: Any, path: Path) -> None:
    """Save with fixed times in the archive, so that the file does not change when nothing in it did."""
    buffer = BytesIO()
    book.save(buffer)
    moment = _MOMENT.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    with zipfile.ZipFile(buffer) as source, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + moment, content)
            entry = zipfile.ZipInfo(name, date_time=_MOMENT.timetuple()[:6])
            entry.compress_type = zipfile.ZIP_DEFLATED
            target.writestr(entry, content)
