"""The guide does what it says: its own examples run, are accepted, and what changes in them is found."""

import re
import shutil
from importlib.resources import files
from pathlib import Path

import nbformat
import numpy as np
import pytest

from workbench.estimate.curves import survival_curve
from workbench.estimate.shared import proportion_interval
from workbench.lives import Lives
from workbench.log.dictionary import setting_keys
from workbench.notebook import curve_in_words, grades_counted, limits_by_units, settings_shown, skill_in_words
from workbench.notebook.accepting import accept_notebooks, verify_notebooks
from workbench.notebook.building import KERNEL
from workbench.notebook.running import run_notebooks, write_notebook
from workbench.notebook.signing import sign_made
from workbench.ranking.choices import RULES

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[2] / "sample_data"
GUIDE = (files("workbench.notebook") / "stories" / "07_guide.md").read_text(encoding="utf-8")
OWN_CELL = next(code for code in re.findall(r"```python\n(.*?)```", GUIDE, flags=re.DOTALL) if "My own picture" in code)
OWN_NOTEBOOK = "\n".join(
    line.removeprefix("    ") for line in GUIDE.split("`08_mine.ipynb`:\n")[1].split("\nRun all of it")[0].splitlines()
)


def write_cells(path, *sources):
    cells = [nbformat.v4.new_code_cell(source, id=f"c{n}") for n, source in enumerate(sources)]
    notebook = nbformat.v4.new_notebook(cells=cells, metadata={"kernelspec": KERNEL})
    sign_made(notebook)
    write_notebook(notebook, path)


def test_the_cell_and_the_notebook_of_ones_own_run_are_accepted_and_a_changed_row_is_found_in_both(tmp_path):
    shutil.copyfile(SAMPLE / "lantern_moor_2024.csv", tmp_path / "log.csv")
    opened = 'from workbench.notebook import open_season, show\nseason = open_season("log.csv")'
    write_cells(tmp_path / "01_toy.ipynb", opened, OWN_CELL)
    write_cells(tmp_path / "08_mine.ipynb", OWN_NOTEBOOK)
    assert [(run.problem, run.checks) for run in run_notebooks(tmp_path)] == [("", 0), ("", 1)]
    accept_notebooks(tmp_path)
    assert all(verdict.same for verdict in verify_notebooks(tmp_path))
    lines = (tmp_path / "log.csv").read_text(encoding="utf-8").splitlines()
    row = next(n for n, line in enumerate(lines) if ",working," in line and ",A1," in line)
    lines[row] = lines[row].replace(",working,", ",withdrawn,").replace(",A1,", ",A2,")
    (tmp_path / "log.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    picture, batches = (" ".join(verdict.sentences) for verdict in verify_notebooks(tmp_path))
    assert "My own picture" in picture
    assert re.search(r"Deployments by batch, A1, deployments was \d+, is \d+ \(1 less\)", batches)


def test_the_guide_names_every_grade_and_every_setting_once():
    for grade in (rule.grade for rule in RULES):
        assert GUIDE.count(f"\n| {grade} |") == 1
    shown = [key for _, table in settings_shown() for key in table["key"]]
    assert sorted(shown) == sorted(key.key for key in setting_keys())
    assert all(len(table) <= 40 for _, table in settings_shown())  # a longer one would be cut where it is shown


def test_a_curve_is_read_at_the_day_that_is_asked():
    """Ten units, two of which fail on day 5: 80 % from there on; beyond what was watched nothing is said."""
    curve = survival_curve(Lives.from_arrays([5, 5] + [10] * 8, [1, 1] + [0] * 8))
    at = curve.at([7]).iloc[0]
    said = " ".join(curve_in_words(curve, 7))
    assert "At day 7 the line stands at 80 %: of 100 units like these about 80 still work" in said
    assert f"from {100 * at['lower']:.0f} to {100 * at['upper']:.0f} %" in said
    assert curve_in_words(curve, 30) == ["What happens by day 30 was not observed, so the line ends before it."]


def test_limits_by_units_are_the_exact_ones():
    table = limits_by_units(0.2, [10, 100]).table
    assert list(table["label"]) == ["2 of 10 failed", "20 of 100 failed"]
    for row, (failed, units) in zip(table.itertuples(), ((2, 10), (20, 100)), strict=True):
        assert (row.lower, row.upper) == pytest.approx(proportion_interval(failed, units))


def test_a_season_that_ranks_nothing_counts_no_grade():
    counted = grades_counted(None)
    assert counted.table["comparisons"].sum() == 0
    assert counted.notes == ("Nothing could be ranked this season.",)


class _Skill:
    def __init__(self, **figures):
        self.skill, self.why_not = figures, "Nothing can be held out."


def test_whether_predictions_are_worth_anything_is_said_in_one_sentence():
    assert skill_in_words(_Skill(verdict="no skill")).startswith("No: ")
    assert skill_in_words(_Skill(verdict="no skill can be shown")) == "It cannot be said: nothing can be held out."
    told = skill_in_words(_Skill(verdict="skill", skill=0.25, lower=0.1, upper=0.4))
    assert told == "In part: for places held out, 25 % of the error is taken away (10 to 40 %)."
    assert np.char.count(told, ".") == 1
