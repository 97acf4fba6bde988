"""How many have been lost to each cause by each age, when days are known?"""

from workbench.estimate.steps_by_cause.incidence_results import CumulativeIncidence
from workbench.estimate.steps_by_cause.step_incidence import causes_of, on_grid, step_incidence, working_by_cause

__all__ = ["CumulativeIncidence", "causes_of", "on_grid", "step_incidence", "working_by_cause"]
