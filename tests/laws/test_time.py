"""Law of time: another unit of time, under another name, multiplies times and changes nothing else."""

import pytest

from tests.laws.comparing import answer, holds, same
from tests.laws.data import Rows
from tests.laws.registry import QUESTIONS

UNITS = (("hours", 24.0), ("years", 1 / 365.25))


def in_unit(rows: Rows, unit: str, scale: float) -> Rows:
    """The same lives on another clock."""
    ends = {name: rows.table[name] * scale for name in ("lower", "upper", "entry")}
    return rows.rewritten(rows.table.assign(**ends), horizon=rows.horizon * scale, unit=unit)


@pytest.mark.parametrize(("name", "unit", "scale"), [(q, *UNITS[k % 2]) for k, q in enumerate(QUESTIONS)])
def test_unit_of_time_scales(name, unit, scale):
    def law(name: str, rows: Rows) -> None:
        found = answer(name, in_unit(rows, unit, scale))
        same(name, answer(name, rows), found, times=scale, but=QUESTIONS[name].moved)

    holds(law, name)
