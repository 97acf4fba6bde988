"""Last good: for which failed units does the log not say what their last good day means?"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from workbench.log.dictionary import Settings
from workbench.log.rules import NOTHING_NARROWS, Entry, Life, life_of
from workbench.wording import count_of

if TYPE_CHECKING:
    import numpy as np

__all__ = ["notes_on_last_good", "unsaid_gaps"]


def unsaid_gaps(log: Any) -> "np.ndarray":
    """Return for each life the days from last_good_on to found_on where nobody said what last_good_on means, else NaN.

    Shapes: returns (n,), one per life of the log or fleet. A fleet keeps no single rows: there the width of the span,
    less what the grid of days may have added to it, stands for the gap.
    """
    import numpy as np

    lives = log.lives()
    if log.settings.last_good_is is not None:
        return np.full(len(lives), np.nan)
    if hasattr(log, "step"):
        spans = lives.failed & ~lives.exact & (lives.lower > 0)
        said = "time_basis" in log.roles
        return np.where(spans & (not said), lives.upper - lives.lower - 2 * (log.step - 1), np.nan)
    records, rules = log.records, log.ledger["rule"]
    unsaid = rules.isin(NOTHING_NARROWS).to_numpy()
    if "time_basis" in records:
        unsaid &= records["time_basis"].isna().to_numpy()
    gaps = (records["found_on"] - records["last_good_on"]).dt.days if unsaid.any() else rules.map(len)
    return np.where(unsaid, gaps.to_numpy(dtype=float), np.nan)


def notes_on_last_good(entries: Sequence[Entry], settings: Settings) -> list[str]:
    """Return how many failed units are known by telemetry while nobody said how often they report."""
    if settings.every_days is not None:
        return []
    lives = [life_of(entry.values, settings) for entry in entries if entry["time_basis"] == "telemetry"]
    open_ended = sum(isinstance(life, Life) and life.rule in NOTHING_NARROWS for life in lives)
    if not open_ended:
        return []
    return [
        f"time_basis telemetry: {count_of(open_ended, 'failed unit')} may have failed at any time up to found_on: "
        'the log does not say how often units report; add to the settings [time] last_good_is = "mixed" and '
        "every_days = 1, or whatever the days between two contacts are."
    ]
