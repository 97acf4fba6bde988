"""Last-good doubt: how far does the answer hang on what the last good day means, where the log does not say?"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from workbench.errors import WorkbenchError
from workbench.estimate.curves import survival_curve
from workbench.estimate.shared import failed_by
from workbench.lives import Lives
from workbench.log.season_log import unsaid_gaps
from workbench.wording import count_of, percent_text

__all__ = ["LastGoodDoubt", "last_good_doubt", "said_of_last_good"]

_MOST_DAYS = 14


@dataclass(frozen=True, kw_only=True)
class LastGoodDoubt:
    """Failed units whose last good day may be a visit or a last record, and the share lasting the mission under both.

    Attributes
    ----------
    units : int
        Failed units of which nothing says what their last good day means.
    gap : float
        Median days from there to the day they were found.
    mission : str
        With its unit.
    as_visit, as_record : float
        Share lasting the mission; NaN where it is not known.
    may_have : int
        With visits: failures of which nobody knows whether they came by then, where none is known to have.
    """

    units: int
    gap: float
    mission: str
    as_visit: float
    as_record: float
    may_have: int

    @property
    def in_short(self) -> str:
        """What is in doubt and what it changes, without names of columns."""
        ends = sorted(x for x in (self.as_visit, self.as_record) if math.isfinite(x))
        if len(ends) < 2:
            return "The log does not say what its last good day means, and how many lasted hangs on it."
        between = " and ".join(map(percent_text, ends))
        return f"The log does not say what its last good day means; between {between} lasted."

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is in doubt, what it changes, and how to settle it."""
        shares = (self.as_visit, self.as_record)
        as_visit, as_record = (percent_text(x) if math.isfinite(x) else "not known" for x in shares)
        if self.may_have:
            as_visit = f"not known, up to {self.may_have:,} may have failed,"
        return (
            f"The log does not say what last_good_on means, and for {count_of(self.units, 'failed unit')} it lies "
            f"{self.gap:.0f} days (median) before found_on.",
            f"Share lasting {self.mission}: {as_visit} if it is the last visit at which a unit worked (so read here), "
            f"{as_record} if it is the last record in its memory.",
            'To settle it, add to season.toml under [time] one line: last_good_is = "last record", or last_good_is = '
            '"visit"; for radio last_good_is = "last contact" with the line every_days = 1 (days between contacts); '
            'last_good_is = "mixed" when column time_basis says it row by row.',
        )


def last_good_doubt(log: Any, mission: float | None = None) -> LastGoodDoubt | None:
    """Return the doubt about the last good days of a log or fleet; None where there is little or none."""
    if not log.used:
        return None
    gaps, lives = unsaid_gaps(log), log.lives()
    unsaid = np.isfinite(gaps)
    if not unsaid.any() or _median(gaps[unsaid], lives.weight[unsaid]) <= _MOST_DAYS:
        return None
    days = float(log.mission()[0] if mission is None else mission)
    # an entry raises the lower end; a record of before it cannot be the last one
    read = lives.replace(lower=lives.lower, upper=np.where(unsaid, lives.lower + 1, lives.upper))
    known, may_have = failed_by(lives, days)
    return LastGoodDoubt(
        may_have=0 if known else may_have,
        units=int(lives.weight[unsaid].sum()),
        gap=_median(gaps[unsaid], lives.weight[unsaid]),
        mission=f"{days:,g} {lives.unit.removesuffix('s') if days == 1 else lives.unit}",
        as_visit=_share(lives, days),
        as_record=_share(read, days),
    )


def said_of_last_good(log: Any, mission: float | None = None) -> tuple[str, ...]:
    """Return the sentences that stand before every answer while the doubt is not settled."""
    doubt = last_good_doubt(log, mission)
    return () if doubt is None else doubt.sentences


def _median(values: np.ndarray, weight: np.ndarray) -> float:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(reached, reached[-1] / 2)])


def _share(lives: Lives, mission: float) -> float:
    try:
        return float(survival_curve(lives).at(mission, limits=False)["survival"].iloc[0])
    except WorkbenchError:
        return math.nan
