"""SeasonData: one season's log and lives as the builders of findings get them."""

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.estimate.shared import text_levels
from workbench.lives import Lives
from workbench.log.dictionary import known_label, log_columns, rests_on_parts
from workbench.log.season_log import said_first
from workbench.ranking.choices import Ranking, WhereItHelps
from workbench.report.basis.last_good_doubt import LastGoodDoubt, last_good_doubt
from workbench.report.words import counts_text, shown_name
from workbench.wording import NOT_KNOWN

if TYPE_CHECKING:
    from workbench.report.basis.ranked import RankedSeason

__all__ = ["FEWEST_UNITS", "SeasonData"]

FEWEST_UNITS = 5
"""Levels carried by fewer units are not compared (judgement, no source)."""


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
    home : Path or None
        The folder beside whose log photographs lie; None where the log was not read from a file here.
    locations : bool
        Whether positions may appear in what is made.
    today : date
        The day against which what is due is overdue.
    """

    log: Any
    lives: Lives
    mission: float
    mission_note: str = ""
    seed: int = 0
    confidence: float = 0.95
    settings: Mapping[str, Any] = field(default_factory=dict)
    previous: Any = None
    home: Path | None = None
    locations: bool = False
    today: dt.date = field(default_factory=dt.date.today)

    @cached_property
    def _ranked(self) -> "RankedSeason":
        from workbench.report.basis.ranked import rank_season

        return rank_season(self)

    @property
    def ranking(self) -> Ranking | None:
        """The adjusted ranking of all choices, made once for every builder; None where nothing can be ranked."""
        return self._ranked.ranking

    @property
    def no_ranking(self) -> str:
        """Why nothing can be ranked, a clause without a full stop; empty where there is a ranking."""
        return self._ranked.reason

    @cached_property
    def where(self) -> WhereItHelps | None:
        """What the choices that matter do in each kind of place, asked once for the slide and the plan."""
        from workbench.report.basis.ranked import season_where

        return None if self.ranking is None else season_where(self, self.ranking)

    @cached_property
    def last_good_doubt(self) -> LastGoodDoubt | None:
        """What hangs on the meaning of the last good days where the log does not say it."""
        return last_good_doubt(self.log, self.mission)

    @property
    def said_first(self) -> tuple[str, ...]:
        """Sentences that stand before every answer; empty when there is nothing to say."""
        return (*self.last_good_said, *said_first(self.log))

    @property
    def last_good_said(self) -> tuple[str, ...]:
        """What hangs on the last good days, in sentences; empty where the log says what they mean."""
        return () if self.last_good_doubt is None else self.last_good_doubt.sentences

    @property
    def mission_text(self) -> str:
        """The mission with its unit, such as '180 days'."""
        unit = self.lives.unit.removesuffix("s") if self.mission == 1 else self.lives.unit
        return f"{self.mission:,g} {unit}"

    def label(self, column: str, level: str) -> str:
        """How a level is shown: by the settings, by the dictionary, or as words; a yes or no by its choice."""
        labels = (self.settings.get("levels") or {}).get(column, {}).get("labels") or {}
        text = shown_name(labels.get(level) or known_label(column, level) or level)
        choice = shown_name(column, 24)
        answer = text.casefold()
        return choice if answer in ("yes", "y") else f"no {choice}" if answer in ("no", "n", "none") else text

    def money(self, amount: float, digits: int = 0) -> str:
        """An amount with the currency of the settings, 'not known' for NaN."""
        if not math.isfinite(amount):
            return NOT_KNOWN
        currency = self.settings.get("currency")
        sign, unit = "−" if amount < 0 else "", f" {shown_name(currency, 8)}" if currency else ""
        return f"{sign}{abs(amount):,.{digits}f}{unit}"

    @property
    def counted(self) -> str:
        """What every number of the review counts: units, or deployments where a unit was out more than once."""
        return "unit" if self.lives.units_among() == self.lives.units else "deployment"

    def counts_text(self, units: int, failures: int | None = None) -> str:
        """How many a claim rests on, of how many of the season where that is a part."""
        whole = (self.lives.units, int(self.lives.failures))
        return counts_text(units, failures, counted=self.counted, whole=whole)

    @property
    def asked_levels(self) -> dict[str, str]:
        """Choices that the settings ask about, in their order, each with the level named there or ""."""
        question = self.settings.get("question") or {}
        asked = {str(question["choice"]): str(question.get("level") or "")} if question.get("choice") else {}
        for decision in self.settings.get("decision") or ():
            choice, level = rests_on_parts(str(decision.get("rests_on") or ""))
            asked.setdefault(choice, level)
        return asked

    def choices(self) -> list[str]:
        """Protection choices that can be compared: at least two levels of `FEWEST_UNITS` units each; lid seal first."""
        known = [c.name for c in log_columns() if c.role == "protection"]
        added = [str(c) for c in (self.settings.get("roles") or {}).get("protection", ())]
        found = [c for c in dict.fromkeys(["lid_seal", *known, *added]) if c in self.lives.covariates]
        return [c for c in found if len(self.levels(c)) >= 2]

    def levels(self, column: str) -> list[str]:
        """Levels of a covariate that at least `FEWEST_UNITS` units carry, the reference first."""
        levels, codes = text_levels(self.lives.covariates[column])
        units = [self.lives.units_among(codes == number) for number in range(len(levels))]
        return [level for level, count in zip(levels, units, strict=True) if count >= FEWEST_UNITS]
