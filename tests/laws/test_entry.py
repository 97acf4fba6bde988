"""Law of entry: entry 0 is none."""

import numpy as np
import pytest

from tests.laws.comparing import answer, holds, same
from tests.laws.data import AWKWARD, Rows
from tests.laws.registry import QUICK


def law(name: str, rows: Rows) -> None:
    if (rows.table["entry"] == 0).all():
        same(name, answer(name, rows), answer(name, rows, entry=None))


@pytest.mark.parametrize("name", QUICK[::3])
def test_entry_0_is_none(name):
    holds(law, name)


@pytest.mark.parametrize("rows", AWKWARD.values(), ids=AWKWARD)
def test_lives_that_entered_at_0_are_lives_without_entry(rows):
    rows = rows.rewritten(rows.table.assign(entry=0.0))
    one, two = rows.lives(), rows.lives(entry=None)
    for array in ("entry", "lower", "upper", "weight"):
        np.testing.assert_array_equal(getattr(one, array), getattr(two, array))
