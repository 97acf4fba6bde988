"""What will next season lose, need and prove?"""

from workbench.planning.allocation import allocate_trial, allocation_log
from workbench.planning.builds import LAST_SEASON, SUPPORTED, supported_levels, usual_builds, worth_of_levels
from workbench.planning.demonstration import demonstrated_reliability, demonstration_sentence
from workbench.planning.going_missing import missing_by
from workbench.planning.season_plan import SeasonPlan, plan_season
from workbench.planning.trial_seasons import TrialPlan, plan_trial
from workbench.planning.visit_plan import plan_visits

__all__ = [
    "LAST_SEASON",
    "SUPPORTED",
    "SeasonPlan",
    "TrialPlan",
    "allocate_trial",
    "allocation_log",
    "demonstrated_reliability",
    "demonstration_sentence",
    "missing_by",
    "plan_season",
    "plan_trial",
    "plan_visits",
    "supported_levels",
    "usual_builds",
    "worth_of_levels",
]
