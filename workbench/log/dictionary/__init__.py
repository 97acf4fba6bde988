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
from workbench.log.dictionary.columns import Column, log_columns, record_columns, visit_columns, word_key
from workbench.log.dictionary.date_text import (
    FORMS_WITHOUT_YEAR,
    SPREADSHEET_DAY,
    day_and_clock,
    day_in_form,
    form_and_year,
    names_a_day,
)
from workbench.log.dictionary.evidence import STRENGTHS, known_signs, read_evidence_table, sign_names
from workbench.log.dictionary.headings import (
    Vocabulary,
    beside_vocabulary,
    column_named,
    fit_of,
    headings_at,
    headings_of,
    locate,
    log_vocabulary,
    visit_vocabulary,
)
from workbench.log.dictionary.known_phrases import phrase_rows
from workbench.log.dictionary.known_words import (
    answers_without_mechanism,
    hint_rows,
    known_causes,
    known_label,
    known_mechanisms,
)
from workbench.log.dictionary.nearness import is_slip, near_word, quoted
from workbench.log.dictionary.setting_keys import SettingKey, example_of, setting_keys, settings_reference
from workbench.log.dictionary.settings import (
    MISSING_WORDS,
    NO_SETTINGS,
    RESTS_ON_SPARES,
    Settings,
    read_settings,
    rests_on_parts,
)

__all__ = [
    "FORMS_WITHOUT_YEAR",
    "HEADLINE",
    "MISSING_WORDS",
    "NO_SETTINGS",
    "RESTS_ON_SPARES",
    "SPREADSHEET_DAY",
    "STRENGTHS",
    "BenchStep",
    "Column",
    "Hazard",
    "SettingKey",
    "Settings",
    "Threshold",
    "Vocabulary",
    "answers_without_mechanism",
    "bench_steps",
    "beside_vocabulary",
    "column_named",
    "day_and_clock",
    "day_in_form",
    "example_of",
    "fit_of",
    "form_and_year",
    "headings_at",
    "headings_of",
    "hint_rows",
    "is_slip",
    "known_causes",
    "known_hazards",
    "known_label",
    "known_mechanisms",
    "known_signs",
    "known_thresholds",
    "locate",
    "log_columns",
    "log_vocabulary",
    "names_a_day",
    "near_word",
    "phrase_rows",
    "quoted",
    "read_evidence_table",
    "read_settings",
    "record_columns",
    "rests_on_parts",
    "setting_keys",
    "settings_reference",
    "sign_names",
    "visit_columns",
    "visit_vocabulary",
    "word_key",
]
