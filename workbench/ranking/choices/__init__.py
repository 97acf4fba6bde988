"""Which protection choices go with longer life, and how sure is that?"""

from workbench.ranking.choices.asking import RankingQuestion, question_of
from workbench.ranking.choices.bars import SingleUnits
from workbench.ranking.choices.core import PRIOR_STRENGTHS
from workbench.ranking.choices.grade import LIKELY_P, RULES, comparisons_sentence
from workbench.ranking.choices.rank import Ranking, rank_choices
from workbench.ranking.choices.tipping import HOLDS, TURNS, TippingPoint, tipping_point
from workbench.ranking.choices.where import HELPS, WhereItHelps, where_it_helps

__all__ = [
    "HELPS",
    "HOLDS",
    "LIKELY_P",
    "PRIOR_STRENGTHS",
    "RULES",
    "TURNS",
    "Ranking",
    "RankingQuestion",
    "SingleUnits",
    "TippingPoint",
    "WhereItHelps",
    "comparisons_sentence",
    "question_of",
    "rank_choices",
    "tipping_point",
    "where_it_helps",
]
