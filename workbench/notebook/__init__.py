"""Notebooks: thin stories over the library that check themselves, remember their numbers and say what changed."""

from workbench.notebook.accepting import accept_notebooks, single_unit_sentence, verify_notebooks
from workbench.notebook.log_changes import changes_sentences, log_changes
from workbench.notebook.notebook_folder import make_season_folder, open_notebooks, serve_folder
from workbench.notebook.panel import PanelState, explore, view_of
from workbench.notebook.ranking_panel import explore_ranking
from workbench.notebook.running import run_notebooks
from workbench.notebook.season_folder import OpenedSeason, open_season
from workbench.notebook.season_tables import (
    attention,
    claims_shown,
    curve_in_words,
    grades_counted,
    known_of_rows,
    limits_by_units,
    settings_shown,
    skill_in_words,
    skill_shown,
    standings,
)
from workbench.notebook.self_checks import CheckFailed, check
from workbench.notebook.showing import Answers, show

__all__ = [
    "Answers",
    "CheckFailed",
    "OpenedSeason",
    "PanelState",
    "accept_notebooks",
    "attention",
    "changes_sentences",
    "check",
    "claims_shown",
    "curve_in_words",
    "explore",
    "explore_ranking",
    "grades_counted",
    "known_of_rows",
    "limits_by_units",
    "log_changes",
    "make_season_folder",
    "open_notebooks",
    "open_season",
    "run_notebooks",
    "serve_folder",
    "settings_shown",
    "show",
    "single_unit_sentence",
    "skill_in_words",
    "skill_shown",
    "standings",
    "verify_notebooks",
    "view_of",
]
