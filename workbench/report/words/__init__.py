"""Which words do people read?"""

from workbench.report.words.naming import (
    MOST_HEADLINE_WORDS,
    as_headline,
    first_sentence,
    id_words,
    limits_words,
    short_name,
    shown_name,
    shown_text,
)
from workbench.report.words.sentences import (
    ShareOfGroup,
    age_sentence,
    association_words,
    days_sentence,
    detectable_sentence,
    difference_sentence,
    inside_sentence,
    median_sentence,
    missing_flip_sentence,
    share_sentence,
    test_sentence,
)

__all__ = [
    "MOST_HEADLINE_WORDS",
    "ShareOfGroup",
    "age_sentence",
    "as_headline",
    "association_words",
    "days_sentence",
    "detectable_sentence",
    "difference_sentence",
    "first_sentence",
    "id_words",
    "inside_sentence",
    "limits_words",
    "median_sentence",
    "missing_flip_sentence",
    "share_sentence",
    "short_name",
    "shown_name",
    "shown_text",
    "test_sentence",
]
