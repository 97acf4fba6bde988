"""The shipped notebooks are what their stories say, run through, checked."""

from pathlib import Path

import nbformat
import pytest

from tests.rebuild_notebooks import SAMPLE_LOG
from workbench.notebook.building import build_notebooks
from workbench.notebook.running import outputs_problem

FOLDER = Path(__file__).parents[2] / "notebooks"
BUILT = build_notebooks(SAMPLE_LOG)


def test_every_story_is_shipped_and_nothing_else():
    assert sorted(p.name for p in FOLDER.glob("*.ipynb")) == sorted(BUILT)


@pytest.mark.parametrize("name", sorted(BUILT))
def test_shipped_notebook_is_its_story_run_through(name):
    shipped = nbformat.read(FOLDER / name, as_version=4)
    assert [c.source for c in shipped.cells] == [c.source for c in BUILT[name].cells]
    assert outputs_problem(shipped) == ""


@pytest.mark.parametrize("name", sorted(BUILT))
def test_shipped_outputs_hold_no_library_summary_or_type_name(name):
    text = (FOLDER / name).read_text(encoding="utf-8")
    assert "dtype:" not in text
    assert " at 0x" not in text
    assert "http://" not in text and "https://" not in text
