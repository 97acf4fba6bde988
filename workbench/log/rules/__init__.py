"""Which cells and rows can be used, and what life does each row give?"""

from workbench.log.rules.beside import merge_beside, usable_additions
from workbench.log.rules.checking import check_across, check_within
from workbench.log.rules.choice_notes import notes_on_choices
from workbench.log.rules.cleaning import Refusal, clean, tidy
from workbench.log.rules.entries import EXAMPLE_MARK, LIFE_FIELDS, TOTALS, Entry, columns_of, read_entries, unit_refusal
from workbench.log.rules.ledger import NOTHING_NARROWS, Life, LifeRefusal, life_of
from workbench.log.rules.marks import marks_beside, unsaid_ends
from workbench.log.rules.problems import PROBLEM_COLUMNS, Problem, problem_at, problems_frame
from workbench.log.rules.spellings import LABEL_FIELDS, merged_spellings, notes_on_levels, order_levels, unify_levels
from workbench.log.rules.understood import notes_on_units, translations_of
from workbench.log.rules.visit_sheet import derive_dates, usable_visits

__all__ = [
    "EXAMPLE_MARK",
    "LABEL_FIELDS",
    "LIFE_FIELDS",
    "NOTHING_NARROWS",
    "PROBLEM_COLUMNS",
    "TOTALS",
    "Entry",
    "Life",
    "LifeRefusal",
    "Problem",
    "Refusal",
    "check_across",
    "check_within",
    "clean",
    "columns_of",
    "derive_dates",
    "life_of",
    "marks_beside",
    "merge_beside",
    "merged_spellings",
    "notes_on_choices",
    "notes_on_levels",
    "notes_on_units",
    "order_levels",
    "problem_at",
    "problems_frame",
    "read_entries",
    "tidy",
    "translations_of",
    "unify_levels",
    "unit_refusal",
    "unsaid_ends",
    "usable_additions",
    "usable_visits",
]
