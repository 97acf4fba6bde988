"""Law of suspensions: one more unit that was seen working lowers survival nowhere."""

import numpy as np
import pandas as pd
import pytest

from tests.laws.comparing import answer, holds
from tests.laws.data import INF, Rows

pytestmark = pytest.mark.slow

SEARCHED = 1e-6


def with_one_more(rows: Rows, day: float) -> Rows:
    """The rows and a copy of each choice's first one, suspended on a day."""
    more = rows.table.groupby("choice", sort=False).head(1).assign(lower=day, upper=INF, entry=0.0, weight=1, cause="")
    return rows.rewritten(pd.concat([rows.table, more]))


def law(name: str, rows: Rows) -> None:
    if (rows.table["entry"] > 0).any():
        return
    before = answer(name, rows)
    for day in (0.0, 0.4 * rows.horizon, 3.0 * rows.horizon):
        after = answer(name, with_one_more(rows, day))
        if isinstance(before, str) or isinstance(after, str):
            assert not isinstance(after, str) or isinstance(before, str), f"{after} with one more"
            continue
        frame, column = ("at", "survival") if "at" in before else ("table", "restricted_mean")
        one, two = (found[frame][column].to_numpy(float) for found in (before, after))
        largest = max(np.nanmax(one, initial=0.0), 1e-12)
        assert not np.any(two < one - SEARCHED * largest), f"day {day:g}: {one} then {two}"


@pytest.mark.parametrize("name", ["curve", "curve, failed when found", "mean"])
def test_a_suspension_lowers_nothing(name):
    holds(law, name)
