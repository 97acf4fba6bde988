"""A run, a verify or a new season folder cut off: each file is the old one or the new one, and the next run works."""

import builtins
import io
import json
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import nbformat
import numpy as np
import pytest

from tests.faults import DAMAGED, FULL, INTERRUPT, READ_ONLY, few_notebooks, inject, small_log, tree
from tests.notebook.signed import write_own
from tests.spoiling import TEXT_DAMAGE
from workbench.errors import UsageError, WorkbenchError
from workbench.notebook import running
from workbench.notebook.accepting import ACCEPTED, accept_notebooks, verify_notebooks
from workbench.notebook.notebook_folder import make_season_folder
from workbench.notebook.running import outputs_problem, read_notebook, run_notebooks
from workbench.notebook.signing import sign_run

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
CHECKED = {"workbench": {"check": "it holds", "numbers": {}}}
HOLDS = f"from IPython.display import display\ndisplay({{'text/plain': 'new'}}, raw=True, metadata={CHECKED!r})"
NAMES = ("01_a.ipynb", "02_b.ipynb")


def notebook(text, source=HOLDS):
    output = nbformat.v4.new_output("display_data", {"text/plain": text}, metadata=CHECKED)
    cell = nbformat.v4.new_code_cell(source, execution_count=1, outputs=[output], id="a")
    return nbformat.v4.new_notebook(cells=[cell])


def shown(path):
    return read_notebook(path).cells[0].outputs[0]["data"]["text/plain"]


@pytest.fixture
def season(tmp_path):
    """Two notebooks with old outputs and their accepted copies; a review beside them."""
    folder = tmp_path / "season"
    (folder / "review").mkdir(parents=True)
    (folder / "review" / "summary.html").write_bytes(b"old")
    for name in NAMES:
        write_own(notebook("old"), folder / name)
    accept_notebooks(folder)
    return folder


@pytest.fixture
def kernel(monkeypatch):
    """Stands for the kernel where only the disk counts: gives every cell its new output at once."""

    def execute(node, folder, stops):
        node.cells[0].outputs[0]["data"]["text/plain"] = "new"
        return ""

    monkeypatch.setattr(running, "_execute", execute)


@pytest.mark.parametrize(
    "error", [FULL, READ_ONLY, DAMAGED, INTERRUPT], ids=["full", "read-only", "damaged", "keyboard"]
)
@pytest.mark.parametrize("lasting", [False, True], ids=["once", "lasting"])
def test_a_run_leaves_every_notebook_old_or_new(season, kernel, error, lasting):
    before, faults = tree(season), 0
    for copy, raised, steps in inject(season, run_notebooks, error, reading=True, lasting=lasting):
        after = tree(copy)
        assert set(after) == set(before), steps[-1]
        assert {k: v for k, v in after.items() if k not in NAMES} == {k: v for k, v in before.items() if k not in NAMES}
        assert all(after[n] == before[n] or shown(copy / n) == "new" for n in NAMES)
        faults += 1
        assert raised is None or raised is error is INTERRUPT or isinstance(raised, WorkbenchError), raised
        assert [r.problem for r in run_notebooks(copy)] == ["", ""]
        assert all(shown(copy / n) == "new" for n in NAMES)
    assert faults > 2 * 5


@pytest.mark.parametrize("error", [FULL, DAMAGED, INTERRUPT], ids=["full", "damaged", "keyboard"])
def test_verify_changes_nothing_whichever_step_fails(season, monkeypatch, error):
    def execute(node, folder, stops):
        node.cells[0].outputs, node.cells[0].execution_count = notebook("old").cells[0].outputs, 1
        return ""

    monkeypatch.setattr(running, "_execute", execute)
    before, faults = tree(season), 0
    for copy, raised, steps in inject(season, verify_notebooks, error, reading=True):
        faults += raised is not None
        assert raised is None or raised is INTERRUPT or isinstance(raised, WorkbenchError)
        assert tree(copy) == before, steps[-1]
        assert all(v.same for v in verify_notebooks(copy))
    assert faults >= 4


