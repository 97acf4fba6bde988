"""Failing disks: whichever write, move or removal fails, the earlier review, notebook, workbook or list stays whole."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import nbformat
import pytest

from tests.faults import FULL, INTERRUPT, READ_ONLY, few_notebooks, inject, small_log, tree
from tests.notebook.signed import write_own
from workbench.errors import WorkbenchError
from workbench.filing import MANIFEST, Permit, write_file, write_together
from workbench.notebook.accepting import ACCEPTED, accept_notebooks
from workbench.notebook.notebook_folder import make_season_folder
from workbench.notebook.running import read_notebook, write_notebook

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize("error", [FULL, READ_ONLY, INTERRUPT])
def test_a_review_is_replaced_whole_or_not_at_all(tmp_path, error):
    names = ["review.html", "summary.html", "review.pptx", "findings.json", "set_aside.csv", "ledger.csv"]
    folder = tmp_path / "out"
    folder.mkdir()
    old, new = ({name: f"{age} {name}".encode() * 999 for name in names} for age in ("old", "new"))
    write_together(folder, old, Permit(replace=True))
    faults = 0
    for copy, raised, steps in inject(folder, lambda copy: write_together(copy, new, Permit(replace=True)), error):
        if raised is None:
            assert tree(copy) == new
        else:
            faults += 1
            assert raised is INTERRUPT or (isinstance(raised, WorkbenchError) and error.strerror in str(raised))
            assert tree(copy) == old, steps[-1]
            assert not [p for p in copy.iterdir() if p.is_dir()]
    assert faults >= 6 * 5


@pytest.mark.parametrize("error", [FULL, READ_ONLY, INTERRUPT])
def test_notebooks_are_accepted_whole_or_not_at_all(tmp_path, error):
    folder = tmp_path / "season"
    (folder / ACCEPTED).mkdir(parents=True)
    for name in ("01_a.ipynb", "02_b.ipynb"):
        write_own(_notebook("old"), folder / ACCEPTED / name)
        write_own(_notebook("new"), folder / name)
    before = tree(folder)
    faults = 0
    for copy, raised, steps in inject(folder, accept_notebooks, error):
        after = {k: v for k, v in tree(copy).items() if not k.startswith(".accepted")}
        if raised is None:
            assert all(_text(copy / ACCEPTED / n) == "new" for n in ("01_a.ipynb", "02_b.ipynb"))
        else:
            faults += 1
            known = isinstance(raised, WorkbenchError) and error.strerror in str(raised)
            assert raised is INTERRUPT or known, steps[-1]
            assert after == before, steps[-1]
        assert {p.name for p in copy.iterdir()} == {"01_a.ipynb", "02_b.ipynb", ACCEPTED}, steps[-1]
    assert faults >= 6


def test_an_accept_that_was_cut_off_between_its_two_moves_is_completed_by_the_next_look(tmp_path):
    """A power cut after the old copies were moved away and before the new ones came: none may be lost."""
    write_own(_notebook("new"), tmp_path / "01_a.ipynb")
    (tmp_path / ".accepted.old").mkdir()
    write_own(_notebook("old"), tmp_path / ".accepted.old" / "01_a.ipynb")
    verdict = accept_notebooks(tmp_path)[0]
    assert not verdict.same and _text(tmp_path / ACCEPTED / "01_a.ipynb") == "new"


def test_a_notebook_is_written_whole_or_not_at_all(tmp_path):
    folder = tmp_path / "season"
    folder.mkdir()
    write_own(_notebook("old"), folder / "01_a.ipynb")
    before, faults = tree(folder), 0
    for copy, raised, steps in inject(folder, lambda copy: write_notebook(_notebook("new"), copy / "01_a.ipynb"), FULL):
        if raised is None:
            assert _text(copy / "01_a.ipynb") == "new"
        else:
            faults += 1
            assert tree(copy) == before, steps[-1]
    assert faults >= 3


def test_one_file_is_written_whole_or_not_at_all(tmp_path):
    folder = tmp_path / "lists"
    folder.mkdir()
    write_file(folder / "list.csv", b"old", Permit(replace=True))
    faults = 0
    for copy, raised, steps in inject(
        folder, lambda copy: write_file(copy / "list.csv", b"new", Permit(replace=True)), FULL
    ):
        faults += raised is not None
        assert tree(copy) == {"list.csv": b"old" if raised else b"new"}, steps
    assert faults >= 2


def test_a_season_folder_that_could_not_be_made_can_be_completed_later(tmp_path, monkeypatch):
    few_notebooks(monkeypatch)
    folder, faults = tmp_path / "empty", 0
    folder.mkdir()
    log = small_log(tmp_path)
    for copy, raised, _ in inject(folder, lambda copy: make_season_folder(copy / "s", log=str(log)), FULL):
        faults += raised is not None
        assert raised is None or isinstance(raised, WorkbenchError), raised
        made = copy / "s"
        make_season_folder(made, log=str(log))
        assert (made / log.name).read_bytes() == log.read_bytes()
        assert len(list(made.glob("*.ipynb"))) == 3
        assert all(read_notebook(p).cells for p in made.glob("*.ipynb"))
    assert faults >= 6


def _notebook(text):
    output = nbformat.v4.new_output(
        "display_data", {"text/plain": text}, metadata={"workbench": {"check": "it holds", "numbers": {}}}
    )
    cell = nbformat.v4.new_code_cell("check()", execution_count=1, outputs=[output], id="a")
    return nbformat.v4.new_notebook(cells=[cell])


def _text(path):
    return read_notebook(path).cells[0].outputs[0]["data"]["text/plain"]


KILLING = """
import json, os, shutil, signal, sys
from pathlib import Path
import pytest
from tests.faults import Failing, tree

