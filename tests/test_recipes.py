"""The recipes of DEVELOPERS.md, followed in a copy of the package: what a line adds works wherever they say."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "workbench"

COLUMNS = (
    "log,keel_depth_m,number,m,exposure,,,,,0,40,Depth of the keel below the mean water line.,keel depth,\n"
    "log,keel_mark_mm,number,mm,condition,seal,,,,0,90,Depth of the mark that the keel left.,keel mark,\n"
)
COLUMN_WORKS = """
import sys
import openpyxl
import pandas as pd
from workbench.log.season_log import read_log
from workbench.log.writing import write_blank
from workbench.teardown.sheets import write_blank_sheet

folder = sys.argv[1]
log = read_log(pd.DataFrame({
    "unit": ["A", "B", "C"], "deployed_on": ["2025-03-01"] * 3, "outcome": ["working"] * 3,
    "last_good_on": ["2025-06-01"] * 3, "Keel depth": ["1.5", "2", "99"],
}))
assert log.records["keel_depth_m"].tolist()[:2] == [1.5, 2.0], log.records
assert [(p.column, p.value) for p in log.problems.itertuples()] == [("Keel depth", "99")], log.problems
assert "keel_depth_m" in log.lives().covariates
book = openpyxl.load_workbook(write_blank(folder + "/blank.xlsx"))
heads = [cell.value for cell in book["Log"][1]]
assert "keel_mark_mm" in heads, heads
sheet = write_blank_sheet(folder + "/sheet.html").read_text(encoding="utf-8")
assert "keel mark" in sheet.lower() and "keel depth" not in sheet.lower()
"""

FAMILY = """
FAMILIES["rayleigh"] = Family(
    "rayleigh", _sev_exact, _sev_survived, _sev_ended, _sev_between, _sev_survival, _sev_quantile, 0.5
)
"""
DISTRIBUTION_WORKS = """
import numpy as np
from workbench import Lives, fit_distribution, fit_time_ratios

time, failed = np.array([3.0, 5, 8, 13, 21, 30]), np.array([1, 1, 0, 1, 1, 0])
lives = Lives.from_arrays(time, failed, covariates={"seal": list("aabbab")})
fit = fit_distribution(lives, "rayleigh")
closed = float(np.sqrt((time**2).sum() / failed.sum()))
assert abs(fit.parameters["scale"] - closed) < 1e-6 * closed, (fit.parameters, closed)
assert abs(float(fit.survival(closed)) - np.exp(-1)) < 1e-6
ratios = fit_time_ratios(lives, ["seal"], distribution="rayleigh")
held = np.array([t == "b" for t in "aabbab"])
by_hand = np.sqrt((time[held] ** 2).sum() / failed[held].sum() / ((time[~held] ** 2).sum() / failed[~held].sum()))
assert abs(ratios.table.time_ratio.iloc[0] - by_hand) < 1e-6 * by_hand, (ratios.table, by_hand)
"""


@pytest.fixture
def copy(tmp_path):
    shutil.copytree(PACKAGE, tmp_path / "workbench", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path


def works_in(copy, script):
    done = subprocess.run(
        [sys.executable, "-c", script, str(copy)],
        cwd=copy,
        env=os.environ | {"PYTHONPATH": str(copy)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_a_column_is_one_line(copy):
    with (copy / "workbench/log/dictionary/columns.csv").open("a", encoding="utf-8") as table:
        table.write(COLUMNS)
    works_in(copy, COLUMN_WORKS)


def test_a_distribution_is_a_family_and_a_form(copy):
    """The maximum of Rayleigh lives in closed form: the scale squared is the sum of squared times per failure (Cohen,
    Whitten 1988, Parameter Estimation in Reliability and Life Span Models, from memory)."""
    families = copy / "workbench/estimate/likelihood/families.py"
    forms = copy / "workbench/estimate/life/life_forms.py"
    text = families.read_text(encoding="utf-8")
    families.write_text(text.replace("\n\ndef family_of", f"{FAMILY}\n\ndef family_of"), encoding="utf-8")
    text = forms.read_text(encoding="utf-8")
    line = '    "rayleigh": (("scale", 0, 1.0, True),),\n    "gamma":'
    forms.write_text(text.replace('    "gamma":', line, 1), encoding="utf-8")
    works_in(copy, DISTRIBUTION_WORKS)


def test_a_figure_is_a_function_and_a_line(copy):
    """Every result that the registry of figures names is drawn by a function of that name in its module."""
    script = """
from importlib import import_module
from workbench.report.figures.drawing import DRAWN_BY
assert len(DRAWN_BY) > 20
for result, where in DRAWN_BY.items():
    module, function = where.split(".")
    assert callable(getattr(import_module(f"workbench.report.figures.{module}"), function)), (result, where)
"""
    works_in(copy, script)
