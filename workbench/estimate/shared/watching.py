"""Which units were watched from day 0 on, so that a share counted from day 0 can rest on them?"""

import numpy as np

from workbench.estimate.shared.groups import Groups
from workbench.estimate.steps import RiskSets, risk_sets
from workbench.lives import Lives
from workbench.mentions import Sentence, of_group
from workbench.wording import count_of

__all__ = ["few_before_joiners", "not_from_the_start", "watched_since", "watched_throughout"]

HELD_BELOW = ((3, 46), (5, 68), (7, 84), (15, 87))
"""Units at risk when 40 others joined below which 95 % normal limits of a mean held the truth in so many of 100
simulated seasons (400 each, joined a third of the way); limits of curves held it in 89 to 100."""


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


def not_from_the_start(label: str, counts: RiskSets, group: int, *, unit: str) -> tuple[Sentence, ...]:
    """Say why figures of a group that count from day 0 are not known, where nobody was watched for a while."""
    ends, begins = counts.unwatched(group)
    if not np.isfinite(begins):
        return ()
    if ends < 0:
        why = (
            f"no unit was watched before {begins:g} {unit}, so only units that had lasted so long were seen and "
            "nothing that counts from day 0 is known."
        )
        return (of_group(label, why),)
    why = (
        f"no unit was watched between {ends:g} and {begins:g} {unit}, so what counts from day 0 is not known from then "
        "on."
    )
    return (of_group(label, why),)


def few_before_joiners(label: str, counts: RiskSets, group: int, *, by: float, unit: str) -> tuple[Sentence, ...]:
    """Say how often normal limits of a mean hold the truth, where few units were at risk before others joined."""
    joined = counts.late_time[group]
    joined = joined[joined < by]
    at_risk = counts.count_at(group, joined)
    if not joined.size:
        return ()
    when, fewest = joined[int(at_risk.argmin())], int(at_risk.min())
    ends = counts.time[counts.rows(group)]
    most = counts.count_at(group, ends[(ends > when) & (ends <= by)]).max(initial=0)
    for fewer, held in HELD_BELOW:
        if 0 < fewest < fewer and most >= 2 * fewest:
            seldom = (
                f"with only {count_of(fewest, 'unit')} at risk when others joined at {when:g} {unit}, 95 % limits of "
                f"this kind hold the truth in about {held} of 100 simulated seasons."
            )
            return (of_group(label, seldom),)
    return ()
