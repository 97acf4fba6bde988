"""Law of spans: an exact failure is the span whose ends meet, and a span that is nearly so gives nearly its answer."""

import numpy as np
import pytest

from tests.laws.comparing import answer, holds, same
from tests.laws.data import INF, Rows
from tests.laws.registry import QUESTIONS, QUICK, figures
from workbench.errors import WorkbenchError
from workbench.lives import Lives

NARROW = 1e-5
"""Of the horizon."""


def _by_time(name: str, rows: Rows):
    table, lives = rows.table, rows.lives()
    failed = np.isfinite(table["upper"].to_numpy())
    lives = Lives.from_arrays(
        table["lower"].to_numpy(float),
        failed,
        entry=lives.entry,
        weight=lives.weight,
        cause=lives.cause,
        covariates=lives.covariates,
    )
    try:
        return figures(QUESTIONS[name], lives, rows.horizon)
    except WorkbenchError as error:
        return f"refused: {type(error).__name__}"


def is_exact(rows: Rows) -> bool:
    """Whether every failure is known to the day."""
    return bool(((rows.table["upper"] == INF) | (rows.table["upper"] == rows.table["lower"])).all())


def law_of_meeting_ends(name: str, rows: Rows) -> None:
    entered = rows.table["entry"]
    if is_exact(rows) and not (entered.where(entered > 0) == rows.table["lower"]).any():
        same(name, answer(name, rows), _by_time(name, rows))


@pytest.mark.parametrize("name", QUICK[1::3])
def test_time_and_failed_are_ends_that_meet(name):
    holds(law_of_meeting_ends, name, kinds=("exact",))


def law_of_narrow_spans(name: str, rows: Rows) -> None:
    table = rows.table
    if not is_exact(rows) or (table["lower"] == 0).any() or table["lower"].max() > 1e3 * rows.horizon:
        return
    failed = np.isfinite(table["upper"])
    narrow = rows.rewritten(
        table.assign(lower=np.where(failed, table["lower"] - NARROW * rows.horizon, table["lower"]))
    )
    if (narrow.table["lower"] <= narrow.table["entry"]).any():
        return
    one, two = answer(name, rows), answer(name, narrow)
    if isinstance(one, str) or isinstance(two, str):
        assert one == two
        return
    frame, column = {"mean": ("table", "restricted_mean"), "incidence": ("at", "incidence")}.get(
        name, ("at", "survival")
    )
    if "distribution" in QUESTIONS[name].function.__name__:
        frame, column = "quantile", "time"
    a, b = (found[frame][column].to_numpy(float) for found in (one, two))
    known = np.isfinite(a) & np.isfinite(b)
    np.testing.assert_allclose(a[known], b[known], rtol=1e-3, atol=1e-3 * np.max(np.abs(a[known]), initial=0.0))


@pytest.mark.parametrize("name", ["curve", "mean", "incidence", "weibull", "lognormal", "gamma"])
def test_narrow_spans_are_nearly_exact(name):
    holds(law_of_narrow_spans, name, kinds=("exact",))
