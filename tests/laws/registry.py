"""Which questions the laws put to lives: every public function that takes them, with small settings.

A function that takes lives and is neither asked here nor named as a part of one that is fails `test_registry.py`.
"""

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

import workbench as wb
from workbench.estimate.curves.curves import curve_if_failed_when_found
from workbench.lives import UNDETERMINED, Lives
from workbench.planning.before_deployment import plan_checks
from workbench.planning.rounds import plan_rounds
from workbench.planning.season_plan import plan_season
from workbench.planning.trial_seasons import TrialQuestion, plan_trial
from workbench.planning.visit_plan import plan_visits
from workbench.ranking.choices.rank import rank_choices
from workbench.ranking.choices.where import where_it_helps
from workbench.ranking.mission.classify import classify_mission
from workbench.results import Result
from workbench.teardown.ends.imputation import imputed_incidence
from workbench.teardown.ends.pareto import ends_of_units
from workbench.teardown.ends.preventable import rank_preventable
from workbench.teardown.ends.shapes import shapes_by_mechanism

__all__ = ["PARTS", "QUESTIONS", "QUICK", "Question", "figures"]

SHARES = (0.1, 0.3, 0.5)
WORDS = {"note", "statement", "notes", "unit", "weakest_unit", "weakest_site", "judgements"}
"""Columns of sentences, which name levels and days in words, and of units that are named by their row."""

Answer = dict[str, pd.DataFrame]


@dataclass(frozen=True)
class Question:
    """One way to call a function: `given` makes its arguments from the lives and a time to ask about.

    `looks` gives more frames than the attributes; `in_time` names the columns ("frame.column") that are times, `moved`
    those that have no simple relation to the unit of time; `drawn` those that rest on chance, which rewriting rows as
    weights or renaming levels may change. `slow` ones are asked of one set in each law; `not_on` names awkward sets
    that would take seconds.
    """

    function: Callable[..., Any]
    given: Callable[[Lives, float], Mapping[str, Any]]
    looks: Callable[[Any, float], Mapping[str, Any]] = lambda result, horizon: {}
    in_time: frozenset[str] = frozenset()
    moved: frozenset[str] = frozenset()
    drawn: frozenset[str] = frozenset()
    slow: bool = False
    not_on: frozenset[str] = frozenset()

    @property
    def takes_confidence(self) -> bool:
        """Whether the function has a level of its limits."""
        return "confidence" in inspect.signature(self.function).parameters

    def ask(self, lives: Lives, horizon: float, **options: Any) -> Any:
        """The result for these lives, with further options."""
        return self.function(lives, **{**self.given(lives, horizon), **options})


def figures(question: Question, lives: Lives, horizon: float, **options: Any) -> Answer:
    """Every number that an answer shows, by name: frames as they are, single numbers in a frame of one row."""
    result = question.ask(lives, horizon, **options)
    found: dict[str, Any] = {}
    for name in sorted(n for n in dir(result) if not n.startswith("_")):
        value = getattr(result, name)
        if isinstance(value, Result):
            found[name] = value.table
        elif isinstance(value, pd.DataFrame | float | int) or (isinstance(value, dict) and value):
            found[name] = value
    found |= question.looks(result, horizon)
    return {name: _frame(value) for name, value in found.items() if name not in _GIVEN | WORDS}


_GIVEN = {"confidence", "horizon", "mission", "seed", "resamples", "shrink"}


def _frame(value: Any) -> pd.DataFrame:
    if isinstance(value, pd.DataFrame):
        return value.drop(columns=[c for c in value.columns if c in WORDS])
    if isinstance(value, dict):
        return pd.DataFrame({name: [v] for name, v in value.items() if not isinstance(v, str)})
    return pd.DataFrame({"value": np.atleast_1d(np.asarray(value, dtype=float))})


def _times(horizon: float) -> np.ndarray:
    return horizon * np.array([0.0, 0.13, 0.5, 0.77, 1.0])


def _curve_looks(curve: Any, horizon: float) -> dict[str, Any]:
    return {
        "at": curve.at(_times(horizon)),
        "quantile": curve.quantile(SHARES),
        **({"difference": curve.difference(0.5 * horizon)} if len(curve.labels) > 1 else {}),
    }


