"""What will next season lose, need and prove?"""

from workbench.planning.allocation import allocate_season, allocate_trial, allocation_log
from workbench.planning.before_deployment import PreChecks, plan_checks
from workbench.planning.builds import LAST_SEASON, SUPPORTED, supported_levels, usual_builds, worth_of_levels
from workbench.planning.by_place import EVERYWHERE, BuildsByPlace, builds_by_place
from workbench.planning.demonstration import demonstrated_reliability, demonstration_sentence
from workbench.planning.field_spares import SpareKit, plan_spares
from workbench.planning.going_missing import missing_by
from workbench.planning.rounds import RoundPlan, plan_rounds
from workbench.planning.season_plan import REPLICATES, SAME_SEASON_NOTE, SPARES_NOTE, SeasonPlan, plan_season
from workbench.planning.trial_seasons import TrialPlan, TrialQuestion, plan_trial
from workbench.planning.visit_plan import plan_visits

__all__ = [
    "EVERYWHERE",
    "LAST_SEASON",
    "REPLICATES",
    "SAME_SEASON_NOTE",
    "SPARES_NOTE",
    "SUPPORTED",
    "BuildsByPlace",
    "PreChecks",
    "RoundPlan",
    "SeasonPlan",
    "SpareKit",
    "TrialPlan",
    "TrialQuestion",
    "allocate_season",
    "allocate_trial",
    "allocation_log",
    "builds_by_place",
    "demonstrated_reliability",
    "demonstration_sentence",
    "missing_by",
    "plan_checks",
    "plan_rounds",
    "plan_season",
    "plan_spares",
    "plan_trial",
    "plan_visits",
    "supported_levels",
    "usual_builds",
    "worth_of_levels",
]
