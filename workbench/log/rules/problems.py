"""Problem: one thing wrong with one cell or row, with its address, reason and what to do."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.log.cells import Address

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PROBLEM_COLUMNS", "Problem", "problem_at", "problems_frame"]

PROBLEM_COLUMNS = ("source", "sheet", "row", "column", "field", "cell", "value", "reason", "advice", "scope")


@dataclass(frozen=True, kw_only=True)
class Problem:
    """One thing wrong.

    Attributes
    ----------
    source, sheet : str
        File, and sheet of a workbook.
    row : int
        The file's own numbering, first line 1.
    column, field, cell : str
        Heading as in the file, name in the dictionary, cell of a workbook; "" where none.
    value : str
        What stands there.
    reason, advice : str
        What is wrong, what to do.
    scope : str
        "row": the row is set aside; "value": only this value, which counts as not recorded.
    others : tuple of Address
        Further cells that take part.
    file : int
        Number of the file among those read, from 0.
    """

    source: str
    sheet: str
    row: int
    column: str
    field: str
    cell: str
    value: str
    reason: str
    advice: str
    scope: str
    others: tuple[Address, ...] = ()
    file: int = 0

    @property
    def row_key(self) -> tuple[int, str, int]:
        """What makes a row one row: file, sheet and number."""
        return self.file, self.sheet, self.row

    def as_dict(self) -> dict[str, str | int]:
        """Return the problem as plain values."""
        return {name: getattr(self, name) for name in PROBLEM_COLUMNS}


def problem_at(
    address: Address,
    *,
    reason: str,
    advice: str,
    field: str = "",
    value: str = "",
    scope: str = "row",
    others: tuple[Address, ...] = (),
) -> Problem:
    """Return a problem at an address."""
    return Problem(
        source=address.source,
        sheet=address.sheet,
        row=address.row,
        column=address.column,
        field=field,
        cell=address.cell,
        value=value,
        reason=reason,
        advice=advice,
        scope=scope,
        others=others,
        file=address.file,
    )


def problems_frame(problems: Iterable[Problem]) -> "pd.DataFrame":
    """Return problems as a table."""
    import pandas as pd

    frame = pd.DataFrame([problem.as_dict() for problem in problems], columns=list(PROBLEM_COLUMNS))
    return frame.astype({"row": "int64"})
