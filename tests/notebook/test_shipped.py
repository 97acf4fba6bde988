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
    assert "00_season.ipynb" in BUILT and "07_guide.ipynb" in BUILT and len(BUILT) == 8


@pytest.mark.parametrize("name", sorted(BUILT))
def test_a_notebook_answers_first_and_asks_seven_questions_at_most(name):
    """The first outputs are a sentence and a picture; one line counts the checks; links lead on."""
    shipped = nbformat.read(FOLDER / name, as_version=4)
    first = next(cell for cell in shipped.cells if cell.cell_type == "code")
    kinds = [kind for output in first.outputs for kind in output.data]
    assert "image/png" in kinds and kinds.index("text/html") < kinds.index("image/png")
    headings = [line for cell in shipped.cells if cell.cell_type == "markdown" for line in cell.source.splitlines()]
    assert sum(line.startswith("## ") for line in headings) <= 7
    text = "\n".join(output.data.get("text/plain", "") for c in shipped.cells for output in c.get("outputs", []))
    assert text.count("checks hold.") == 1 and "Checked:" not in text
    assert "_" not in first.outputs[1].data["text/plain"].split("\n")[0]
    assert any("](0" in line for line in headings)


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
