"""What could make a ranked choice wrong?"""

from workbench.ranking.checks.aliases import Alias
from workbench.ranking.checks.common_shape import ShapeCheck, common_shapes
from workbench.ranking.checks.differing import DIFFERING_P, differing_effects
from workbench.ranking.checks.evalue import e_value, e_value_of_interval
from workbench.ranking.checks.missing_units import MissingUnits, missing_units
from workbench.ranking.checks.opinions import OpinionAgreement, agreement_of, log_hazard_ratios
from workbench.ranking.checks.overlap import (
    Overlap,
    choice_never_mixes,
    environments_of,
    extrapolated_shares,
    overlap_of,
)
from workbench.ranking.checks.permute import PERMUTATIONS, choice_p_values, level_p_value
from workbench.ranking.checks.ranking_power import detectable_ratio
from workbench.ranking.checks.raw import RawComparison, raw_comparisons
from workbench.ranking.checks.second_estimate import SecondEstimate, second_estimates
from workbench.ranking.checks.sensitivity import (
    ALL_FAILED,
    ALL_WORKED,
    LEVEL_FAILED,
    REFERENCE_FAILED,
    SEASON_CLOCK,
    OtherLives,
    Sensitivity,
    gain_matrix,
    season_clock,
    sensitivity_of,
)
from workbench.ranking.checks.single_units import LeftOut, leave_out_units
from workbench.ranking.checks.uneven_missing import UnevenMissing

__all__ = [
    "ALL_FAILED",
    "ALL_WORKED",
    "DIFFERING_P",
    "LEVEL_FAILED",
    "PERMUTATIONS",
    "REFERENCE_FAILED",
    "SEASON_CLOCK",
    "Alias",
    "LeftOut",
    "MissingUnits",
    "OpinionAgreement",
    "OtherLives",
    "Overlap",
    "RawComparison",
    "SecondEstimate",
    "Sensitivity",
    "ShapeCheck",
    "UnevenMissing",
    "agreement_of",
    "choice_never_mixes",
    "choice_p_values",
    "common_shapes",
    "detectable_ratio",
    "differing_effects",
    "e_value",
    "e_value_of_interval",
    "environments_of",
    "extrapolated_shares",
    "gain_matrix",
    "leave_out_units",
    "level_p_value",
    "log_hazard_ratios",
    "missing_units",
    "overlap_of",
    "raw_comparisons",
    "season_clock",
    "second_estimates",
    "sensitivity_of",
]
