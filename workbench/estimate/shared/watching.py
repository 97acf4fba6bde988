"""Which units were watched from day 0 on, so that a share counted from day 0 can rest on them?"""

import numpy as np

from workbench.estimate.shared.groups import Groups
from workbench.estimate.steps import RiskSets, risk_sets
from workbench.lives import Lives

__all__ = ["few_before_joiners", "not_from_the_start", "watched_since", "watched_throughout", "why_not_known"]

FEW_BEFORE_JOINERS = 10
"""Under so many units at risk when others join, limits of later days are said to fall short."""


def watched_since(lives: Lives, codes: np.ndarray) -> np.ndarray:
    """Return the day since which each life's unit was watched in its group: its entry, or that of the row it goes on.

    A refit closes one row and opens another of the same unit on the same day; the unit is watched all the time.
    """
    since = np.array(lives.entry, dtype=float)
    if lives.cluster is None or not since.any():
        return since
    import pandas as pd

    keys = ["cluster", "code", "day", "weight"]
    rows = pd.DataFrame({"cluster": lives.cluster, "code": codes, "weight": lives.weight, "row": np.arange(len(lives))})
    closed = rows.assign(day=lives.lower)[~lives.failed & (codes >= 0)].drop_duplicates(keys, keep=False)
    opened = rows.assign(day=lives.entry)[(lives.entry > 0) & (codes >= 0)].drop_duplicates(keys, keep=False)
    pairs = opened.merge(closed, on=keys, suffixes=("", "_before")).sort_values("day")
    for row, before in zip(pairs["row"], pairs["row_before"], strict=True):
        since[row] = since[before]
    return since


def watched_throughout(lives: Lives, groups: Groups, time: np.ndarray, *, failed: np.ndarray) -> RiskSets:
    """Return the counts of the units of each group that were watched from day 0 on; late joiners are left out."""
    codes = groups.codes
    if lives.entry.any():
        codes = np.where(watched_since(lives, codes) > 0, -1, codes)
    return risk_sets(time, failed, lives.entry, weight=lives.weight, codes=codes, groups=len(groups.labels))


def not_from_the_start(label: str, counts: RiskSets, group: int, *, unit: str) -> tuple[str, ...]:
    """Say why figures of a group that count from day 0 are not known, where nobody was watched for a while."""
    ends, begins = counts.unwatched(group)
    if not np.isfinite(begins):
        return ()
    if ends < 0:
        return (
            f"{label}: no unit was watched before {begins:g} {unit}, so only units that had lasted so long were seen "
            "and nothing that counts from day 0 is known.",
        )
    return (
        f"{label}: no unit was watched between {ends:g} and {begins:g} {unit}, so what counts from day 0 is not known "
        "from then on.",
    )


def few_before_joiners(label: str, counts: RiskSets, group: int, *, by: float, unit: str) -> tuple[str, ...]:
    """Say that limits fall short, where few units were at risk before others joined."""
    joined = counts.late_time[group]
    joined = joined[joined < by]
    at_risk = counts.count_at(group, joined)
    if not joined.size or not 0 < at_risk.min() < FEW_BEFORE_JOINERS:
        return ()
    when, fewest = joined[int(at_risk.argmin())], int(at_risk.min())
    after = counts.count_at(group, np.append(counts.time[counts.rows(group)], joined))
    if after.max() < 2 * fewest:
        return ()
    units = "1 unit was" if fewest == 1 else f"{fewest} units were"
    return (
        f"{label}: only {units} at risk when others joined at {when:g} {unit}; limits of later days then hold the "
        "truth less often than they say.",
    )


def why_not_known(label: str, counts: RiskSets, group: int, *, by: float, unit: str) -> tuple[str, ...]:
    """Return what late joiners mean for the figures of a group: not known, or limits that fall short, or nothing."""
    return not_from_the_start(label, counts, group, unit=unit) or few_before_joiners(
        label, counts, group, by=by, unit=unit
    )