class Killing(Failing):
    def step(self, name, *paths):
        if any(str(p).startswith(self.folder) for p in paths):
            self.steps.append(name)
            if len(self.steps) == self.at:
                os.kill(os.getpid(), signal.SIGKILL)

def ages(folder, old, new):
    return {name: "old" if data == old.get(name) else "new" if data == new.get(name) else "spoilt"
            for name, data in tree(folder).items() if not name.startswith(".")}

def killed(base, prepare, act, look):
    for at in range(1, 200):
        folder = base / str(at)
        prepare(folder)
        child = os.fork()
        if not child:
            Killing(pytest.MonkeyPatch(), folder, at, None)
            act(folder)
            os._exit(0)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        first = look(folder)
        act(folder)
        print(json.dumps([code, first, look(folder)]))
        if code == 0:
            break
"""
REVIEW = """
from workbench.filing import Permit, write_together
names = sys.argv[2:]
old, new = ({name: f"{age} {name}".encode() * 999 for name in names} for age in ("old", "new"))
own = Permit()
killed(Path(sys.argv[1]), lambda f: write_together(f, old, own), lambda f: write_together(f, new, own),
       lambda f: ages(f, old, new))
"""
ACCEPT = """
from tests.test_faults import _notebook, _text
from workbench.notebook.accepting import ACCEPTED, accept_notebooks, _restore_accepted
from tests.notebook.signed import write_own
names = sys.argv[2:]
def prepare(folder):
    folder.mkdir()
    for age in ("old", "new"):
        for name in names:
            write_own(_notebook(age), folder / name)
        if age == "old":
            accept_notebooks(folder)
def look(folder):
    _restore_accepted(folder)
    return {path.name: _text(path) for path in (folder / ACCEPTED).iterdir()}
killed(Path(sys.argv[1]), prepare, accept_notebooks, look)
"""


def _killed_at_each_step(script, base, names):
    command = [sys.executable, "-c", KILLING + script, str(base), *names]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
    *steps, last = [json.loads(line) for line in done.stdout.splitlines()]
    assert last == [0, dict.fromkeys(names, "new"), dict.fromkeys(names, "new")]
    assert all(code == -signal.SIGKILL and again == dict.fromkeys(names, "new") for code, _, again in steps)
    return [first for _, first, _ in steps]


def test_a_review_that_is_killed_is_the_old_one_but_for_the_moment_of_its_moves_and_the_next_is_whole(tmp_path):
    """At each step the program is killed outright. No file is ever half; only between the first and the last of the
    moves, which follow each other at once, do files of two reviews stand together, and the next review mends that."""
    names = ["review.html", "summary.html", "review.pptx", "findings.json", "set_aside.csv", "ledger.csv"]
    found = _killed_at_each_step(REVIEW, tmp_path, names)
    assert len(found) >= 6 * 4 and not [ages for ages in found if "spoilt" in ages.values()]
    before_moves = found[: len(found) - len([*names, MANIFEST])]
    assert before_moves == [dict.fromkeys(names, "old")] * len(before_moves)


def test_an_accept_that_is_killed_leaves_the_accepted_copies_of_before_or_the_new_ones(tmp_path):
    names = ["01_a.ipynb", "02_b.ipynb"]
    found = _killed_at_each_step(ACCEPT, tmp_path, names)
    assert len(found) >= 6 and all(ages in (dict.fromkeys(names, "old"), dict.fromkeys(names, "new")) for ages in found)


def test_what_a_killed_review_left_behind_is_removed_by_a_later_one(tmp_path):
    for name, age in ((".workbench-old", 7200), (".workbench-running", 60)):
        (tmp_path / name).mkdir()
        (tmp_path / name / "review.html").write_text("half")
        then = time.time() - age
        os.utime(tmp_path / name, (then, then))
    write_together(tmp_path, {"review.html": b"whole"}, Permit(replace=True))
    assert sorted(p.name for p in tmp_path.iterdir()) == [".workbench-running", MANIFEST, "review.html"]