@pytest.mark.parametrize("error", [DAMAGED, INTERRUPT], ids=["damaged", "keyboard"])
def test_accepting_keeps_the_accepted_copies_whole_when_reading_fails(season, kernel, error):
    run_notebooks(season)
    before, faults = tree(season / ACCEPTED), 0
    for copy, raised, steps in inject(season, accept_notebooks, error, reading=True):
        if raised is None:
            assert all(shown(copy / ACCEPTED / n) == "new" for n in NAMES)
        else:
            faults += 1
            assert raised is INTERRUPT or isinstance(raised, WorkbenchError)
            assert tree(copy / ACCEPTED) == before, steps[-1]
        assert not [p.name for p in copy.iterdir() if p.name.startswith(".")]
    assert faults >= 12


@pytest.mark.parametrize("error", [READ_ONLY, DAMAGED, INTERRUPT], ids=["read-only", "damaged", "keyboard"])
def test_a_season_folder_cut_off_while_it_is_made_is_completed_later(tmp_path, error, monkeypatch):
    few_notebooks(monkeypatch)
    folder, faults = tmp_path / "empty", 0
    folder.mkdir()
    log = small_log(tmp_path)

    def make(copy):
        return make_season_folder(copy / "s", log=str(log))

    for copy, raised, steps in inject(folder, make, error, reading=True):
        faults += raised is not None
        assert raised is None or raised is INTERRUPT or isinstance(raised, WorkbenchError), steps[-1]
        make(copy)
        assert (copy / "s" / log.name).read_bytes() == log.read_bytes()
        assert len(list((copy / "s").glob("*.ipynb"))) == 3
        assert not [p.name for p in (copy / "s").iterdir() if p.name.startswith(".")]
    assert faults >= 12


# --- the kernel, a process of its own -------------------------------------------------------------------------------

FULL_DISK = """
import resource, signal
from pathlib import Path
from workbench.filing import Permit, write_together
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (5000, resource.RLIM_INFINITY))
try:
    write_together(Path("review"), {"summary.html": b"new", "review.html": b"x" * 100_000}, Permit(replace=True))
finally:
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
"""


@pytest.mark.parametrize(
    ("source", "problem"),
    [
        ("import os, signal\nos.kill(os.getpid(), signal.SIGKILL)", "its kernel died"),
        ("import os\nos._exit(3)", "its kernel died"),
        (FULL_DISK, "stopped: WorkbenchError: nothing could be written to review: File too large"),
        ("raise KeyboardInterrupt", "stopped: KeyboardInterrupt"),
        ("import sys; sys.exit(2)", "stopped: SystemExit"),
    ],
    ids=["killed", "exits", "disk full", "interrupted", "leaves"],
)
def test_a_kernel_that_dies_or_cannot_write_leaves_the_notebook_and_the_review_of_before(season, source, problem):
    write_own(notebook("old", source), season / NAMES[0])
    before = tree(season)
    first, second = run_notebooks(season)
    assert problem in first.problem and second.problem == ""
    after = tree(season)
    assert {k: v for k, v in after.items() if k != NAMES[1]} == {k: v for k, v in before.items() if k != NAMES[1]}
    assert shown(season / NAMES[1]) == "new"


def test_a_kernel_that_cannot_be_started_is_a_sentence(season, monkeypatch, tmp_path):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone"))  # where a kernel's connection is written
    before = tree(season)
    assert all("its kernel could not be started (" in run.problem for run in run_notebooks(season))
    assert tree(season) == before


def test_what_a_run_writes_is_its_owners_alone_and_keeps_permissions_that_were_given(season):
    (season / NAMES[1]).chmod(0o640)
    (season / ACCEPTED).chmod(0o750)
    source = HOLDS + "\nfrom pathlib import Path\nPath('mine.csv').write_text('x')\nPath('figures').mkdir()"
    write_own(notebook("old", source), season / NAMES[0])
    assert [run.problem for run in run_notebooks(season)] == ["", ""]
    accept_notebooks(season)
    modes = {str(p.relative_to(season)): p.stat().st_mode & 0o777 for p in season.rglob("*")}
    assert modes[NAMES[0]] == modes["mine.csv"] == modes[f"{ACCEPTED}/{NAMES[0]}"] == 0o600
    assert modes["figures"] == 0o700
    assert modes[NAMES[1]] == modes[f"{ACCEPTED}/{NAMES[1]}"] == 0o640 and modes[ACCEPTED] == 0o750


