"""TurnbullCells: interval-censored lives in, the intervals that can hold mass and each life's place among them out."""

from dataclasses import dataclass

import numpy as np

__all__ = ["TurnbullCells", "turnbull_cells"]

_EXACT_START, _END, _OPEN_START = 0, 1, 2
"""Order of ends at one time: an exact failure starts before, intervals (l, u] end at, and others start after it."""


@dataclass(frozen=True, eq=False)
class TurnbullCells:
    """The m cells in order of time, and n lives as runs of cells.

    Attributes
    ----------
    start, end : np.ndarray of float, shape (m,)
        Ends of the cells (start, end]; equal for an exact failure, end inf for the last one of suspended lives.
    first, last : np.ndarray of int, shape (n,)
        TurnbullCells in which each life can have failed.
    entered : np.ndarray of int, shape (n,)
        First cell in which each life was at risk.
    """

    start: np.ndarray
    end: np.ndarray
    first: np.ndarray
    last: np.ndarray
    entered: np.ndarray


def turnbull_cells(lower: np.ndarray, upper: np.ndarray, entry: np.ndarray, *, every: bool = False) -> TurnbullCells:
    """Find the cells that can hold mass: from a lower end to the next end of any kind, if that one is an upper end.

    Entry times count as upper ends, because mass may gather just before a unit came under observation.

    Shapes: lower, upper (n,), entry (n,).

    References
    ----------
    Turnbull (1976), J. R. Stat. Soc. B 38, 290-295; Alioum & Commenges (1996), Biometrics 52, 512-524 (entry times).
    """
    exact = lower == upper
    late = np.unique(entry[entry > 0])
    # mass may lie before late entries though every unit watched from the start was seen working then
    begun = np.zeros(int(len(late) > 0 and bool(np.any(entry == 0))))
    values = np.concatenate([lower, begun, upper, late])
    starts = np.append(np.where(exact, _EXACT_START, _OPEN_START), np.full(len(begun), _OPEN_START))
    kinds = np.concatenate([starts, np.full(len(upper) + len(late), _END)])
    order = np.lexsort([kinds, values])
    values, kinds = values[order], kinds[order]
    holds = (kinds[:-1] != _END) & (kinds[1:] == _END)
    if every:
        open_by, over = (np.searchsorted(np.sort(ends), values[:-1], side="right") for ends in (lower, upper))
        holds |= (values[:-1] < values[1:]) & (open_by > over)
    opens = np.flatnonzero(holds)
    start, end = values[opens], values[opens + 1]
    start_kind = np.where(start < end, _OPEN_START, kinds[opens])
    # a life's first cell starts no earlier than the life's own lower end
    own_kind = np.where(exact, _EXACT_START, _OPEN_START)
    place = np.searchsorted(start, lower, side="left")
    tied = (place < len(start)) & (start[np.minimum(place, len(start) - 1)] == lower)
    skip = tied & (start_kind[np.minimum(place, len(start) - 1)] < own_kind)
    first = place + skip
    last = np.searchsorted(end, upper, side="right") - 1
    entered = np.where(entry > 0, np.searchsorted(end, entry, side="right"), 0)
    return TurnbullCells(start, end, first, last, entered)
