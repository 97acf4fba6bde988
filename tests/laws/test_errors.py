"""Law of errors: every question answers or refuses in a sentence of ours, whatever the lives and arguments."""

import numpy as np
import pandas as pd
import pytest

from tests.laws.comparing import answer
from tests.laws.data import AWKWARD, ENOUGH
from tests.laws.registry import QUESTIONS
from workbench.errors import LivesError, UsageError, WorkbenchError
from workbench.lives import Lives

SLOW_SETS = ("none failed", "one unit", "season, mixed")
NO_CONFIDENCE = (95, "95", "0.95", float("nan"), -1, 0, 1, None, True, [0.95])
NO_EVENTS = (
    pd.Series([True, None, False], dtype=object),
    pd.Series([1.0, float("nan"), 0.0]),
    np.array([1, 2, 1]),
    np.array(["yes", "no", "yes"], dtype=object),
    [None, None, None],
)
NO_TIMES = ([1, 2, float("nan")], [1, -2, 3], [1, 2, float("inf")], ["1", "x", "3"], [1, None, 3], [[1, 2, 3]])
NO_WEIGHTS = ([1, 0, 1], [1, 1.5, 1], [1, 1e19, 1], [1, float("nan"), 1], ["1", "a", "1"], [1, -1, 1])


@pytest.mark.parametrize("name", QUESTIONS)
def test_awkward_lives_are_answered_or_refused(name):
    crashes = []
    for label, rows in (AWKWARD | ENOUGH).items():
        if label in QUESTIONS[name].not_on or (QUESTIONS[name].slow and label not in SLOW_SETS):
            continue
        try:
            answer(name, rows)
        except Exception as error:
            crashes.append(f"{label}: {type(error).__name__}: {error}")
    assert not crashes, "\n".join(crashes)


@pytest.mark.parametrize("name", QUESTIONS)
def test_a_season_is_answered(name):
    """Laws hold of refusals too, so one of the seasons must be answered; some questions are for exact lives only."""
    found = [answer(name, rows) for rows in list(ENOUGH.values())[: 1 if QUESTIONS[name].slow else 2]]
    assert any(isinstance(one, dict) for one in found), found


@pytest.mark.parametrize("name", QUESTIONS)
def test_no_lives_are_answered_or_refused(name):
    rows = AWKWARD["exact"]
    assert answer(name, rows.rewritten(rows.table[:0])) is not None


@pytest.mark.parametrize("name", [n for n, q in QUESTIONS.items() if q.takes_confidence])
@pytest.mark.parametrize("confidence", NO_CONFIDENCE, ids=str)
def test_one_error_for_no_confidence(name, confidence):
    rows = ENOUGH["season, mixed"]
    with pytest.raises(UsageError, match="confidence"):
        QUESTIONS[name].ask(rows.lives(), rows.horizon, confidence=confidence)


@pytest.mark.parametrize("failed", NO_EVENTS, ids=str)
def test_events_that_are_none(failed):
    with pytest.raises(LivesError, match="row"):
        Lives.from_arrays([1, 2, 3], failed)


@pytest.mark.parametrize("time", NO_TIMES, ids=str)
def test_times_that_are_none(time):
    with pytest.raises(WorkbenchError):
        Lives.from_arrays(time, [True, True, False])


@pytest.mark.parametrize("weight", NO_WEIGHTS, ids=str)
def test_weights_that_are_none(weight):
    with pytest.raises(LivesError, match="row"):
        Lives.from_arrays([1, 2, 3], [True, True, False], weight=weight)
