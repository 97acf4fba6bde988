"""A season folder from log to verified notebooks, with small stories so that it takes seconds."""

import json
import shutil
from pathlib import Path

import nbformat
import pytest

from tests.notebook.signed import write_own
from workbench.cli import main
from workbench.errors import UsageError, WorkbenchError
from workbench.log.season_log import read_log
from workbench.notebook import running
from workbench.notebook.accepting import accept_notebooks, verify_notebooks
from workbench.notebook.building import build_notebook
from workbench.notebook.log_changes import changes_sentences, log_changes
from workbench.notebook.notebook_folder import jupyter_command, make_season_folder
from workbench.notebook.running import outputs_problem, read_notebook, run_notebooks, write_notebook
from workbench.notebook.season_folder import season_log
from workbench.notebook.signing import sign_made

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[2] / "sample_data"

STORY = """# Toy

Counts of the season.

```python
from workbench.notebook import check, open_season, show

season = open_season(LOG_PATH)
ends = season.log.records["outcome"].value_counts().rename_axis("outcome").rename("deployments").reset_index()
show(table=ends, title="Ends")
check("every row ended somehow", int(ends["deployments"].sum()) == season.log.used)
```
"""


@pytest.fixture(scope="module")
def run_season(tmp_path_factory):
    """A folder with the sample log and one small notebook, run once for all tests here, none of which writes to it."""
    folder = tmp_path_factory.mktemp("run") / "season"
    folder.mkdir()
    shutil.copyfile(SAMPLE / "lantern_moor_2024.csv", folder / "log.csv")
    write_own(build_notebook(STORY, "log.csv", name="toy"), folder / "01_toy.ipynb")
    runs = run_notebooks(folder)
    assert [(r.name, r.problem, r.checks) for r in runs] == [("01_toy.ipynb", "", 1)]
    return folder


@pytest.fixture
def season(run_season, tmp_path):
    """A copy of that folder for one test."""
    return Path(shutil.copytree(run_season, tmp_path / "season"))


def test_verify_after_nothing_says_that_all_is_as_accepted(season):
    accept_notebooks(season)
    verdicts = verify_notebooks(season)
    assert [s for v in verdicts for s in v.sentences] == ["01_toy.ipynb: every number and text is as accepted."]
    assert sorted(p.name for p in season.iterdir()) == ["01_toy.ipynb", "accepted", "log.csv"]


