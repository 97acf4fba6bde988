"""Who is at risk at each age, and which step curves and limits follow?"""

from workbench.estimate.steps.curve_results import SurvivalCurve
from workbench.estimate.steps.differences import LimitsAt, difference_frame, reference_label
from workbench.estimate.steps.mean_parts import MeanOfGroup, few_failures_notes
from workbench.estimate.steps.risk_sets import RiskSets, risk_sets
from workbench.estimate.steps.risk_table import RiskTable, risk_table_of
from workbench.estimate.steps.row_limits import LimitSearch, RowLimits
from workbench.estimate.steps.step_limits import (
    INTERVALS,
    bound_at_first_failure,
    curve_limits,
    exact_bound,
    normal_quantile,
    square_and_add,
)

__all__ = [
    "INTERVALS",
    "LimitSearch",
    "LimitsAt",
    "MeanOfGroup",
    "RiskSets",
    "RiskTable",
    "RowLimits",
    "SurvivalCurve",
    "bound_at_first_failure",
    "curve_limits",
    "difference_frame",
    "exact_bound",
    "few_failures_notes",
    "normal_quantile",
    "reference_label",
    "risk_sets",
    "risk_table_of",
    "square_and_add",
]
