"""What killed each opened unit?"""

from workbench.teardown.mechanisms.agreement import Agreement, compare_verdicts
from workbench.teardown.mechanisms.matrix import evidence_matrix
from workbench.teardown.mechanisms.measured import signs_by_measurement
from workbench.teardown.mechanisms.mechanism import LEAST_PROBABILITY, MechanismSuggestions, suggest_mechanism
from workbench.teardown.mechanisms.opened import Teardowns
from workbench.teardown.mechanisms.sign_families import LEAKS, MOISTURE_RELATED, mechanism_words, sign_family_of

__all__ = [
    "LEAKS",
    "LEAST_PROBABILITY",
    "MOISTURE_RELATED",
    "Agreement",
    "MechanismSuggestions",
    "Teardowns",
    "compare_verdicts",
    "evidence_matrix",
    "mechanism_words",
    "sign_family_of",
    "signs_by_measurement",
    "suggest_mechanism",
]
