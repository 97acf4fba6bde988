"""How many units of a build go missing by each day, and how sure is that?"""

import numpy as np

from workbench.estimate.steps import risk_sets
from workbench.lives import Lives
from workbench.wording import count_of

__all__ = ["draw_missing", "missing_by"]


def missing_by(lives: Lives, days: np.ndarray) -> np.ndarray:
    """Share of units missing by each day, failures as the competing end; a unit goes missing when last seen working.

    Shapes: days (T,), returns (T,).
    """
    return _step_shares(lives, days)[0]


def draw_missing(
    lives: Lives, days: np.ndarray, *, replicates: int, rng: np.random.Generator
) -> tuple[np.ndarray, list[str]]:
    """Draw the share missing by each day: at the last day from a beta posterior, before it at the pace of those seen.

    Shapes: days (T,), returns (T, B).
    """
    if "outcome" not in lives.covariates.columns:
        return np.zeros((len(days), replicates)), [
            "The lives do not say which units went missing, so losses count failures only."
        ]
    mission = float(days[-1])
    share, spread = _step_shares(lives, days)
    gone, error = float(share[-1]), float(spread[-1])
    lived = lives.weight @ np.maximum(np.minimum(lives.time, mission) - lives.entry, 0.0) / mission
    units = gone * (1.0 - gone) / error**2 if 0.0 < gone < 1.0 else max(float(lived), 1.0)
    drawn = rng.beta(units * gone + 0.5, units * (1.0 - gone) + 0.5, replicates)
    pace = share / gone if gone > 0 else days / mission
    pace[days <= 0] = 0.0
    missing, early = _is_missing(lives), lives.lower <= mission
    lost = count_of(int(lives.weight[missing].sum()), "unit")
    said = (
        f"Losses count failures and missing units; {lost} of {lives.units} went missing, "
        f"{int(lives.weight[missing & early].sum())} of them within {mission:g} {lives.unit}."
    )
    return pace[:, None] * drawn, [said]


def _is_missing(lives: Lives) -> np.ndarray:
    return np.asarray((lives.covariates["outcome"].astype(str) == "missing").to_numpy())


def _step_shares(lives: Lives, days: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Share missing by each day by the product limit, and its standard error by Greenwood.

    Shapes: days (T,), returns (T,).
    """
    one = np.zeros(len(lives), dtype=np.int64)
    counts = risk_sets(lives.time, _is_missing(lives), lives.entry, weight=lives.weight, codes=one, groups=1)
    stay = 1.0 - counts.failures / counts.at_risk
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = counts.failures / (counts.at_risk * (counts.at_risk - counts.failures))
    place = np.searchsorted(counts.time, days, side="right")
    left = np.append(1.0, np.cumprod(stay))[place]
    return 1.0 - left, left * np.sqrt(np.append(0.0, np.cumsum(terms))[place])