def test_verify_after_a_corrected_row_says_the_log_first_then_the_number(season):
    accept_notebooks(season)
    lines = (season / "log.csv").read_text(encoding="utf-8").splitlines()
    row = next(i for i, line in enumerate(lines) if ",working," in line)
    lines[row] = lines[row].replace(",working,", ",withdrawn,")
    (season / "log.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    sentences = verify_notebooks(season)[0].sentences
    assert "The log changed (as many rows, other content)" in sentences[0]
    assert any("Ends, working, deployments was" in s for s in sentences[1:])
    changes = log_changes(season)
    assert [(c.column, c.old, c.new) for c in changes] == [("outcome", "working", "withdrawn")]
    assert changes_sentences(changes)[0] == "The log changed in 1 unit:"
    assert f"{changes[0].unit_id}: outcome was working, is withdrawn" in changes_sentences(changes)[1]


def test_verify_after_a_broken_call_says_which_cell_stopped(season):
    accept_notebooks(season)
    accepted = season / "accepted" / "01_toy.ipynb"
    notebook = read_notebook(accepted)
    notebook.cells[1].source = notebook.cells[1].source.replace("== season.log.used", "== season.log.used + 1")
    write_own(notebook, accepted)
    verdict = verify_notebooks(season)[0]
    assert not verdict.same
    assert "does not hold: every row ended somehow" in verdict.sentences[0]


def test_accepting_again_shows_what_changed(season):
    assert all(v.same for v in accept_notebooks(season))
    notebook = read_notebook(season / "01_toy.ipynb")
    notebook.cells[1].source = notebook.cells[1].source.replace('title="Ends"', 'title="Endings"')
    write_own(notebook, season / "01_toy.ipynb")
    run_notebooks(season)
    verdict = accept_notebooks(season)[0]
    assert any("is now" in s or "no longer" in s for s in verdict.sentences)
    assert verify_notebooks(season)[0].same


def test_a_notebook_with_an_unexecuted_cell_or_without_checks_is_not_accepted(season):
    notebook = read_notebook(season / "01_toy.ipynb")
    notebook.cells.append(nbformat.v4.new_code_cell("1 + 1"))
    write_own(notebook, season / "01_toy.ipynb")
    with pytest.raises(WorkbenchError, match="code cell 2 was not executed"):
        accept_notebooks(season)
    assert not (season / "accepted").exists()


def test_only_what_a_run_here_left_is_accepted(season):
    """Outputs written by hand, numbers and checks alike, are no outputs of a run."""
    path = season / "01_toy.ipynb"
    run = path.read_bytes()
    for field, forged in [("statement", "every unit survived"), ("deployments", "[9]")]:
        notebook = read_notebook(path)
        if field == "statement":
            notebook.cells[1].outputs[-1].metadata.workbench["check"] = forged
        else:
            notebook.cells[1].outputs[0].metadata.workbench["tables"] = []
        write_notebook(notebook, path)
        assert outputs_problem(read_notebook(path)) == ""
        with pytest.raises(WorkbenchError, match=r"01_toy\.ipynb cannot be accepted: it was changed since .* ran it"):
            accept_notebooks(season)
        path.write_bytes(run)
    assert [v.same for v in accept_notebooks(season)] == [True]


def test_notebooks_from_elsewhere_are_programs_and_wait_for_trust(season, monkeypatch, tmp_path, capsys):
    """Another person's secret is another one, whatever came along in the folder."""
    accept_notebooks(season)
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(tmp_path / "another person"))
    capsys.readouterr()
    for more in ([], ["--verify"]):
        assert main(["notebooks", str(season), *more]) == 2
        said = capsys.readouterr()
        assert not said.out and said.err.count("\n") == 1
        assert "01_toy.ipynb came from elsewhere" in said.err and "is a program" in said.err and "--trust" in said.err
    assert main(["notebooks", str(season), "--accept"]) == 1
    monkeypatch.setattr(
        running, "_execute", lambda notebook, folder, stops: ""
    )  # its outputs are those of the run before
    assert main(["notebooks", str(season), "--trust"]) == 0
    assert main(["notebooks", str(season)]) == 0
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(tmp_path / "a third person"))
    assert main(["lab", str(season), "--no-browser"]) == 2
    assert "is a program" in capsys.readouterr().err


OWN = """import matplotlib.pyplot as plt
ends = {"failed": 3, "working": 5.25}
print(f"mean {sum(ends.values()) / 2:.9f}")
figure, ax = plt.subplots()
ax.plot([0, 1], [0.5, 0.25], label="mine")
show(figure=figure, title="My picture")
"""


def test_a_cell_and_a_notebook_of_ones_own_are_taken_along(season):
    """Their texts are compared with a tolerance, their pictures by the data behind them."""
    notebook = read_notebook(season / "01_toy.ipynb")
    notebook.cells.append(nbformat.v4.new_code_cell(OWN))
    sign_made(notebook)
    write_notebook(notebook, season / "01_toy.ipynb")
    mine = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("print(1 + 1)")], metadata=notebook.metadata)
    sign_made(mine)
    write_notebook(mine, season / "07_mine.ipynb")
    assert [r.problem for r in run_notebooks(season)] == ["", ""]
    assert [v.name for v in accept_notebooks(season)] == ["01_toy.ipynb", "07_mine.ipynb"]
    accepted = season / "accepted" / "01_toy.ipynb"
    for now, said in (("8.2500001 ", None), ("0.26", "My picture")):
        notebook = read_notebook(accepted)
        source = notebook.cells[-1].source
        notebook.cells[-1].source = (
            source.replace("0.25]", "0.26]") if said else source.replace("/ 2:.9f", "/ 2 * (1 + 1e-8):.9f")
        )
        sign_made(notebook)
        write_notebook(notebook, accepted)
        sentences = [s for v in verify_notebooks(season) for s in v.sentences]
        assert all("as accepted" in s for s in sentences) if said is None else any(said in s for s in sentences), now
        notebook.cells[-1].source = source
        write_own(notebook, accepted)


