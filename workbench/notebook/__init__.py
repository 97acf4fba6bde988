"""Notebooks: thin stories over the library that check themselves, remember their numbers and say what changed."""

from workbench.notebook.accepting import accept_notebooks, verify_notebooks
from workbench.notebook.notebook_folder import make_season_folder, serve_folder
from workbench.notebook.panel import PanelState, explore, view_of
from workbench.notebook.running import run_notebooks
from workbench.notebook.season_folder import OpenedSeason, open_season
from workbench.notebook.self_checks import CheckFailed, check
from workbench.notebook.showing import show

__all__ = [
    "CheckFailed",
    "OpenedSeason",
    "PanelState",
    "accept_notebooks",
    "check",
    "explore",
    "make_season_folder",
    "open_season",
    "run_notebooks",
    "serve_folder",
    "show",
    "verify_notebooks",
    "view_of",
]