def _incidence_looks(incidence: Any, horizon: float) -> dict[str, Any]:
    return {"at": incidence.at(_times(horizon))}


def _fit_looks(fit: Any, horizon: float) -> dict[str, Any]:
    return {"quantile": fit.quantile(SHARES), "survival": fit.survival(_times(horizon))}


def _build(lives: Lives) -> pd.DataFrame:
    levels = sorted({str(v) for v in lives.covariates["choice"].dropna()})
    return pd.DataFrame({"choice": levels, "units": [12] * len(levels)})


def _drawn_causes(lives: Lives, horizon: float) -> dict[str, Any]:
    missing = 0 if lives.cause is None else int(np.sum(lives.cause == UNDETERMINED))
    drawn = np.array([["battery"] * missing, ["water_ingress"] * missing], dtype=object)
    return {"drawn": drawn, "times": [0.5 * horizon, horizon]}


def _all(frame: str, *columns: str) -> frozenset[str]:
    return frozenset(f"{frame}.{column}" for column in columns)


_CURVE_TIMES = (
    frozenset({"median_follow_up.*"})
    | _all("table", "time", "from", "to")
    | _all("at", "time")
    | _all("quantile", "time", "lower", "upper")
)
_MEANS = _all("table", "restricted_mean", "std_error", "lower", "upper") | _all(
    "difference", "difference", "std_error", "lower", "upper"
)
_DENSITY = _all("log_likelihood", "value") | _all("aic", "value")
_RANKED_TIMES = _all("table", "days_gained", "days_lower", "days_upper", "restricted_mean")
_RANKED_DRAWS = frozenset(
    f"table.{c}"
    for c in (
        "lower", "upper", "days_lower", "days_upper", "better_share", "first_share", "p_value", "p_adjusted", "grade",
        "time_ratio_lower", "time_ratio_upper", "e_value_limit",
    )
) | {"sensitivity.*"}  # fmt: skip


def _fit(**options: Any) -> Question:
    scale = frozenset() if options.get("distribution") == "lognormal" else _all("parameters", "scale")
    return Question(
        wb.fit_distribution,
        lambda lives, horizon: options,
        _fit_looks,
        in_time=_all("quantile", "time", "lower", "upper") | scale,
        moved=_DENSITY | {"table.*", "parameters.mu"},
    )


def _ratios(**options: Any) -> Question:
    return Question(
        wb.fit_time_ratios,
        lambda lives, horizon: {"terms": ["choice", "size"], **options},
        moved=_DENSITY | {"intercept.value", "parameters.*"},
    )


def _curve(function: Callable[..., Any] = wb.survival_curve, **options: Any) -> Question:
    return Question(function, lambda lives, horizon: options, _curve_looks, _CURVE_TIMES)


def _incidence(**options: Any) -> Question:
    return Question(wb.cumulative_incidence, lambda lives, horizon: options, _incidence_looks, _CURVE_TIMES)


def _plain(function: Callable[..., Any], **options: Any) -> Question:
    return Question(function, lambda lives, horizon: options)


def _ranking(function: Callable[..., Any], **options: Any) -> Question:
    def given(lives: Lives, horizon: float) -> dict[str, Any]:
        return {"mission": horizon, "resamples": 20, **options}

    return Question(function, given, in_time=_RANKED_TIMES, drawn=_RANKED_DRAWS, slow=True)


