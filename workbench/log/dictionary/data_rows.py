"""Which rows do the tables of the dictionary hold, as they lie beside the code?"""

import csv
from pathlib import Path

__all__ = ["data_rows"]


def data_rows(name: str) -> list[dict[str, str]]:
    """Return the rows of one table of the dictionary, by heading."""
    with Path(__file__).with_name(name).open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))