def test_accepting_a_folder_never_run_runs_it_first(season):
    for path in season.glob("*.ipynb"):
        notebook = build_notebook(STORY, "log.csv", name="toy")
        sign_made(notebook)
        write_notebook(notebook, path)
    assert [v.name for v in accept_notebooks(season)] == ["01_toy.ipynb"]
    assert verify_notebooks(season)[0].same


def test_what_stands_in_stored_outputs_is_shown_on_its_line_and_acts_on_no_terminal(season, capsys):
    notebook = read_notebook(season / "01_toy.ipynb")
    for output in notebook.cells[1].outputs:
        if "tables" in output.metadata.get("workbench", {}):
            output.metadata.workbench["name"] = "Ends\n02_b.ipynb: every number is as accepted.\x1b[2J\u202e"
            output.metadata.workbench["tables"] = [{"outcome": ["\x1b]0;x\x07"], "deployments": [1]}]
    write_own(notebook, season / "01_toy.ipynb")
    accept_notebooks(season)
    assert main(["notebooks", str(season), "--verify"]) == 1
    said = "".join(capsys.readouterr())
    assert "\\x1b[2J\\u202e" in said and "\x1b" not in said and "\u202e" not in said and "\x07" not in said
    assert not any(line.startswith("02_b") for line in said.splitlines())


def test_outputs_that_bar_trust_are_named():
    cell = nbformat.v4.new_code_cell("1 + 1", execution_count=1)
    assert "no check" in outputs_problem(nbformat.v4.new_notebook(cells=[cell]))
    shown = nbformat.v4.new_output("execute_result", {"text/plain": "2"}, execution_count=1)
    cell = nbformat.v4.new_code_cell("1 + 1", execution_count=1, outputs=[shown])
    assert outputs_problem(nbformat.v4.new_notebook(cells=[cell])) == ""
    cell = nbformat.v4.new_code_cell("plot();", execution_count=1)
    assert "semicolon" in outputs_problem(nbformat.v4.new_notebook(cells=[cell]))
    warned = nbformat.v4.new_output("stream", name="stderr", text="UserWarning: old\n")
    cell = nbformat.v4.new_code_cell("f()", execution_count=1, outputs=[warned])
    assert "warned: UserWarning: old" in outputs_problem(nbformat.v4.new_notebook(cells=[cell]))


def test_outputs_hold_no_times_or_addresses(run_season):
    text = (run_season / "01_toy.ipynb").read_text(encoding="utf-8")
    assert "iopub" not in text and " at 0x" not in text and str(run_season) not in text


def test_commands_report_as_json_and_by_exit_code(season, capsys):
    assert main(["notebooks", str(season), "--accept"]) == 0
    assert main(["notebooks", str(season), "--verify", "--json"]) == 0
    told = json.loads(capsys.readouterr().out.split("1 notebook accepted.\n", 1)[1])
    assert told == [
        {
            "notebook": "01_toy.ipynb",
            "as_accepted": True,
            "sentences": ["01_toy.ipynb: every number and text is as accepted."],
        }
    ]
    (season / "log.csv").write_text("unit_id,deployed_on,outcome,found_on\n", encoding="utf-8")
    assert main(["notebooks", str(season), "--verify"]) == 1
    said = capsys.readouterr().out
    assert said.startswith("1 of 1 notebook differs from what was accepted.\n01_toy.ipynb: It did not run through")


