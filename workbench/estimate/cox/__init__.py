"""By what factor do choices raise the hazard?"""

from workbench.estimate.cox.hazard_ratios import fit_hazard_ratios

__all__ = ["fit_hazard_ratios"]
