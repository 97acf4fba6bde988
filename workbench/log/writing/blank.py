"""Blank log: an empty workbook with drop-downs, units in the headings' comments, explanations and one example."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import Any

from workbench.filing import Permit, check_target
from workbench.log.cells import column_letters
from workbench.log.dictionary import (
    HEADLINE,
    Column,
    Settings,
    bench_steps,
    log_vocabulary,
    read_settings,
    visit_columns,
)
from workbench.log.rules import EXAMPLE_MARK
from workbench.log.writing.sheetwriting import put, save_workbook

__all__ = ["EXAMPLE", "EXAMPLE_VISIT", "write_blank"]

EXAMPLE: Mapping[str, str | float] = {
    "unit_id": f"{EXAMPLE_MARK} LM-001", "deployment": 1, "batch": "B1", "firmware": "1.4", "season": "2025",
    "site": "Gannet Flats", "notes": "Example in the invented Lantern Moor Observatory; it never counts, delete it.",
    "deployed_on": "2025-03-14", "last_good_on": "2025-06-02", "found_on": "2025-07-01", "time_basis": "visit",
    "outcome": "failed", "environment": "tidal_marsh", "corrosivity": "C5", "elevation_m": 2,
    "distance_to_salt_water_m": 5, "sun": "full", "animal_pressure": "medium", "foot_traffic": "low",
    "enclosure_rating": "IP67", "lid_seal": "flat_gasket", "seal_material": "epdm", "seal_bonded": "no",
    "fasteners": "a2", "closure": "screws", "vent": "none", "board_protection": "varnish", "desiccant": "silica_gel",
    "cable_entry": "bottom", "shade": "no", "condition_found": "wet", "opened_on": "2025-07-03",
    "days_wet_before_opening": 2, "mechanism": "lid_seal_leak", "cause": "design", "confidence": "likely",
    "analyst": "workshop lead", "unit_cost": 64.5, "tide_line": "yes", "standing_muddy_water": "yes",
}  # fmt: skip
"""The example row of the log; its unit begins with the mark by which the reader knows it."""

EXAMPLE_VISIT: Mapping[str, str | float] = {
    "unit_id": f"{EXAMPLE_MARK} LM-001", "visited_on": "2025-06-02", "state": "working", "by": "volunteer",
    "notes": "Example; delete it.",
}  # fmt: skip

_ROWS = 1000
"""Rows below the headings that have drop-downs."""

_WORDS_SHEET = "Words"
_KINDS = {
    "text": "text",
    "whole": "whole number",
    "number": "number",
    "date": "date (year-month-day)",
    "word": "word",
    "yes_no": "yes, no or not_checked",
    "ip_code": "IP code such as IP67 (IEC 60529)",
}


def write_blank(
    target: str | PathLike[str],
    settings: Settings | Mapping[str, Any] | str | PathLike[str] | None = None,
    *,
    permit: Permit | None = None,
) -> Path:
    """Write an empty log to fill in."""
    from openpyxl import Workbook

    given = replace(permit or Permit(), feeds=True)
    path = check_target(target, (".xlsx",), given)
    checked = read_settings(settings)
    columns = [c for c in log_vocabulary(checked).columns.values() if c.name not in checked.roles.get("ignore", ())]
    book = Workbook()
    log = book.active
    log.title = "Log"
    visits, explained, words = (book.create_sheet(name) for name in ("Visits", "Columns", _WORDS_SHEET))
    words.sheet_state = "hidden"
    lists: dict[tuple[str, ...], str] = {}
    _fill_sheet(log, columns, EXAMPLE, lists=lists, words=words, settings=checked)
    _fill_sheet(visits, visit_columns(), EXAMPLE_VISIT, lists=lists, words=words, settings=checked)
    _explain(explained, columns, checked)
    save_workbook(book, path, given)
    return path


def _words_of(column: Column, settings: Settings) -> tuple[str, ...]:
    own = settings.levels.get(column.name, {})
    offered = (*column.known_words, *own.get("words", {}).values(), *own.get("labels", {}), *own.get("cost", {}))
    return tuple(dict.fromkeys(map(str, offered)))


def _fill_sheet(
    sheet: Any,
    columns: Sequence[Column],
    example: Mapping[str, str | float],
    *,
    lists: dict[tuple[str, ...], str],
    words: Any,
    settings: Settings,
) -> None:
    import datetime as dt

    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill

    for index, column in enumerate(columns, start=1):
        letters = column_letters(index - 1)
        head = sheet.cell(1, index)
        put(head, column.name)
        head.font = Font(bold=True)
        head.fill = PatternFill("solid", start_color="D9E6F2" if not column.required else "F2D9A0")
        head.alignment = Alignment(wrap_text=True, vertical="top")
        head.comment = Comment(_comment(column, _words_of(column, settings)), "workbench", width=360, height=180)
        sheet.column_dimensions[letters].width = max(12, min(len(column.name) + 2, 24))
        cell = sheet.cell(2, index)
        value = example.get(column.name)
        put(cell, dt.date.fromisoformat(str(value)) if column.type == "date" and value else value)
        cell.font = Font(italic=True, color="7F7F7F")
        if column.type == "date":
            sheet.column_dimensions[letters].number_format = "yyyy-mm-dd"
            cell.number_format = "yyyy-mm-dd"
        elif column.type == "text":
            sheet.column_dimensions[letters].number_format = "@"
            cell.number_format = "@"
        _offer(sheet, column, letters, words=_list_range(_words_of(column, settings), lists, words))
    sheet.freeze_panes = "B2"


def _list_range(offered: tuple[str, ...], lists: dict[tuple[str, ...], str], words: Any) -> str:
    """Write a list of words once and return where it stands; "" for none."""
    if offered and offered not in lists:
        index = len(lists)
        for row, word in enumerate(offered, start=1):
            put(words.cell(row, index + 1), word)
        letters = column_letters(index)
        lists[offered] = f"={_WORDS_SHEET}!${letters}$1:${letters}${len(offered)}"
    return lists.get(offered, "")


def _offer(sheet: Any, column: Column, letters: str, *, words: str) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    if words:
        rule = DataValidation(type="list", formula1=words, allow_blank=True, showErrorMessage=column.is_closed)
        rule.error = f"{column.name} takes only the words of the list"
    elif column.type == "date":
        rule = DataValidation(type="date", operator="between", formula1="18264", formula2="109574", allow_blank=True)
        rule.showErrorMessage, rule.error = True, "Type a day as year-month-day, such as 2025-03-14"
    else:
        return
    rule.errorTitle = "Season log"
    sheet.add_data_validation(rule)
    rule.add(f"{letters}2:{letters}{_ROWS + 1}")


def _comment(column: Column, offered: tuple[str, ...]) -> str:
    lines = [column.meaning, f"Holds: {_KINDS[column.type]}{f', in {column.unit}' if column.unit else ''}."]
    if column.required:
        lines.append("Needed in every row.")
    if offered and column.type != "yes_no":
        lines.append(f"{'Only' if column.is_closed else 'Known'} words: {', '.join(offered)}.")
    cautions = [f"{h.topic}: {h.caution}" for step in bench_steps() if step.step == column.step for h in step.hazards]
    if cautions:
        lines += [HEADLINE, *cautions]
    return "\n".join(lines)


_RULES = (
    "One row is one spell of one unit at one site. Yellow headings are needed in every row.",
    "Needed besides: one of last_good_on, failed_on and found_on, in this order of time after deployed_on.",
    "outcome is failed, working, missing or withdrawn; a unit still out is working, with last_good_on.",
    "Failure is the first day without usable data; a unit that blinks but writes nothing has failed.",
    "A refit closes the row as withdrawn on that day; a new row has the same deployed_on and observed_from that day.",
    "Leave empty what is not known; never guess a date. The example row is grey and never counts; delete it.",
    "The sheet Visits is optional: last_good_on and found_on follow from it where the log leaves them empty.",
)


def _explain(sheet: Any, columns: Sequence[Column], settings: Settings) -> None:
    from openpyxl.styles import Alignment, Font

    for number, rule in enumerate(_RULES, start=1):
        put(sheet.cell(number, 1), rule)
    top = len(_RULES) + 2
    for index, title in enumerate(
        ("Column", "Holds", "In", "Words", "Meaning", "Feeds", "Other headings taken"), start=1
    ):
        put(sheet.cell(top, index), title)
        sheet.cell(top, index).font = Font(bold=True)
    for number, column in enumerate([*columns, *visit_columns()], start=top + 1):
        offered = ", ".join(_words_of(column, settings)) if column.type != "yes_no" else ""
        feeds = column.role + (" (needed)" if column.required else "")
        texts = (column.name, _KINDS[column.type], column.unit, offered, column.meaning, feeds, column.headings)
        for index, text in enumerate(texts, start=1):
            put(sheet.cell(number, index), text)
            sheet.cell(number, index).alignment = Alignment(wrap_text=index > 3, vertical="top")
    for letters, width in zip("ABCDEFG", (26, 24, 10, 60, 60, 20, 40), strict=True):
        sheet.column_dimensions[letters].width = width
    sheet.freeze_panes = f"B{top + 1}"
