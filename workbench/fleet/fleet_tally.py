"""Tally of a fleet: problems counted by reason, each with one row as example."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from workbench.fleet.fleet_rules import general_reason
from workbench.log.rules import Entry, Problem

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["TALLY_COLUMNS", "Tally", "TallyLine", "tally_frame"]

TALLY_COLUMNS = ("field", "reason", "rows", "also", "advice", "unit_id", "value", "example")


@dataclass
class TallyLine:
    """One reason.

    Attributes
    ----------
    field, reason, advice : str
        Name in the dictionary, what is wrong in words that hold for every such row, what to do.
    rows : int
        Rows with this as their first problem; of values, cells.
    also : int
        Further rows with this beside an earlier problem.
    unit_id, value, example : str
        One such row: its unit, the cell, and the sentence that a field log would give.
    """

    field: str
    reason: str
    advice: str
    rows: int = 0
    also: int = 0
    unit_id: str = ""
    value: str = ""
    example: str = ""


class Tally:
    """Problems by reason; what sets rows aside and what only costs a value are kept apart."""

    def __init__(self) -> None:
        self.rows: dict[tuple[str, str], TallyLine] = {}
        self.values: dict[tuple[str, str], TallyLine] = {}

    def add(self, problems: Sequence[Problem], entry: Entry, rows: int) -> "TallyLine | None":
        """Count the problems of rows that are alike."""
        first: TallyLine | None = None
        seen: list[TallyLine] = []
        for problem in problems:
            group = self.rows if problem.scope == "row" else self.values
            reason = general_reason(problem, entry)
            line = group.setdefault(
                (problem.field, reason), TallyLine(field=problem.field, reason=reason, advice=problem.advice)
            )
            if any(line is other for other in seen):
                continue
            seen.append(line)
            if not line.example:
                line.value, line.example = problem.value, problem.reason
            if problem.scope == "row" and first is not None:
                line.also += rows
                continue
            line.rows += rows
            if problem.scope == "row":
                first = line
        return first

    def join(self, other: "Tally") -> None:
        """Add the rows of another tally, each with one problem."""
        for key, line in other.rows.items():
            if key in self.rows:
                self.rows[key].rows += line.rows
            else:
                self.rows[key] = replace(line)


def tally_frame(lines: Iterable[TallyLine]) -> "pd.DataFrame":
    """Return reasons as a table, the most frequent first."""
    import pandas as pd

    ordered = sorted(lines, key=lambda line: (-line.rows, -line.also, line.field, line.reason))
    data = [[getattr(line, name) for name in TALLY_COLUMNS] for line in ordered]
    return pd.DataFrame(data, columns=list(TALLY_COLUMNS)).astype({"rows": "int64", "also": "int64"})
