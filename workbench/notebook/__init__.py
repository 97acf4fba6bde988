"""Notebooks: thin stories over the library that check themselves, remember their numbers and say what changed."""

from workbench.notebook.season_folder import Season, open_season
from workbench.notebook.self_checks import CheckFailed, check
from workbench.notebook.showing import show

__all__ = ["CheckFailed", "Season", "check", "open_season", "show"]
