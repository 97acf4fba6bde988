"""Law of order: shuffled rows change no digit, those drawn by chance included."""

import pytest

from tests.laws.comparing import answer, holds, same
from tests.laws.data import Rows
from tests.laws.registry import QUESTIONS


def law(name: str, rows: Rows) -> None:
    same(name, answer(name, rows), answer(name, rows.rewritten(rows.table.sample(frac=1.0, random_state=3))))


@pytest.mark.parametrize("name", QUESTIONS)
def test_order_changes_no_digit(name):
    holds(law, name)
