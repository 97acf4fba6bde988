"""Ranked: the one adjusted ranking of a season that the findings on choices and on next season share."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.errors import EstimateError
from workbench.ranking.checks import DIFFERING_P
from workbench.ranking.choices import Ranking, WhereItHelps, question_of, rank_choices, where_it_helps
from workbench.ranking.model import LEAST_UNITS
from workbench.wording import SUPPORTED_GRADES

if TYPE_CHECKING:
    from workbench.report.basis.season_data import SeasonData

__all__ = ["RankedSeason", "placed_choices", "rank_season", "season_choice", "season_levels", "season_where"]


@dataclass(frozen=True, eq=False)
class RankedSeason:
    """The ranking of a season, or None and why there is none, a clause without a full stop."""

    ranking: Ranking | None
    reason: str = ""


def rank_season(data: "SeasonData") -> RankedSeason:
    """Rank every choice of a season that can be compared."""
    question = question_of(data.log, data.lives)
    if not question.choices:
        return RankedSeason(None, f"no protection choice has two levels of at least {LEAST_UNITS} units each")
    if data.lives.failures == 0:
        return RankedSeason(None, "nothing failed")
    try:
        ranking = rank_choices(
            data.lives,
            question.choices,
            adjust=question.adjust,
            mission=data.mission,
            seed=data.seed,
            confidence=data.confidence,
            reference=question.reference,
            tried=question.tried,
            declared=question.declared,
        )
    except EstimateError as error:
        return RankedSeason(None, error.clause)
    return RankedSeason(ranking)


def placed_choices(data: "SeasonData", ranking: Ranking) -> list[str]:
    """Return the choices told of place by place: those that differ or that the ranking supports, else those asked."""
    table = ranking.table
    chosen = table[(table.place_p < DIFFERING_P) | table.grade.isin(SUPPORTED_GRADES)].choice
    asked = [c for c in (*data.asked_levels, str(table.choice[0])) if c in set(table.choice)]
    return list(dict.fromkeys(chosen if len(chosen) else asked))


def season_where(data: "SeasonData", ranking: Ranking) -> WhereItHelps:
    """Return what the choices told of place by place do in each kind of place."""
    question = question_of(data.log, data.lives)
    return where_it_helps(
        data.lives,
        question.choices,
        adjust=question.adjust,
        mission=data.mission,
        only=placed_choices(data, ranking),
        seed=data.seed,
        reference=question.reference,
    )


def season_choice(data: "SeasonData") -> str:
    """Return the choice that this season is about: the one asked in the settings, else the first in the ranking, else
    the first that can be compared; "" where none can.
    """
    asked = (data.settings.get("question") or {}).get("choice", "")
    if asked in data.lives.covariates and len(data.levels(asked)) > 1:
        return str(asked)
    ranked = () if data.ranking is None else data.ranking.columns["choice"]
    return str(next(iter([*ranked, *data.choices()]), ""))


def season_levels(data: "SeasonData", choice: str) -> tuple[str, ...]:
    """Return the reference of a choice and the level set against it: the one asked in the settings, else the one that
    gains most in the ranking; nothing where the ranking does not say.
    """
    if data.ranking is None or choice not in data.ranking.choices:
        return ()
    rows = data.ranking.of(choice)
    others = rows[(rows["level"] != rows["reference"]) & rows["survival_gain"].notna()]
    asked = (data.settings.get("question") or {}).get("level", "")
    if asked in set(others["level"]):
        others = others[others["level"] == asked]
    if others.empty:
        return ()
    best = others.loc[others["survival_gain"].idxmax()]
    return str(best["reference"]), str(best["level"])
