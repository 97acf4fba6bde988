"""Differences: estimates of groups with limits at any level in, a table of each group minus the reference out."""

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from workbench.checks import check_one_of
from workbench.errors import EstimateError
from workbench.estimate.steps.step_limits import square_and_add

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LimitsAt", "difference_frame", "level_of_difference", "reference_label"]

LimitsAt = Callable[[float], tuple[float, float]]
"""Limits of an estimate as a function of the two-sided confidence."""

_ROUNDING = 1e-9
_SMALLEST_P = 1e-12


def reference_label(labels: tuple[str, ...], reference: str | None) -> str:
    """The group that others are compared with."""
    if len(labels) < 2:
        raise EstimateError(f"a comparison needs at least two groups; there is only {labels[0]!r}")
    return labels[0] if reference is None else check_one_of("reference", reference, labels)


def level_of_difference(difference: float, limits_at: LimitsAt, *, steps: int = 60) -> float:
    """The two-sided level (a p value) at which limits of a difference just reach 0, by halving."""
    if not np.isfinite(difference):
        return float("nan")

    def reaches_zero(level: float) -> bool:
        lower, upper = limits_at(1.0 - level)
        return lower <= 0.0 <= upper

    low, high = np.log(_SMALLEST_P), np.log(1.0 - _ROUNDING)
    if difference == 0 or reaches_zero(float(np.exp(high))):
        return 1.0
    for _ in range(steps):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if reaches_zero(float(np.exp(middle))) else (low, middle)
    return float(np.exp(0.5 * (low + high)))


def difference_frame(
    labels: tuple[str, ...],
    base: str,
    values: dict[str, tuple[float, ...]],
    *,
    limits: list[LimitsAt] | None,
) -> "pd.DataFrame":
    """Table of differences of each group to one reference."""
    import pandas as pd

    records = []
    b, lb, ub, error_b = values[base]
    for label in labels:
        if label == base:
            continue
        a, la, ua, error_a = values[label]
        difference, lower, upper = square_and_add((a, la, ua), (b, lb, ub))
        p_value = float("nan")
        if limits is not None:
            pair = _difference_limits(a, limits[labels.index(label)], b, limits_b=limits[labels.index(base)])
            p_value = level_of_difference(difference, pair)
        error = float(np.hypot(error_a, error_b))
        records.append((label, base, difference, error, lower, upper, p_value))
    names = ["group_a", "group_b", "difference", "std_error", "lower", "upper", "p_value"]
    return pd.DataFrame.from_records(records, columns=names)


def _difference_limits(a: float, limits_a: LimitsAt, b: float, *, limits_b: LimitsAt) -> LimitsAt:
    def limits(confidence: float) -> tuple[float, float]:
        _, lower, upper = square_and_add((a, *limits_a(confidence)), (b, *limits_b(confidence)))
        return lower, upper

    return limits
