"""What do failures known only to a span say?"""

from workbench.estimate.turnbull.interval_curves import interval_curve, mass_of, shares_one_grid
from workbench.estimate.turnbull.interval_incidence import interval_incidence
from workbench.estimate.turnbull.interval_means import interval_means
from workbench.estimate.turnbull.interval_scores import interval_scores
from workbench.estimate.turnbull.npmle import NpmleProblem, fit_segment
from workbench.estimate.turnbull.shared_fate import error_ratio, pseudo_shares
from workbench.estimate.turnbull.turnbull_cells import turnbull_cells

__all__ = [
    "NpmleProblem",
    "error_ratio",
    "fit_segment",
    "interval_curve",
    "interval_incidence",
    "interval_means",
    "interval_scores",
    "mass_of",
    "pseudo_shares",
    "shares_one_grid",
    "turnbull_cells",
]
