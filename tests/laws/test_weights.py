"""Law of weights: a row of weight w is w rows, however they are cut."""

import numpy as np
import pandas as pd
import pytest

from tests.laws.comparing import answer, holds, same
from tests.laws.data import Rows
from tests.laws.registry import QUESTIONS, QUICK

pytestmark = pytest.mark.slow

MANY = 200
"""Rows that repeating may make."""


def repeated_and_shuffled(rows: Rows) -> Rows:
    table = rows.table.loc[rows.table.index.repeat(rows.table["weight"])].assign(weight=1)
    return rows.rewritten(table.sample(frac=1.0, random_state=1))


def split(rows: Rows) -> Rows:
    """Each weight above 1 in two unequal parts, far from each other."""
    one = rows.table.assign(weight=np.where(rows.table["weight"] > 1, rows.table["weight"] // 3 + 1, 1))
    rest = rows.table.assign(weight=rows.table["weight"] - one["weight"])
    rest = rest[rest["weight"] > 0]
    return rows.rewritten(pd.concat([one, rest[::-1]]))


def weighed(rows: Rows) -> Rows:
    """The rows with weights of 1 to 4 where they had none."""
    if (rows.table["weight"] > 1).any():
        return rows
    return rows.rewritten(rows.table.assign(weight=1 + np.arange(len(rows.table)) * 7 % 4))


def law_of_repeats(name: str, rows: Rows) -> None:
    rows = weighed(rows)
    if rows.table["weight"].sum() <= MANY:
        same(name, answer(name, rows), answer(name, repeated_and_shuffled(rows)), but=QUESTIONS[name].drawn)


def law_of_parts(name: str, rows: Rows) -> None:
    rows = weighed(rows)
    same(name, answer(name, rows), answer(name, split(rows)), but=QUESTIONS[name].drawn)


@pytest.mark.parametrize("name", QUESTIONS)
def test_a_weight_is_repeated_rows(name):
    holds(law_of_repeats, name)


@pytest.mark.parametrize("name", [*QUICK, "ranking"])
def test_a_weight_in_two_parts_is_the_weight(name):
    holds(law_of_parts, name)
