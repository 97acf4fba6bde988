"""Law of labels: levels may be called anything; a name changes no figure."""

import itertools

import pandas as pd
import pytest

from tests.laws.comparing import answer, holds, same
from tests.laws.data import Rows
from tests.laws.registry import QUESTIONS

SPELLINGS = (
    {"a": "other", "b": "all", "c": "not recorded here", "u": "x / y", "w": " / "},
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
    return names | joined | {f"choice: {a}": f"choice: {names[a]}" for a in LEVELS["choice"]}


@pytest.mark.parametrize(("name", "names"), [(q, SPELLINGS[k % 3]) for k, q in enumerate(QUESTIONS)])
def test_labels_are_only_labels(name, names):
    def law(name: str, rows: Rows) -> None:
        called = answer(name, categories(rows, names))
        same(name, answer(name, rows), called, names=renamed_pairs(names, rows), but=QUESTIONS[name].drawn)

    holds(law, name)
