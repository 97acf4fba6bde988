"""Law of frozen lives: nothing done to what was given or handed out reaches lives or results."""

import contextlib

import numpy as np
import pandas as pd
import pytest

from tests.laws.comparing import answer, same
from tests.laws.data import AWKWARD
from tests.laws.registry import QUESTIONS
from workbench.lives import Lives

ARRAYS = ("entry", "lower", "upper", "weight", "cause", "cluster")


def _given() -> dict:
    return {
        "lower": np.array([1.0, 2.0, 3.0]),
        "upper": np.array([1.0, 4.0, np.inf]),
        "entry": np.array([0.0, 1.0, 0.0]),
        "weight": np.array([1, 2, 3]),
        "cause": np.array(["salt", "wet", ""], dtype=object),
        "cluster": np.array(["u1", "u2", "u2"], dtype=object),
        "covariates": pd.DataFrame({"choice": ["a", "b", "b"], "size": [1.0, 2.0, 3.0]}),
    }


def _seen(lives: Lives) -> list:
    return [getattr(lives, name).tolist() for name in ARRAYS] + [lives.covariates.to_numpy().tolist()]


@pytest.mark.parametrize("name", [*ARRAYS, "covariates"])
def test_what_was_given_does_not_reach_the_lives(name):
    given = _given()
    lives = Lives.from_arrays(**given)
    before = _seen(lives)
    if name == "covariates":
        given[name].loc[0, "choice"] = "z"
        given[name]["size"].to_numpy(copy=False).setflags(write=True)
        given[name]["size"].to_numpy(copy=False)[0] = 9.0
    else:
        given[name][0] = given[name][1]
    assert _seen(lives) == before


@pytest.mark.parametrize("name", ARRAYS)
def test_arrays_of_lives_are_read_only(name):
    with pytest.raises(ValueError, match="read-only"):
        getattr(Lives.from_arrays(**_given()), name)[0] = 1


def test_covariates_handed_out_do_not_reach_the_lives():
    lives = Lives.from_arrays(**_given())
    before = _seen(lives)
    frame = lives.covariates
    frame["more"] = 1
    for column, value in (("choice", "z"), ("size", 7.0)):
        with contextlib.suppress(ValueError):  # values may be read-only
            frame.loc[0, column] = value
    assert _seen(lives) == before


@pytest.mark.parametrize("name", [n for n, q in QUESTIONS.items() if not q.slow])
def test_asking_twice_gives_the_same(name):
    rows = AWKWARD["mixed"]
    lives = rows.lives()
    before = [getattr(lives, a).tolist() for a in ARRAYS[:5]]
    first = answer(name, rows)
    assert [getattr(lives, a).tolist() for a in ARRAYS[:5]] == before
    if not isinstance(first, str):
        same(name, first, answer(name, rows, unit=rows.unit))


@pytest.mark.parametrize("name", [n for n, q in QUESTIONS.items() if not q.slow])
def test_tables_handed_out_do_not_reach_the_result(name):
    rows = AWKWARD["exact"]
    result = QUESTIONS[name].ask(rows.lives(), rows.horizon)
    before = result.table
    frame = result.table
    for column in frame.columns:
        frame[column].to_numpy(copy=False).setflags(write=True)
        frame[column].to_numpy(copy=False)[:] = frame[column].to_numpy()[-1]
    pd.testing.assert_frame_equal(result.table, before)
