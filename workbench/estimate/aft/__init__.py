"""By what factor do choices lengthen lives?"""

from workbench.estimate.aft.time_ratio_notes import beyond_sense_notes
from workbench.estimate.aft.time_ratios import LARGEST_EFFECT, fit_time_ratios

__all__ = ["LARGEST_EFFECT", "beyond_sense_notes", "fit_time_ratios"]