QUESTIONS: dict[str, Question] = {
    "curve": _curve(by="choice"),
    "curve of all, logit": _curve(interval="logit"),
    "curve, two columns": _curve(by=["choice", "vent"]),
    "curve, failed when found": _curve(curve_if_failed_when_found, by="choice"),
    "test": _plain(wb.compare_groups, by="choice"),
    "test within": _plain(wb.compare_groups, by="choice", within="place"),
    "test, permuted": Question(
        wb.compare_groups,
        lambda lives, horizon: {"by": "choice", "method": "permutation", "resamples": 19},
        drawn=_all("p_value", "value") | _all("pairwise", "p_value", "p_adjusted"),
        not_on=frozenset({"heavy weights", "heavy spans", "forty levels"}),  # each unit is shuffled on its own
    ),
    "trend": _plain(wb.compare_trend, by="choice"),
    "mean": Question(
        wb.restricted_mean, lambda lives, horizon: {"horizon": horizon, "by": "choice"}, in_time=_MEANS
    ),
    "incidence": _incidence(by="choice"),
    "incidence within": _incidence(by="choice", within="place"),
    "weibull": _fit(),
    "lognormal": _fit(distribution="lognormal"),
    "gamma": _fit(distribution="gamma"),
    "weibull, shape given": _fit(shape=2.0),
    "time ratios": _ratios(),
    "time ratios, shrunken": _ratios(distribution="lognormal", shrink=4.0),
    "hazard ratios": _plain(wb.fit_hazard_ratios, terms=["choice", "size"]),
    "hazard ratios within": _plain(wb.fit_hazard_ratios, terms="choice", within="place", shrink=4.0),
    "proportionality": Question(
        wb.proportionality_of, lambda lives, horizon: {"terms": ["choice"]}, in_time=_all("residuals", "time")
    ),
    "shapes": _plain(shapes_by_mechanism),
    "ends": Question(
        ends_of_units,
        lambda lives, horizon: {"mission": horizon},
        in_time=_all("table", "lost_days", "lost_days_low", "lost_days_high"),
    ),
    "imputed incidence": Question(imputed_incidence, _drawn_causes, in_time=_all("table", "time"), slow=True),
    "ranking": _ranking(rank_choices, choices=["choice", "vent"], adjust=["place"]),
    "ranking, preventable": _ranking(rank_preventable, choices=["choice"]),
    "where it helps": Question(
        where_it_helps,
        lambda lives, horizon: {"choices": ["choice"], "adjust": ["place"], "mission": horizon},
        drawn=_all("table", "lower", "upper"),
        slow=True,
    ),
    "classifier": Question(
        classify_mission,
        lambda lives, horizon: {"choices": ["choice"], "mission": horizon},
        drawn=frozenset({"table.*", "levels.mission_survival", "calibration.*", "skill.*"}),
        slow=True,
    ),
    "plan": Question(
        plan_season,
        lambda lives, horizon: {"build": _build(lives), "mission": horizon},
        in_time=_all("table", "data_days", "data_days_lower", "data_days_upper"),
        drawn=frozenset({"table.*"}),
        slow=True,
    ),
    "visits": Question(
        plan_visits,
        lambda lives, horizon: {"mission": horizon, "units": 40, "spacings": (horizon / 4,)},
        in_time=_all("table", "spacing", "b10", "lower", "upper") | {"best.value"},
        slow=True,
    ),
    "trial": Question(
        plan_trial,
        lambda lives, horizon: {
            "question": TrialQuestion(hazard_ratio=0.4, mission=horizon, sites=2, visit_spacing=horizon / 4),
            "units": (8,),
            "seasons": 100,
        },
        slow=True,
    ),
    "rounds": Question(
        plan_rounds,
        lambda lives, horizon: {"mission": horizon, "units": 40, "spacings": (horizon / 4, horizon / 2)},
        in_time=_all("table", "first", "spacing"),
        slow=True,
    ),
    "checks": Question(plan_checks, lambda lives, horizon: {"units": 40}, slow=True),
}  # fmt: skip

PARTS: dict[str, str] = {
    "product_limit": "of survival_curve",
    "interval_curve": "of survival_curve",
    "interval_incidence": "of cumulative_incidence",
    "step_incidence": "of cumulative_incidence",
    "on_grid": "of cumulative_incidence",
    "allocate_season": "a draw for a trial at the sites of the lives, no estimate",
    "tipping_point": "a comparison of rank_choices, units that are missing counted as failed",
    "class_incidence": "imputed_incidence of a log's suggestions",
}
"""Functions that take lives and give a result, and are reached through one that is asked."""

QUICK = tuple(name for name, question in QUESTIONS.items() if not question.slow)
