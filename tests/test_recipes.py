"""The recipes of DEVELOPERS.md, followed in a copy of the package: what a line adds works wherever they say."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

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

TALK_SLIDE = '''"""What does the talk say of keels?"""

from workbench.report.basis import Finding
from workbench.report.talk.told import Told

__all__ = ["keel_slide"]


def keel_slide(told: Told) -> Finding | None:
    """Which keels there were; None where no log names one."""
    if "keel.shapes" not in told.findings:
        return None
    found = told.findings["keel.shapes"]
    return told.slide(
        "keel",
        "Two shapes of keel went out",
        points=["Fins and bulbs went out."],
        say="Two shapes of keel went out.",
        behind=["keel.shapes"],
        table=found.table,
    )
'''
APPENDIX_SLIDE = '''"""Which keels were there?"""

from workbench.report.basis import Finding, SeasonData

__all__ = ["keel_findings"]


def keel_findings(data: SeasonData) -> list[Finding]:
    """Return how many keels of each shape went out."""
    counts = data.log.records["keel_shape"].value_counts()
    return [
        Finding(
            id="keel.shapes",
            kind="count",
            headline="Keels that went out",
            section="outcome",
            order=9,
            statement=f"Keels went out in {len(counts)} shapes.",
            method="Counted from the log.",
            units=data.lives.units,
            table={"keel": list(counts.index), "units": [int(n) for n in counts]},
        )
    ]
'''
SLIDES_WORK = """
import json
import sys

import pandas as pd
import workbench
from pptx import Presentation

log = pd.DataFrame({
    "unit_id": [f"K{n}" for n in range(12)], "deployed_on": "2025-03-01", "site": ["north", "south"] * 6,
    "outcome": ["failed", "working", "working"] * 4, "found_on": ["2025-05-01", "2025-09-01", "2025-09-01"] * 4,
    "lid_seal": ["o_ring", "cord"] * 6, "keel_shape": ["fin", "bulb", "fin"] * 4,
})
log.to_csv(sys.argv[1] + "/log.csv", index=False)
made = workbench.review(sys.argv[1] + "/log.csv", sys.argv[1] + "/review", mission=90)
told = {f["id"]: f for f in json.loads(made.findings.read_text(encoding="utf-8"))["findings"]}
assert told["keel.shapes"]["statement"] == "Keels went out in 2 shapes.", list(told)
assert told["talk.keel"]["headline"].startswith("Two shapes of keel"), list(told)
page = made.html.read_text(encoding="utf-8")
assert "About keels" in page and "Two shapes of keel went out" in page and "Keels that went out" in page
slides = [s.text_frame.text for slide in Presentation(str(made.pptx)).slides for s in slide.shapes if s.has_text_frame]
assert any("Two shapes of keel went out" in text for text in slides)
"""


@pytest.fixture
def copy(tmp_path):
    shutil.copytree(PACKAGE, tmp_path / "workbench")  # with what is compiled: only changed modules are, again
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


def replaced(place, old, new):
    """Write a line of a file anew; it must stand there once."""
    text = place.read_text(encoding="utf-8")
    assert text.count(old) == 1, (place, old)
    place.write_text(text.replace(old, new), encoding="utf-8")


def test_a_slide_is_a_function_its_name_and_its_topic(copy):
    report = copy / "workbench/report"
    (report / "talk/keels.py").write_text(TALK_SLIDE, encoding="utf-8")
    replaced(report / "talk/telling.py", "    decide_slide,\n)", "    decide_slide,\n    keel_slide,\n)")
    first = "from workbench.report.talk.next_season"
    replaced(report / "talk/telling.py", first, f"from workbench.report.talk.keels import keel_slide\n{first}")
    replaced(
        report / "talk/told.py", '    "decide": "Decide",\n', '    "decide": "Decide",\n    "keel": "About keels",\n'
    )
    (report / "findings/findings_keels.py").write_text(APPENDIX_SLIDE, encoding="utf-8")
    last = '    "findings_aside.set_aside_findings",\n'
    replaced(report / "making/assembly.py", last, f'{last}    "findings_keels.keel_findings",\n')
    works_in(copy, SLIDES_WORK)


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
