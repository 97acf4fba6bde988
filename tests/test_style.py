"""Lint, format and types of the sources, as the tools that contributors run see them."""

import subprocess
import sys
from pathlib import Path

import pytest

import workbench

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize(
    "command",
    [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy", "--strict", "workbench"]],
    ids=["lint", "format", "types"],
)
def test_sources_are_clean(command):
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


CANNOT = {
    "EstimateError", "LivesError", "LogError", "SettingsError", "UsageError", "WorkbenchError",  # raised, not called
    "read_fleet",  # needs an extra
    "review",  # takes most of a minute
    "classify_mission", "draw", "plan_season", "rank_choices",  # take seconds; the notebooks show them
}  # fmt: skip


def test_every_public_name_that_can_has_an_example_that_runs():
    lacking = {name for name in workbench.__all__ if ">>> " not in (getattr(workbench, name).__doc__ or "")}
    assert lacking == CANNOT
