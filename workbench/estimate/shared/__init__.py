"""Which groups, terms and adjustments do all estimators share?"""

from workbench.estimate.shared.groups import Groups, groups_of, text_levels
from workbench.estimate.shared.model_matrix import ModelMatrix, design_of, patterns_of
from workbench.estimate.shared.multiplicity import adjusted_by_holm
from workbench.estimate.shared.proportions import proportion_interval
from workbench.estimate.shared.terms import Term, terms_of

__all__ = [
    "Groups",
    "ModelMatrix",
    "Term",
    "adjusted_by_holm",
    "design_of",
    "groups_of",
    "patterns_of",
    "proportion_interval",
    "terms_of",
    "text_levels",
]
