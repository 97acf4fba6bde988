"""In which order is a unit opened, what is written down at each step, and what can hurt there? Data beside it."""

from dataclasses import dataclass
from functools import cache

from workbench.log.dictionary.columns import Column, log_columns
from workbench.log.dictionary.data_rows import data_rows
from workbench.log.dictionary.evidence import KnownSign, known_signs

__all__ = ["HEADLINE", "BenchStep", "Hazard", "Threshold", "bench_steps", "known_hazards", "known_thresholds"]

HEADLINE = (
    "Before anything is opened. This is a reminder and no safety advice: local codes, site rules, the maker's safety "
    "sheet and qualified people come first."
)
"""The sentence above every caution box."""


@dataclass(frozen=True, kw_only=True)
class Hazard:
    """What can hurt whoever does the work, with the usual caution and where it comes from."""

    hazard: str
    topic: str
    caution: str
    source: str


@dataclass(frozen=True, kw_only=True)
class BenchStep:
    """One step of the work: its cautions come first, then its fields and the signs to look for."""

    step: str
    title: str
    do: str
    hazards: tuple[Hazard, ...]
    fields: tuple[Column, ...]
    signs: tuple[KnownSign, ...]


@dataclass(frozen=True, kw_only=True)
class Threshold:
    """The limit from which on a number is a sign; `chemistry`: only for such cells, "" for all."""

    threshold: str
    sign: str
    field: str
    rule: str
    other: str
    limit: float
    unit: str
    chemistry: str
    source: str


@cache
def known_hazards() -> tuple[Hazard, ...]:
    """Return all cautions, those that stop the work first."""
    return tuple(Hazard(**row) for row in data_rows("hazards.csv"))


@cache
def bench_steps() -> tuple[BenchStep, ...]:
    """Return the steps in their order; each shows its own hazards and those of the signs looked for in it."""
    hazards = {hazard.hazard: hazard for hazard in known_hazards()}
    return tuple(_step(row, hazards) for row in data_rows("steps.csv"))


@cache
def known_thresholds() -> tuple[Threshold, ...]:
    """Return the limits that turn numbers into signs, as they are without settings."""
    rows = [(row, float(row.pop("limit"))) for row in data_rows("thresholds.csv")]
    return tuple(Threshold(limit=limit, **row) for row, limit in rows)


def _step(row: dict[str, str], hazards: dict[str, Hazard]) -> BenchStep:
    signs = tuple(sign for sign in known_signs() if sign.step == row["step"])
    fields = tuple(c for c in log_columns() if c.step == row["step"] and c.role != "evidence")
    named = dict.fromkeys([*row.pop("hazards").split(), *(name for sign in signs for name in sign.hazards)])
    return BenchStep(hazards=tuple(hazards[name] for name in named), fields=fields, signs=signs, **row)
