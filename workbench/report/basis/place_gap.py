"""Do two levels of a choice stand in the same places?"""

from typing import NamedTuple

import pandas as pd

__all__ = ["PlaceGap", "place_gap"]

SHARES_APART = 0.10
"""Difference in the share of units in an environment that is worth naming as a reason (a judgement, no source)."""


class PlaceGap(NamedTuple):
    """Where the shares of units differ most, and both shares."""

    place: str
    ours: float
    theirs: float


def place_gap(ours: pd.Series, theirs: pd.Series) -> PlaceGap | None:
    """Return where two levels differ most in the share of their units; None where no difference is worth naming.

    Shapes: ours, theirs: units by place.

    Examples
    --------
    >>> place_gap(pd.Series({"marsh": 8, "wood": 2}), pd.Series({"marsh": 5, "wood": 5}))
    PlaceGap(place='marsh', ours=0.8, theirs=0.5)
    """
    first, second = ((units / max(units.sum(), 1)) for units in (ours, theirs))
    gap = first.sub(second, fill_value=0.0).abs()
    if gap.empty or gap.max() < SHARES_APART:
        return None
    place = gap.idxmax()
    return PlaceGap(str(place), float(first.get(place, 0.0)), float(second.get(place, 0.0)))
