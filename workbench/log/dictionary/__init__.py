"""Which columns, words, signs and settings does a log know?"""

from workbench.log.dictionary.columns import Column, log_columns, visit_columns, word_key
from workbench.log.dictionary.evidence import STRENGTHS, read_evidence_table
from workbench.log.dictionary.headings import Vocabulary, fit_of, locate, log_vocabulary, visit_vocabulary
from workbench.log.dictionary.known_words import known_mechanisms
from workbench.log.dictionary.settings import MISSING_WORDS, Settings, read_settings

__all__ = [
    "MISSING_WORDS",
    "STRENGTHS",
    "Column",
    "Settings",
    "Vocabulary",
    "fit_of",
    "known_mechanisms",
    "locate",
    "log_columns",
    "log_vocabulary",
    "read_evidence_table",
    "read_settings",
    "visit_columns",
    "visit_vocabulary",
    "word_key",
]
