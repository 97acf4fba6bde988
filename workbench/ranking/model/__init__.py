"""What does the ranking's model hold, and what does it say of a whole fleet?"""

from workbench.ranking.model.design import CHOICE_SD, EXPOSURE_SD, SITE_PRIOR_SD, SITE_SD, Block, Design, build_design
from workbench.ranking.model.fitting import (
    SCALES,
    SHAPE_SD,
    FittedDesign,
    fit_design,
    fitted_design,
    problem_of,
    ranking_problem,
    resample_design,
    shape_centres,
)
from workbench.ranking.model.interaction import INTERACTION_SD, Interaction, interact, standardise_places
from workbench.ranking.model.pooled_levels import LEAST_UNITS, level_text, level_texts
from workbench.ranking.model.standardise import Standardised, standardise

__all__ = [
    "CHOICE_SD",
    "EXPOSURE_SD",
    "INTERACTION_SD",
    "LEAST_UNITS",
    "SCALES",
    "SHAPE_SD",
    "SITE_PRIOR_SD",
    "SITE_SD",
    "Block",
    "Design",
    "FittedDesign",
    "Interaction",
    "Standardised",
    "build_design",
    "fit_design",
    "fitted_design",
    "interact",
    "level_text",
    "level_texts",
    "problem_of",
    "ranking_problem",
    "resample_design",
    "shape_centres",
    "standardise",
    "standardise_places",
]
