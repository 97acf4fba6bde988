"""Which units that still work show the course that failed ones showed? Each site is judged by what the others show."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workbench.records.courses import days_above
from workbench.wording import count_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FEWEST", "Warnings", "early_warnings"]

FEWEST = 10
"""Failures with a course from which on a warning is learnt; judgement."""

_MOST_FALSE = 0.05
"""Share of working units that a limit may warn of in the sites that it is learnt on; judgement."""

_COURSES = {"humidity_end_percent": "humidity inside", "battery_fall_percent": "falling cell voltage"}


@dataclass(frozen=True, kw_only=True)
class Warnings:
    """How well the courses warn, on sites that they were not learnt on, and whom they warn of now.

    Attributes
    ----------
    failures, working : int
        Units with a course, failed and still working.
    warned, false_alarms : int
        Of these, those above the limits that the other sites gave.
    limits : mapping of str to float
        The limits that all sites together give; inf where a course tells no more than it misleads.
    units : tuple of str
        Working units above them.
    lead_days : tuple of float
        Of each failed unit warned of, the days before its last reading for which its course had stood above the limit.
    """

    failures: int
    working: int
    warned: int
    false_alarms: int
    limits: dict[str, float]
    units: tuple[str, ...]
    lead_days: tuple[float, ...] = ()

    @property
    def has_skill(self) -> bool:
        """Whether the share of failed units that was warned of lies clearly above that of false alarms."""
        from scipy.stats import fisher_exact

        if self.failures < FEWEST or self.working < FEWEST:
            return False
        table = [
            [self.warned, self.failures - self.warned],
            [self.false_alarms, self.working - self.false_alarms],
        ]
        return bool(fisher_exact(table, alternative="greater").pvalue < 0.01)

    def sentences(self) -> list[str]:
        """Return what the courses say, with their false alarms."""
        if self.failures < FEWEST or self.working < FEWEST:
            few = f"{count_of(self.failures, 'failure')} and {count_of(self.working, 'working unit')}"
            return [f"No warning can be learnt from {few} with a data file."]
        told = (
            f"On sites they were not learnt on, the courses were seen in {self.warned} of {self.failures} failed units "
            f"and in {self.false_alarms} of {self.working} that work."
        )
        if not self.has_skill:
            return [f"{told} That is no warning: chance alone could do it."]
        named = ", ".join(self.units) if self.units else "none"
        return [told, *self._lead_words(), f"Working units that show such a course at their last reading: {named}."]

    def _lead_words(self) -> list[str]:
        if not self.lead_days:
            return []
        low, half, high = np.quantile(self.lead_days, [0.1, 0.5, 0.9])
        return [
            f"The warning stood {half:.0f} days before the last reading (median; 8 in 10: {low:.0f} to {high:.0f})."
        ]


def early_warnings(spells: "pd.DataFrame", sites: Sequence[str], *, daily: "pd.DataFrame | None" = None) -> Warnings:
    """Learn limits of the courses before the end from failed and working units, each site judged by the others.

    `daily`: one row per unit, deployment and day, from which it is told how long before the end a warning stood.
    """
    failed = (spells["outcome"] == "failed").to_numpy()
    place = np.asarray(sites, dtype=object)
    courses = {name: spells[name].to_numpy(dtype=float) for name in _COURSES}
    known = ~np.isnan(np.column_stack(list(courses.values()))).all(axis=1)
    names = spells.loc[known, ["unit", "deployment"]]
    failed, place, courses = failed[known], place[known], {k: v[known] for k, v in courses.items()}
    by_site = {
        site: {name: _limit(values[place != site], failed[place != site]) for name, values in courses.items()}
        for site in dict.fromkeys(place.tolist())
    }
    above_own = [
        [courses[name][row] > limit for name, limit in by_site[site].items()] for row, site in enumerate(place)
    ]
    warned = np.array(above_own, dtype=bool).reshape(len(failed), len(courses)).any(axis=1)
    limits = {name: _limit(values, failed) for name, values in courses.items()}
    above = np.zeros(len(failed), dtype=bool)
    for name, values in courses.items():
        above |= values > limits[name]
    units = spells["unit"].to_numpy(dtype=object)[known]
    return Warnings(
        failures=int(failed.sum()),
        working=int((~failed).sum()),
        warned=int((warned & failed).sum()),
        false_alarms=int((warned & ~failed).sum()),
        limits=limits,
        units=tuple(units[above & ~failed].tolist()),
        lead_days=()
        if daily is None
        else tuple(_lead(daily, names.iloc[row], by_site[place[row]]) for row in np.flatnonzero(warned & failed)),
    )


def _lead(daily: "pd.DataFrame", name: "pd.Series", limits: dict[str, float]) -> float:
    """The longest time for which one of a unit's courses stood above its limit up to the last reading."""
    days = daily[(daily["unit"] == name["unit"]) & (daily["deployment"] == name["deployment"])]
    return float(np.nanmax([days_above(days, course, limit) for course, limit in limits.items()]))


def _limit(values: np.ndarray, failed: np.ndarray) -> float:
    """The limit above which few working units lie; inf where no more failed ones do. Shapes: (n,), (n,)."""
    fine = values[~failed & ~np.isnan(values)]
    ended = values[failed & ~np.isnan(values)]
    if fine.size < FEWEST or ended.size < FEWEST // 2:
        return np.inf
    limit = float(np.quantile(fine, 1 - _MOST_FALSE))
    return limit if np.mean(ended > limit) > 2 * _MOST_FALSE else np.inf
