"""What ended the units of a season?"""

from workbench.teardown.ends.counted_survey import CountedSurvey, survey_counts
from workbench.teardown.ends.imputation import DRAWS
from workbench.teardown.ends.inside import inside_condition
from workbench.teardown.ends.next_units import AlikeUnits, NextUnit, alike_units, units_next
from workbench.teardown.ends.pareto import EndsOfUnits, ends_of_units, lost_words
from workbench.teardown.ends.preventable import PREVENTABLE, preventable_causes, rank_preventable
from workbench.teardown.ends.shapes import shapes_by_mechanism
from workbench.teardown.ends.survey import TeardownSurvey, class_incidence, survey_teardowns

__all__ = [
    "DRAWS",
    "PREVENTABLE",
    "AlikeUnits",
    "CountedSurvey",
    "EndsOfUnits",
    "NextUnit",
    "TeardownSurvey",
    "alike_units",
    "class_incidence",
    "ends_of_units",
    "inside_condition",
    "lost_words",
    "preventable_causes",
    "rank_preventable",
    "shapes_by_mechanism",
    "survey_counts",
    "survey_teardowns",
    "units_next",
]
