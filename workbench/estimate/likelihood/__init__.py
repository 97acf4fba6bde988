"""What is the likelihood of lives under a family of distributions, and where is its maximum?"""

from workbench.estimate.likelihood.aft_layout import Cells, CellWeights
from workbench.estimate.likelihood.aft_likelihood import PriorCentre, evaluate_likelihood
from workbench.estimate.likelihood.estimability import Estimable, find_estimable, null_space
from workbench.estimate.likelihood.families import FAMILIES, Family, family_of, log1mexp
from workbench.estimate.likelihood.newton import fit_batch
from workbench.estimate.likelihood.patterns import cell_patterns
from workbench.estimate.likelihood.problem import AftBatch, AftProblem, batch_from
from workbench.estimate.likelihood.score_steps import Expansion, expand, step_from

__all__ = [
    "FAMILIES",
    "AftBatch",
    "AftProblem",
    "CellWeights",
    "Cells",
    "Estimable",
    "Expansion",
    "Family",
    "PriorCentre",
    "batch_from",
    "cell_patterns",
    "evaluate_likelihood",
    "expand",
    "family_of",
    "find_estimable",
    "fit_batch",
    "log1mexp",
    "null_space",
    "step_from",
]
