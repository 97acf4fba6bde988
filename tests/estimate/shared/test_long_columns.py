"""Long columns of text: levels and codes are those of comparing each row, and are worked out once per lives."""

import numpy as np
import pandas as pd
import pytest

from workbench import levels
from workbench.estimate.shared import groups_of, terms_of, text_levels
from workbench.lives import Lives

KINDS = {
    "few objects": lambda chance, n: np.array(["cord", "flat gasket", "o_ring"], dtype=object)[
        chance.integers(0, 3, n)
    ],
    "equal texts in different places": lambda chance, n: np.array(
        ["".join(["c", "ord"]) if k else "".join(["o", "_ring"]) for k in chance.integers(0, 2, n)], dtype=object
    ),
    "blanks of two kinds": lambda chance, n: np.array(["x", None, float("nan"), "a"], dtype=object)[
        chance.integers(0, 4, n)
    ],
    "numbers, texts, yes and no": lambda chance, n: np.array([1, "1", True, 1.0, 2, "b"], dtype=object)[
        chance.integers(0, 6, n)
    ],
    "every row another": lambda chance, n: np.array([f"unit {k}" for k in chance.permutation(n)], dtype=object),
    "every second": lambda chance, n: np.array(["x", "y", "z"] * n, dtype=object)[::3],
}


@pytest.mark.parametrize("kind", KINDS)
def test_a_long_column_has_the_levels_of_comparing_every_row(kind, monkeypatch):
    column = pd.Series(KINDS[kind](np.random.default_rng(3), levels.LONG + 7), dtype=object)
    names, codes = text_levels(column)
    monkeypatch.setattr(levels, "LONG", len(column) + 1)
    by_row, codes_by_row = text_levels(column)

    assert names == by_row
    np.testing.assert_array_equal(codes, codes_by_row)


def test_levels_are_worked_out_once_for_all_estimates_of_lives(monkeypatch):
    seals = np.array(["cord", "o_ring"], dtype=object)[np.arange(levels.LONG) % 2]
    lives = Lives.from_arrays(np.arange(1, levels.LONG + 1), covariates={"seal": seals}, failed=seals == "cord")
    first = groups_of(lives, "seal")
    monkeypatch.setattr(levels, "text_levels", None)

    assert terms_of(lives, "seal")[0].codes is groups_of(lives, "seal").codes is first.codes
    assert not first.codes.flags.writeable
    with pytest.raises(TypeError):
        groups_of(lives.take(np.arange(5)), "seal")
