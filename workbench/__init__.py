"""Post-mortem workbench for failed field units: from a messy field log to findings a project review can rely on."""

from importlib import import_module
from typing import Any

_HOMES = {
    "EstimateError": "errors",
    "Lives": "lives",
    "LivesError": "errors",
    "LogError": "errors",
    "SettingsError": "errors",
    "UsageError": "errors",
    "WorkbenchError": "errors",
    "check": "notebook.self_checks",
    "classify_mission": "ranking.mission.classify",
    "compare_groups": "estimate.rank_tests.comparisons",
    "compare_trend": "estimate.rank_tests.comparisons",
    "cumulative_incidence": "estimate.curves.incidence",
    "demonstrated_reliability": "planning.demonstration",
    "draw": "report.figures.drawing",
    "failures_to_detect": "planning.trial",
    "fit_distribution": "estimate.life.distributions",
    "fit_hazard_ratios": "estimate.cox.hazard_ratios",
    "fit_time_ratios": "estimate.aft.time_ratios",
    "mean_cumulative_count": "estimate.curves.recurrence",
    "mean_life_interval": "planning.demonstration",
    "plan_season": "planning.season_plan",
    "proportionality_of": "estimate.cox.proportionality",
    "proportion_interval": "estimate.shared.proportions",
    "rank_choices": "ranking.choices.rank",
    "read_fleet": "fleet.fleets",
    "read_log": "log.season_log.reading",
    "restricted_mean": "estimate.curves.means",
    "review": "report.making.assembly",
    "simulate_records": "simulate",
    "simulate_season": "simulate",
    "suggest_mechanism": "teardown.mechanisms.mechanism",
    "survival_curve": "estimate.curves.curves",
    "units_to_demonstrate": "planning.demonstration",
    "units_with_dropout": "planning.trial",
}
"""Where each public name lives; a module is imported when its name is first used, which keeps the start instant."""

__version__ = "0.1.0"
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'workbench' has no attribute {name!r}")
    value = getattr(import_module(f"workbench.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
