"""Build: what is to go out next season, read from a table: units, levels, and optionally environment, site and cost."""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from workbench.checks import did_you_mean
from workbench.errors import UsageError
from workbench.lives import Lives
from workbench.ranking.model import level_text

__all__ = ["BUILD_COLUMNS", "BuildRow", "read_build"]

BUILD_COLUMNS = ("build", "units", "environment", "site", "unit_cost")
"""Columns of a build that are no protection choices."""


@dataclass(frozen=True, kw_only=True)
class BuildRow:
    """Units of a build that are alike: their name, number, levels, and environment, site and cost where given."""

    build: str
    units: int
    levels: dict[str, str] = field(default_factory=dict)
    environment: str | None = None
    site: str | None = None
    unit_cost: float | None = None


def read_build(build: pd.DataFrame, lives: Lives) -> tuple[list[BuildRow], list[str]]:
    """Check a build and return its rows and its choices."""
    if not isinstance(build, pd.DataFrame) or build.empty:
        raise UsageError("build must be a DataFrame with at least one row: units, and one column a protection choice")
    columns = [str(c) for c in build.columns]
    known = [*BUILD_COLUMNS, *(str(c) for c in lives.covariates.columns)]
    for name in columns:
        if name not in known:
            raise UsageError(f"unknown column {name!r} in the build{did_you_mean(name, known)}")
    for name in ("environment", "site"):
        if name in columns and name not in lives.covariates.columns:
            raise UsageError(f"the build names {name}, but these lives carry no {name}; leave that column out")
    if "units" not in columns:
        raise UsageError("the build has no column units; say how many units each row stands for")
    choices = [c for c in columns if c not in BUILD_COLUMNS]
    return [_row(number, record, choices) for number, record in enumerate(build.to_dict("records"))], choices


def _row(number: int, record: Mapping[Hashable, Any], choices: Sequence[str]) -> BuildRow:
    units, cost = record["units"], record.get("unit_cost", "")
    number_given = isinstance(units, int | float | np.number) and not isinstance(units, bool)
    if not number_given or units % 1 != 0 or units < 1:  # the rest of NaN and of infinity is NaN
        raise UsageError(f"build row {number}: units is {units!r}; give a whole number of at least 1")
    if not _blank(cost) and not (isinstance(cost, int | float | np.number) and 0 <= cost < np.inf):
        raise UsageError(f"build row {number}: unit_cost is {cost!r}; give a number of at least 0")
    name, environment, site = (record.get(key) for key in ("build", "environment", "site"))
    return BuildRow(
        build="build" if _blank(name) else str(name),
        units=int(units),
        levels={choice: "" if _blank(record[choice]) else level_text(record[choice]) for choice in choices},
        environment=None if _blank(environment) else level_text(environment),
        site=None if _blank(site) else level_text(site),
        unit_cost=None if _blank(cost) else float(cost),
    )


def _blank(value: Any) -> bool:
    return value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)) or value == ""
