"""Whether two answers are the same up to what a law lets change, and the trial of a law on all lives."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any
from zlib import crc32

import numpy as np
import pandas as pd
from hypothesis import Phase, given, settings

from tests.laws.data import AWKWARD, ENOUGH, KINDS, Rows, rows_drawn
from tests.laws.registry import QUESTIONS, figures
from workbench.errors import WorkbenchError

__all__ = ["answer", "holds", "same"]

CLOSE = 1e-6
"""Relative; three digits are shown, and searches stop well below this."""
NEAR_ZERO = 1e-9
"""Of the largest number of a column."""

SETS, DRAWN = 2, 2
"""Awkward sets and drawn ones on which each law tries each question; every question meets all sets in `test_errors`."""

Answer = dict[str, pd.DataFrame] | str
Law = Callable[[str, Rows], None]
_known: dict[tuple[str, str], Answer] = {}


def answer(name: str, rows: Rows, options: Mapping[str, Any] | None = None, **changes: Any) -> Answer:
    """The figures of a question, or the kind of refusal; any other error is a defect and passes through.

    `options` go to the function, `changes` to the making of the lives.
    """
    key = (name, f"{rows.key} {options} {changes}")
    if key not in _known:
        try:
            _known[key] = figures(QUESTIONS[name], rows.lives(**changes), rows.horizon, **(options or {}))
        except WorkbenchError as error:
            _known[key] = f"refused: {type(error).__name__}"
    return _known[key]


def holds(law: Law, name: str, sets: Sequence[str] = (), kinds: Sequence[str] = KINDS) -> None:
    """Try a law of one question on awkward sets (those named and some more), and on lives drawn by hypothesis."""
    slow, broken = QUESTIONS[name].slow, []
    for label in [next(iter(ENOUGH))] if slow else dict.fromkeys([*sets, *_some(law, name)]):
        if label in QUESTIONS[name].not_on:
            continue
        try:
            law(name, (AWKWARD | ENOUGH)[label])
        except AssertionError as error:
            broken.append(f"{label}: {' '.join(str(error).split())[:400]}")
    assert not broken, "\n".join([f"{name} breaks the law on {len(broken)} sets", *broken])

    @settings(max_examples=DRAWN, derandomize=True, deadline=None, database=None, phases=[Phase.generate, Phase.shrink])
    @given(rows_drawn(tuple(kinds)))
    def drawn(rows: Rows) -> None:
        law(name, rows)

    if not slow:
        drawn()


def _some(law: Law, name: str) -> list[str]:
    # other sets for each pair of law and question
    order = sorted(AWKWARD, key=lambda label: crc32(f"{law.__module__} {name} {label}".encode()))
    return [*order[:SETS], list(ENOUGH)[-1]]


def same(
    name: str,
    one: Answer,
    other: Answer,
    *,
    names: Mapping[str, str] | None = None,
    times: float = 1.0,
    but: frozenset[str] = frozenset(),
) -> None:
    """Assert that two answers agree, levels of the first renamed by `names` and its times multiplied by `times`.

    Columns in `but` may differ.
    """
    if isinstance(one, str) or isinstance(other, str):
        kinds = [what if isinstance(what, str) else "answered" for what in (one, other)]
        assert kinds[0] == kinds[1], f"{kinds[0]}, then {kinds[1]}"
        return
    assert one.keys() == other.keys()
    called, in_time = dict(names or {}), QUESTIONS[name].in_time
    for frame, left in one.items():
        right = other[frame]
        assert [called.get(c, c) for c in left.columns] == list(right.columns), frame
        assert len(left) == len(right), f"{frame}: {len(left)} rows, then {len(right)}"
        for column, renamed in zip(left.columns, right.columns, strict=True):
            where = {f"{frame}.{column}", f"{frame}.*"}
            if not where & but:
                by = times if where & in_time else 1.0
                _equal(left[column], right[renamed], called, by, f"{frame}.{column}")


def _equal(left: pd.Series, right: pd.Series, names: Mapping[str, str], times: float, where: str) -> None:
    if left.dtype.kind in "fiub" and right.dtype.kind in "fiub":
        first, second = left.to_numpy(float) * times, right.to_numpy(float)
        largest = np.max(np.abs(first[np.isfinite(first)]), initial=1e-9)
        np.testing.assert_allclose(second, first, rtol=CLOSE, atol=NEAR_ZERO * largest, err_msg=where)
    else:
        pairs = [(names.get(a, a) if isinstance(a, str) else a, b) for a, b in zip(left, right, strict=True)]
        differ = [(a, b) for a, b in pairs if not (a == b or (a != a and b != b))]
        assert not differ, f"{where}: {differ[:3]}"
