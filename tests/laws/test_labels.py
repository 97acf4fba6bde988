"""Law of labels: levels may be called anything; a name changes no figure."""

import itertools

import pandas as pd
import pytest

from tests.laws.comparing import Law, answer, holds, same
from tests.laws.data import Rows
from tests.laws.registry import QUESTIONS

pytestmark = pytest.mark.slow

SENTINELS = (
    {"a": "other", "b": "not recorded", "c": "undetermined", "u": "x / y", "w": " / ", "x": "all", "k": "missing"},
    {"a": "not recorded", "b": "undetermined", "c": "other", "u": "not recorded", "x": "other", "l": "not recorded"},
)
"""What our own levels are called: pooled ones, blanks, failures without a cause, one group of all."""
SPELLINGS = (
    {"a": "2", "b": "10", "c": "1", "u": "Ωμέγα", "w": "密封", "x": "True", "y": "False", "k": "nan", "l": "None"},
    {"a": "c", "b": "a", "c": "b", "u": "w", "w": "u", "k": "n", "l": "k", "m": "l", "n": "m"},
)
LEVELS = {"choice": "abc", "vent": "uw", "place": "xy", "site": "klmn"}


def categories(rows: Rows, names: dict[str, str]) -> Rows:
    """The rows with levels as categories, so that their order stays whatever they are called."""
    levels = {
        column: pd.Categorical(
            [names.get(v, v) for v in rows.table[column]],
            categories=[names.get(v, v) for v in sorted(set(rows.table[column].dropna()))],
        )
        for column in LEVELS
    }
    return rows.rewritten(rows.table.assign(**levels))


def renamed_pairs(names: dict[str, str], rows: Rows) -> dict[str, str]:
    """The names, those of two columns joined, and those of a level's parameter."""
    pairs = itertools.product(set(rows.table["choice"].dropna()), LEVELS["vent"])
    joined = {f"{a} / {b}": f"{names.get(a, a)} / {names.get(b, b)}" for a, b in pairs}
    blank = "not recorded"  # what a missing value is called, unless a level is
    blanks = {blank: f"{blank} (blank)", f"choice: {blank}": f"choice: {blank} (blank)"}
    blanks = blanks if blank in {names.get(a) for a in LEVELS["choice"]} else {}
    return blanks | names | joined | {f"choice: {a}": f"choice: {names[a]}" for a in LEVELS["choice"]}


def law_of(names: dict[str, str]) -> Law:
    def law(name: str, rows: Rows) -> None:
        called = answer(name, categories(rows, names))
        same(name, answer(name, rows), called, names=renamed_pairs(names, rows), but=QUESTIONS[name].drawn)

    return law


@pytest.mark.parametrize(("name", "names"), [(q, SPELLINGS[k % 2]) for k, q in enumerate(QUESTIONS)])
def test_labels_are_only_labels(name, names):
    holds(law_of(names), name)


@pytest.mark.parametrize(("name", "names"), [(q, SENTINELS[k % 2]) for k, q in enumerate(QUESTIONS)])
def test_a_level_may_be_called_what_ours_are_called(name, names):
    holds(law_of(names), name, sets=("blank levels",))
