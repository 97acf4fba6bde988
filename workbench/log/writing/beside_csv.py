"""How is a table written that is read beside a log? As text of which no cell is a formula in a spreadsheet."""

import csv
import io
from typing import TYPE_CHECKING

from workbench.log.writing.sheetwriting import inert_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["beside_csv"]


def beside_csv(table: "pd.DataFrame") -> bytes:
    """Return a table as UTF-8 text, empty where nothing is known."""
    target = io.StringIO(newline="")
    writer = csv.writer(target, lineterminator="\n")
    writer.writerow(table.columns)
    for row in table.astype(object).where(table.notna(), None).itertuples(index=False, name=None):
        writer.writerow(["" if v is None else inert_text(v) if isinstance(v, str) else v for v in row])
    return target.getvalue().encode("utf-8")
