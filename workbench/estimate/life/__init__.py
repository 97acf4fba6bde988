"""Which life distribution do the lives follow?"""

from workbench.estimate.life.distributions import fit_distribution
from workbench.estimate.life.shape_words import LEAST_FAILURES_FOR_A_SHAPE, shape_statement

__all__ = ["LEAST_FAILURES_FOR_A_SHAPE", "fit_distribution", "shape_statement"]
