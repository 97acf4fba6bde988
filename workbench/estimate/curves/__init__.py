"""How many units still work, for how long, and what has ended the others?"""

from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.estimate.curves.means import restricted_mean

__all__ = ["cumulative_incidence", "restricted_mean", "survival_curve"]
