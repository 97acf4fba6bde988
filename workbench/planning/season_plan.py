"""Next season: what a build may lose, the spares it needs and its cost, as unsure as the season behind it."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.checks import check_confidence, check_positive, check_whole
from workbench.errors import EstimateError
from workbench.lives import Lives
from workbench.planning.fielded_build import BuildRow, read_build
from workbench.planning.going_missing import draw_missing
from workbench.planning.predict import FailureModel, fit_failure_model
from workbench.results import Result, freeze_columns
from workbench.threads import on_one_thread

__all__ = ["SeasonPlan", "plan_season"]

MOST_DRAWS, LEAST_DRAWS, ROW_DRAWS = 10, 2, 400
"""Seasons drawn from each replicate of the model: fewer for a build of many rows, since all rows are drawn anew."""
MOST_ROWS = 400
"""Rows of a build that are drawn one by one; more are drawn as one of their mean, whose chance is a little wider."""
FAN_POINTS = 25
"""Days at which the fan of units alive is drawn."""
REPLICATES = 1000

SPARES_NOTE = "Spares are counted to cover the losses once; spares do not replace spares."
SAME_SEASON_NOTE = (
    "The prediction takes next season to be like those in the log; other weather, sites or handling are not in it."
)


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonPlan(Result):
    """Predicted losses of one or several builds; `table` has one row a build.

    Table: build units expected_losses losses_lower losses_upper spares cost cost_per_survivor data_days data_days_lower
    data_days_upper. `fan` holds columns build day alive lower upper.
    """

    fan: Mapping[str, np.ndarray]
    mission: float
    confidence: float
    unit: str = "days"

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "fan", freeze_columns(self.fan))


@on_one_thread
def plan_season(
    lives: Lives,
    build: pd.DataFrame,
    *,
    mission: float,
    confidence: float = 0.9,
    site: str = "site",
    seed: int = 0,
) -> SeasonPlan:
    """Predict the losses of next season's builds from the lives seen.

    A Weibull time-ratio model of the build's choices (with environment when the build names it, and sites when the
    lives have them), refitted to 1,000 weighted replicates, gives each replicate its share failing; units that go
    missing by the mission are a competing end, their share drawn from its posterior; a draw of counts turns shares into
    units. So the limits hold the uncertainty of the estimate and the chance of the season.

    Parameters
    ----------
    lives : Lives
        The season or seasons seen.
    build : pandas.DataFrame
        One row a batch of like units: `units`, one column a protection choice, optionally `build` (name; rows of one
        name are added up), `environment`, `site` and `unit_cost`. A row without a site is spread over the sites seen.
    mission : float
        Days a unit must last.
    confidence : float in (0, 1)
        Level of the limits (two-sided) and of the spares (one-sided).
    site : str
        Site column of the lives, used when it is there.
    seed : int
        Of everything drawn.

    Returns
    -------
    SeasonPlan
        One row a build. A build with a level that was never fielded is NaN, with the reason in notes.

    Raises
    ------
    UsageError
        An unknown column, impossible numbers in the build, or an empty one.
    EstimateError
        If nothing failed, or the mission is longer than anything observed; names the longest supported.

    References
    ----------
    Prediction with parameter uncertainty by fractional random weights: Xu, Gotwalt, Hong, King & Meeker (2020), The
    American Statistician 74, 345-358. Missing share: product limit (Kaplan & Meier 1958, J. Am. Stat. Assoc. 53,
    457-481) by the mission, beta-binomial with the Jeffreys prior and as many units as its Greenwood variance is worth.
    """
    mission, confidence = check_positive("mission", mission), check_confidence(confidence)
    seed = check_whole("seed", seed)
    rows, choices = read_build(build, lives)
    _refuse_unsupported(lives, mission)
    environment = "environment" if any(row.environment is not None for row in rows) else None
    model = fit_failure_model(lives, choices, environment=environment, site=site, replicates=REPLICATES, seed=seed)
    rng = np.random.default_rng([seed, 1])
    days = np.linspace(0.0, mission, FAN_POINTS)
    lost, missing_notes = draw_missing(lives, days, replicates=REPLICATES, rng=rng)
    names = list(dict.fromkeys(row.build for row in rows))
    notes = [*model.notes, *missing_notes]
    lines, fans = [], []
    for name in names:
        line, fan, said = _predict(
            name,
            [r for r in rows if r.build == name],
            model,
            days=days,
            lost=lost,
            confidence=confidence,
            rng=rng,
        )
        lines.append(line)
        fans.append(fan)
        notes += said
    notes += [SPARES_NOTE, SAME_SEASON_NOTE]
    return SeasonPlan(
        columns={key: np.array([line[key] for line in lines]) for key in lines[0]},
        fan={key: np.concatenate([fan[key] for fan in fans]) for key in fans[0]},
        mission=mission,
        confidence=confidence,
        unit=lives.unit,
        notes=tuple(dict.fromkeys(notes)),
    )


def _refuse_unsupported(lives: Lives, mission: float) -> None:
    if lives.failures == 0:
        raise EstimateError(
            "no unit failed, so losses cannot be predicted; 'what has been shown' is all there is to say"
        )
    longest = float(np.max(np.where(lives.failed, lives.upper, lives.lower)))
    if mission > longest:
        raise EstimateError(
            f"mission is {mission:g} {lives.unit} but nothing was observed beyond {longest:g}; "
            f"the longest mission these lives support is {longest:g} {lives.unit}"
        )


def _predict(
    name: str,
    rows: list[BuildRow],
    model: FailureModel,
    *,
    days: np.ndarray,
    lost: np.ndarray,
    confidence: float,
    rng: np.random.Generator,
) -> tuple[dict[str, object], dict[str, np.ndarray], list[str]]:
    units = sum(row.units for row in rows)
    notes = [note for row in rows for note in model.unknown(row)]
    tails = np.array([(1 - confidence) / 2, (1 + confidence) / 2])
    cost = _cost(rows)
    if notes:
        line = _line(name, units, np.full(4, np.nan), cost=cost, data_days=np.full(3, np.nan))
        blank = np.full(len(days), np.nan)
        return line, {"build": _names(name, days), "day": days, "alive": blank, "lower": blank, "upper": blank}, notes
    draws = MOST_DRAWS if len(rows) > MOST_ROWS else min(MOST_DRAWS, max(LEAST_DRAWS, ROW_DRAWS // len(rows)))
    missing = np.repeat(lost, draws, axis=1)
    gone = np.zeros(missing.shape)
    for number, share in _drawn_rows(rows, model, days):
        gone += _losses(number, np.repeat(share, draws, axis=1), missing, rng=rng)
    alive = units - gone
    data_days = np.asarray(np.trapezoid(alive, days, axis=0))
    losses = gone[-1]
    low, high = np.quantile(losses, tails, method="inverted_cdf")
    spares = np.quantile(losses, confidence, method="inverted_cdf")
    line = _line(
        name,
        units,
        np.array([losses.mean(), low, high, spares]),
        cost=cost,
        data_days=np.array([data_days.mean(), *np.quantile(data_days, tails)]),
    )
    bands = np.quantile(alive, tails, axis=1, method="inverted_cdf")
    fan = {"build": _names(name, days), "day": days, "alive": alive.mean(axis=1), "lower": bands[0], "upper": bands[1]}
    if not np.isfinite(cost):
        notes.append(f"{name}: no unit_cost for every row, so cost is left out.")
    return line, fan, [*notes, *(n for row in rows for n in model.remarks(row))]


def _drawn_rows(rows: list[BuildRow], model: FailureModel, days: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """Units and share failing by each day of each row; of very many rows those of all together.

    Shapes: days (T,), shares (T, B).
    """
    shares = ((row.units, model.share_failing(row, days)) for row in rows)
    if len(rows) <= MOST_ROWS:
        yield from shares
        return
    units, failing = 0, np.zeros((len(days), 1))
    for number, share in shares:
        units, failing = units + number, failing + number * share
    yield units, failing / units


def _losses(units: int, failed: np.ndarray, missing: np.ndarray, *, rng: np.random.Generator) -> np.ndarray:
    """Units lost by each day in drawn seasons, failed or missing, whichever comes first.

    Shapes: failed, missing (T, D), returns (T, D).
    """
    lost = 1.0 - (1.0 - failed) * (1.0 - missing)
    by_day = np.diff(lost, axis=0, prepend=0.0, append=1.0).clip(0.0)
    counts = rng.multinomial(units, (by_day / by_day.sum(axis=0)).T)
    return np.cumsum(counts, axis=1)[:, :-1].T.astype(float)


def _cost(rows: list[BuildRow]) -> float:
    if any(row.unit_cost is None for row in rows):
        return float("nan")
    return float(sum(row.units * float(row.unit_cost or 0.0) for row in rows))


def _line(name: str, units: int, losses: np.ndarray, *, cost: float, data_days: np.ndarray) -> dict[str, object]:
    survivors = units - losses[0]
    return {
        "build": name,
        "units": units,
        "expected_losses": losses[0],
        "losses_lower": losses[1],
        "losses_upper": losses[2],
        "spares": losses[3],
        "cost": cost,
        "cost_per_survivor": cost / survivors if survivors > 0 else float("nan"),
        "data_days": data_days[0],
        "data_days_lower": data_days[1],
        "data_days_upper": data_days[2],
    }


def _names(name: str, days: np.ndarray) -> np.ndarray:
    return np.full(len(days), name, dtype=object)
