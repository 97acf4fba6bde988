"""Which columns, words, signs and settings does a log know?"""

from workbench.log.dictionary.bench_work import (
    HEADLINE,
    BenchStep,
    Hazard,
    Threshold,
    bench_steps,
    known_hazards,
    known_thresholds,
)
from workbench.log.dictionary.columns import Column, log_columns, visit_columns, word_key
from workbench.log.dictionary.evidence import STRENGTHS, known_signs, read_evidence_table, sign_names
from workbench.log.dictionary.headings import Vocabulary, fit_of, locate, log_vocabulary, visit_vocabulary
from workbench.log.dictionary.known_words import known_causes, known_mechanisms
from workbench.log.dictionary.settings import MISSING_WORDS, Settings, read_settings

__all__ = [
    "HEADLINE",
    "MISSING_WORDS",
    "STRENGTHS",
    "BenchStep",
    "Column",
    "Hazard",
    "Settings",
    "Threshold",
    "Vocabulary",
    "bench_steps",
    "fit_of",
    "known_causes",
    "known_hazards",
    "known_mechanisms",
    "known_signs",
    "known_thresholds",
    "locate",
    "log_columns",
    "log_vocabulary",
    "read_evidence_table",
    "read_settings",
    "sign_names",
    "visit_columns",
    "visit_vocabulary",
    "word_key",
]