def test_a_new_folder_gets_log_settings_and_its_notebooks_once(tmp_path):
    folder = tmp_path / "new"
    said = make_season_folder(folder, log=str(SAMPLE / "lantern_moor_2025.xlsx"))
    assert any("copied lantern_moor_2025.xlsx" in line for line in said)
    names = sorted(p.name for p in folder.glob("*.ipynb"))
    assert [n[:2] for n in names] == ["00", "01", "02", "03", "04", "05", "06", "07"]
    assert (folder.stat().st_mode & 0o077) == 0
    mine = folder / names[0]
    mine.write_text("{}", encoding="utf-8")
    assert make_season_folder(folder, log=str(SAMPLE / "lantern_moor_2025.xlsx")) == []
    assert mine.read_text(encoding="utf-8") == "{}"
    changed = tmp_path / "lantern_moor_2025.xlsx"
    changed.write_bytes(b"another")
    with pytest.raises(UsageError, match="work there is not overwritten"):
        make_season_folder(folder, log=str(changed))


def test_folders_without_a_log_are_refused_in_a_sentence(tmp_path):
    with pytest.raises(UsageError, match="holds no log"):
        season_log(tmp_path)
    with pytest.raises(UsageError, match="holds no log"):
        make_season_folder(tmp_path)
    with pytest.raises(UsageError, match="give a log with --log"):
        make_season_folder(tmp_path / "nowhere")
    with pytest.raises(UsageError, match="does not exist"):
        make_season_folder(tmp_path / "nowhere", log=str(tmp_path / "none.csv"))
    assert not (tmp_path / "nowhere").exists()


def test_a_folder_of_several_logs_is_one_season(tmp_path):
    lines = (SAMPLE / "lantern_moor_2024.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "north.csv").write_text("".join(lines[:50]), encoding="utf-8")
    (logs / "south.txt").write_text("".join([lines[0], *lines[50:]]), encoding="utf-8")
    (logs / "requirements.txt").write_text("numpy\n")
    said = make_season_folder(tmp_path / "s", log=str(logs))
    assert said[1:3] == ["copied north.csv", "copied south.txt"] and season_log(tmp_path / "s") == tmp_path / "s"
    code = read_notebook(next((tmp_path / "s").glob("01*.ipynb")))["cells"][1]["source"]
    assert 'open_season(".")' in code
    whole = read_log(SAMPLE / "lantern_moor_2024.csv", "none")
    assert read_log(tmp_path / "s").rows == whole.rows


def test_a_log_that_cannot_be_read_is_refused_once_and_not_copied(tmp_path, capsys):
    log = tmp_path / "theirs.csv"
    log.write_text("Box;Went out;End\n1;3/4/25;dead\n", encoding="utf-8")
    assert main(["lab", str(tmp_path / "s"), "--log", str(log), "--no-server"]) == 1
    said = capsys.readouterr().err
    assert said.count("adopt it first: workbench adopt") == 1 and said.count("\n") == 1
    assert not (tmp_path / "s").exists()


def test_the_server_listens_on_this_machine_only_and_keeps_its_token(tmp_path):
    command = jupyter_command(tmp_path, port=8899, browser=False)
    assert "--ServerApp.ip=127.0.0.1" in command
    assert "--no-browser" in command
    assert not any("token" in part or "password" in part for part in command)


def test_code_cells_carry_every_key_that_hides_code():
    cell = build_notebook(STORY, "log.csv", name="toy").cells[1]
    assert cell.metadata["jupyter"]["source_hidden"] is True
    assert {"hide-input", "hide_input"} <= set(cell.metadata["tags"])
    assert cell.id == "toy-01"


def test_a_file_that_is_no_notebook_is_said(tmp_path):
    (tmp_path / "x.ipynb").write_text("not json", encoding="utf-8")
    with pytest.raises(WorkbenchError, match=r"x\.ipynb is no notebook"):
        read_notebook(tmp_path / "x.ipynb")
