"""Ranked: the one adjusted ranking of a season that the findings on choices and on next season share."""

from typing import TYPE_CHECKING

from workbench.errors import EstimateError
from workbench.ranking.rank import Ranking, rank_choices

if TYPE_CHECKING:
    from workbench.report.season import SeasonData

__all__ = ["exposures_of", "rank_season"]

EXPOSURES = ("environment", "corrosivity", "animal_pressure")
"""Exposures held equal when the log has them and they vary; sites are in the model by themselves."""


def exposures_of(data: "SeasonData") -> list[str]:
    """Return the exposures that the ranking of a season holds equal.

    Parameters
    ----------
    data : SeasonData
        The season.

    Returns
    -------
    list of str
        Covariates that vary.

    Raises
    ------
    Nothing.
    """
    covariates = data.lives.covariates
    return [name for name in EXPOSURES if name in covariates and covariates[name].nunique() > 1]


def rank_season(data: "SeasonData") -> Ranking | None:
    """Rank every choice of a season that can be compared.

    Parameters
    ----------
    data : SeasonData
        The season.

    Returns
    -------
    Ranking or None
        None when no choice has two levels of enough units, nothing failed, or the mission is beyond what was observed.

    Raises
    ------
    Nothing.
    """
    choices = data.choices()
    if not choices or data.lives.failures == 0:
        return None
    try:
        return rank_choices(
            data.lives,
            choices,
            adjust=exposures_of(data),
            mission=data.mission,
            seed=data.seed,
            confidence=data.confidence,
            reference=_references(data, choices),
        )
    except EstimateError:
        return None


def _references(data: "SeasonData", choices: list[str]) -> dict[str, str]:
    """Reference levels that the settings name, where enough units carry them."""
    named = data.settings.get("reference") or {}
    return {str(c): str(level) for c, level in named.items() if c in choices and str(level) in data.levels(str(c))}
