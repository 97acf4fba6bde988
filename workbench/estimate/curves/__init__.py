"""How many units still work, for how long, and what has ended the others?"""

from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.estimate.curves.means import RestrictedMeans, restricted_mean
from workbench.estimate.curves.within import DifferenceWithin, differences_within, survival_at

__all__ = [
    "DifferenceWithin",
    "RestrictedMeans",
    "cumulative_incidence",
    "differences_within",
    "restricted_mean",
    "survival_at",
    "survival_curve",
]
