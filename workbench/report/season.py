"""SeasonData: one season's log and lives as the builders of findings get them."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from workbench.lives import Lives

__all__ = ["SeasonData"]


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonData:
    """What every builder of findings is called with; a builder is a function of one SeasonData that returns findings.

    Attributes
    ----------
    log : Log
        The log as read (records, set_aside, problems, ledger, notes, settings).
    lives : Lives
        All lives of the log, suspended when missing.
    mission : float
        Days a unit must last.
    mission_note : str
        Where the mission comes from; empty when it was given.
    seed : int
        Start of every draw by chance.
    confidence : float
        Level of all intervals.
    settings : mapping
        The settings as plain values.
    previous : SeasonData, sequence of Finding, or None
        Last season, as a log or as its findings.
    """

    log: Any
    lives: Lives
    mission: float
    mission_note: str = ""
    seed: int = 0
    confidence: float = 0.95
    settings: Mapping[str, Any] = field(default_factory=dict)
    previous: Any = None
