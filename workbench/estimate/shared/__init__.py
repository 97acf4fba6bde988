"""Which groups, terms and adjustments do all estimators share?"""

from workbench.estimate.shared.eigen import eigen_of, symmetric_root
from workbench.estimate.shared.failed_by import failed_by
from workbench.estimate.shared.groups import (
    Groups,
    groups_of,
    joined_labels,
    joined_levels,
    levels_with_blank,
    with_level,
)
from workbench.estimate.shared.model_matrix import ModelMatrix, design_of, patterns_of
from workbench.estimate.shared.multiplicity import adjusted_by_holm
from workbench.estimate.shared.proportions import proportion_interval
from workbench.estimate.shared.terms import Term, terms_of
from workbench.estimate.shared.watching import few_before_joiners, not_from_the_start, watched_since, watched_throughout
from workbench.levels import distinct_labels, text_levels

__all__ = [
    "Groups",
    "ModelMatrix",
    "Term",
    "adjusted_by_holm",
    "design_of",
    "distinct_labels",
    "eigen_of",
    "failed_by",
    "few_before_joiners",
    "groups_of",
    "joined_labels",
    "joined_levels",
    "levels_with_blank",
    "not_from_the_start",
    "patterns_of",
    "proportion_interval",
    "symmetric_root",
    "terms_of",
    "text_levels",
    "watched_since",
    "watched_throughout",
    "with_level",
]
