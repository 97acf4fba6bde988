"""What does the season say, as findings?"""

from workbench.report.findings.findings_aside import set_aside_findings
from workbench.report.findings.findings_life import choice_findings, life_findings
from workbench.report.findings.findings_outcome import outcome_findings
from workbench.report.findings.findings_planning import level_costs, planning_findings
from workbench.report.findings.findings_ranking import ranking_findings
from workbench.report.findings.findings_teardown import teardown_findings
from workbench.report.findings.ranking_words import (
    RankedRow,
    comparison_id,
    flip_sentences,
    labelled,
    main_row,
    ranked_rows,
    shift_sentence,
)
from workbench.report.findings.second_opinion import SecondOpinion, opinion_findings, second_opinions

__all__ = [
    "RankedRow",
    "SecondOpinion",
    "choice_findings",
    "comparison_id",
    "flip_sentences",
    "labelled",
    "level_costs",
    "life_findings",
    "main_row",
    "opinion_findings",
    "outcome_findings",
    "planning_findings",
    "ranked_rows",
    "ranking_findings",
    "second_opinions",
    "set_aside_findings",
    "shift_sentence",
    "teardown_findings",
]
