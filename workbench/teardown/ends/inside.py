"""Inside: the share of opened units that were wet inside at the end, alive or dead, by seal, with exact limits."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.checks import check_columns
from workbench.estimate.shared import proportion_interval, text_levels, with_level
from workbench.results import Result
from workbench.teardown.mechanisms import Teardowns
from workbench.wording import count_of

__all__ = ["InsideCondition", "inside_condition"]

DRY_SIGNS = ("dry_and_clean_inside",)
WET_SIGNS = ("standing_clear_water", "standing_muddy_water")


@dataclass(frozen=True, kw_only=True, eq=False)
class InsideCondition(Result):
    """Condition inside at the end, by level of a choice.

    `columns`: group, opened (with a known condition), wet, share_wet, lower, upper, wet_working, wet_failed, damp,
    dry_working, dry_failed, not_opened (came back and were not opened, or opened without a condition), missing.

    Attributes
    ----------
    choice : str
        The column that makes groups.
    confidence : float
        Level of the exact limits.
    """

    choice: str
    confidence: float


def inside_condition(
    teardowns: Teardowns, choice: str = "lid_seal", *, levels: Sequence[str] | None = None, confidence: float = 0.95
) -> InsideCondition:
    """Share wet inside among the opened units of each level; wet and working, dry and dead are both counted.

    A unit counts as wet when its condition was written down as wet or, without a condition, when standing water was
    seen; damp is counted apart; as dry when written dry or seen dry and clean.

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26, 404-413.
    """
    records = teardowns.records
    check_columns([choice], records.columns)
    names, codes = text_levels(records[choice])
    condition = _condition(teardowns)
    missing = records["outcome"].astype(object).to_numpy() == "missing"
    back = teardowns.failed | teardowns.survived
    wanted = list(levels) if levels is not None else list(names)
    groups = [
        (name, codes == names.index(name) if name in names else np.zeros(len(codes), dtype=bool)) for name in wanted
    ]
    groups.append((with_level(wanted, "all", "all units")[-1], np.ones(len(codes), dtype=bool)))
    rows = [
        _row(label, part, condition, teardowns=teardowns, back=back, missing=missing, confidence=confidence)
        for label, part in groups
    ]
    table = pd.DataFrame(rows)
    unopened, opened = int(table["not_opened"].iloc[-1]), int(table["opened"].iloc[-1])
    notes = [
        f"Condition inside is known of {count_of(opened, 'opened unit')}; {count_of(unopened, 'unit')} that came back "
        "were not opened or nothing was written down, and say nothing here.",
        "Units are opened for a reason, so the share among those opened need not be that of the fleet.",
    ]
    if (codes < 0).any():
        notes.append(
            f"{count_of(int((codes < 0).sum()), 'unit')} without a value of {choice} stand in the last row only."
        )
    return InsideCondition(
        columns={name: table[name].to_numpy() for name in table.columns},
        notes=tuple(notes),
        choice=choice,
        confidence=confidence,
    )


def _condition(teardowns: Teardowns) -> np.ndarray:
    """dry, damp, wet or "" for each unit: what was written down, else what signs say."""
    condition = teardowns.condition.copy()
    for signs, word in ((WET_SIGNS, "wet"), (DRY_SIGNS, "dry")):
        for sign in signs:
            if sign in teardowns.signs:
                seen = teardowns.seen[:, teardowns.signs.index(sign)] == 1
                condition[seen & (condition == "")] = word
    return condition


def _row(
    label: str,
    part: np.ndarray,
    condition: np.ndarray,
    *,
    teardowns: Teardowns,
    back: np.ndarray,
    missing: np.ndarray,
    confidence: float,
) -> dict[str, object]:
    known = part & back & (condition != "")
    opened, wet = int(known.sum()), int((known & (condition == "wet")).sum())
    lower, upper = proportion_interval(wet, opened, confidence=confidence) if opened else (np.nan, np.nan)
    count = {
        f"{word}_{end}": int((known & (condition == word) & alive).sum())
        for word in ("wet", "dry")
        for end, alive in (("working", teardowns.survived), ("failed", teardowns.failed))
    }
    return {
        "group": label,
        "opened": opened,
        "wet": wet,
        "share_wet": wet / opened if opened else np.nan,
        "lower": lower,
        "upper": upper,
        "wet_working": count["wet_working"],
        "wet_failed": count["wet_failed"],
        "damp": int((known & (condition == "damp")).sum()),
        "dry_working": count["dry_working"],
        "dry_failed": count["dry_failed"],
        "not_opened": int((part & back & (condition == "")).sum()),
        "missing": int((part & missing).sum()),
    }