def test_a_run_that_is_killed_leaves_no_kernel_and_the_next_run_works(season):
    """The program is ended by a signal while a cell runs; its kernel notices within a second and ends too."""
    source = (
        "import os, time\nfrom pathlib import Path\nPath('kernel.pid').write_text(str(os.getpid()))\ntime.sleep(60)"
    )
    write_own(notebook("old", source), season / NAMES[0])
    before, told = tree(season), season / "kernel.pid"
    for sign, code in ((signal.SIGINT, 130), (signal.SIGKILL, -signal.SIGKILL)):
        command = [sys.executable, "-m", "workbench", "notebooks", str(season)]
        program = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        _wait(lambda: told.exists() and told.read_text(), program)
        program.send_signal(sign)
        said = program.communicate(timeout=60)[1]
        assert program.returncode == code and "Traceback" not in said, said
        kernel = int(told.read_text())
        told.unlink()
        _wait(lambda kernel=kernel: not Path(f"/proc/{kernel}").exists())
        assert tree(season) == before
    write_own(notebook("old"), season / NAMES[0])
    assert [run.problem for run in run_notebooks(season)] == ["", ""]


def _wait(until, program=None, seconds=60):
    deadline = time.monotonic() + seconds
    while not until():
        assert time.monotonic() < deadline
        assert program is None or program.poll() is None, program.communicate()
        time.sleep(0.05)


# --- damaged notebooks ----------------------------------------------------------------------------------------------


def _places(node, at=()):
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in items:
        yield (*at, key)
        yield from _places(value, (*at, key))


def _damaged(chance, sound):
    """A notebook whose bytes are spoiled, or whose parts are taken out or replaced by what does not belong there."""
    data = json.dumps(sound).encode()
    if chance.random() < 0.4:
        return TEXT_DAMAGE[chance.integers(len(TEXT_DAMAGE))](data, chance)
    spoilt = json.loads(data)
    places = list(_places(spoilt))
    for _ in range(int(chance.integers(1, 3))):
        *way, last = places[chance.integers(len(places))]
        try:
            node = spoilt
            for key in way:
                node = node[key]
            node[last] = (None, 1, -1, "", [], {}, "x", True, 1e308, [[]], {"a": 1})[chance.integers(11)]
            if chance.random() < 0.3:
                del node[last]
        except (KeyError, IndexError, TypeError):
            continue
    return json.dumps(spoilt).encode()


@pytest.fixture(scope="module")
def shipped():
    """The first cells of a shipped notebook, without its pictures."""
    sound = json.loads((ROOT / "notebooks" / "01_intake.ipynb").read_text(encoding="utf-8"))
    sound["cells"] = sound["cells"][:8]
    for cell in sound["cells"]:
        cell["outputs"] = [o for o in cell.get("outputs", []) if "image/png" not in o.get("data", {})]
        if cell["cell_type"] != "code":
            del cell["outputs"]
    return sound


@pytest.mark.parametrize("first", range(0, 400, 100))
def test_a_damaged_notebook_is_taken_or_refused_in_a_sentence(tmp_path, shipped, first):
    path = tmp_path / "01_a.ipynb"
    write_own(nbformat.from_dict(shipped), path)
    accept_notebooks(tmp_path)
    verdicts = []
    for seed in range(first, first + 100):
        path.write_bytes(_damaged(np.random.default_rng(seed), shipped))
        try:
            outputs_problem(read_notebook(path))
            sign_run(read_notebook(path))
            verdicts.append(accept_notebooks(tmp_path)[0].same)
        except WorkbenchError as error:
            assert path.name in str(error) and "\n" not in str(error) and len(str(error)) < 600
    assert verdicts


def test_a_damaged_notebook_does_not_stop_the_others(season):
    (season / NAMES[0]).write_text("[]")
    runs = run_notebooks(season)
    assert runs[0].problem == "01_a.ipynb is no notebook that can be read; restore it or make it anew"
    assert runs[1].problem == ""


def test_a_log_that_cannot_be_read_makes_no_season_folder_in_a_sentence(tmp_path, monkeypatch):
    """The refusal is put in by hand: a superuser may read a file whatever its permissions say."""
    log = tmp_path / "log.csv"
    log.write_text("x")
    real = io.open

    def refused(file, *arguments, **named):
        if str(file) == str(log):
            raise PermissionError(13, "Permission denied", str(log))
        return real(file, *arguments, **named)

    monkeypatch.setattr(io, "open", refused)
    monkeypatch.setattr(builtins, "open", refused)
    with pytest.raises(UsageError, match=r"log\.csv cannot be read \(Permission denied\)"):
        make_season_folder(tmp_path / "s", log=str(log))
