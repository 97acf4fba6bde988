"""Every option that writes, against all that may stand in its way: nothing is lost, one sentence says why."""

import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

import pytest

import workbench
from tests.faults import FULL, Failing, tree
from tests.report.seasons import few_choices
from workbench.cli import COMMANDS, build_parser, main
from workbench.filing import is_own_output

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[1]


class Output(NamedTuple):
    """A way to write a file: the command, where {log} is read and {out} written, and the file's name in its folder."""

    command: str
    name: str
    log: str = "log.csv"


OUTPUTS = {
    "figure": Output("compare {log} --by lid_seal --mission 90 --figure {out}", "curves.png"),
    "marked": Output("check {log} --marked {out}", "marked.xlsx"),
    "marked workbook": Output("check {log} --marked {out}", "marked.xlsx", "log.xlsx"),
    "counted": Output("check {log} --step 7 --marked {out}", "aside.csv"),
    "counted parquet": Output("check {log} --step 7 --marked {out}", "aside.parquet"),
    "sheets": Output("teardown {log} --units LM-001 --sheets {out}", "sheets.html"),
    "form": Output("teardown {log} --units LM-001 --form {out}", "form.html"),
    "field form": Output("teardown {log} --field-form {out}", "field.html"),
    "pages": Output("teardown {log} --pages {out}", "pages.html"),
    "records": Output("records {log} --write {out}", "added.csv"),
    "list": Output("enter {log} --notes --list {out}", "proposals.csv"),
    "blank": Output("blank {out}", "empty.xlsx"),
    "blank teardown": Output("blank --teardown {out}", "empty.html"),
    "allocate": Output("plan {log} --no-trial --mission 90 --allocate {out}", "trial.csv"),
    "adopt": Output("adopt {log} --yes --out {out}", "words.toml"),
    "review": Output("review {log} --mission 90 --out {folder}", "findings.json"),
}
READING = [name for name, output in OUTPUTS.items() if "{log}" in output.command]
QUICK = [name for name in OUTPUTS if name != "review"]
SHORT = [name for name in QUICK if name != "allocate"]
"""A review and a plan take seconds; whether they may write is judged before they begin."""


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> Path:
    """A folder with one season as text and as a workbook, with a row that is set aside."""
    log, truth = workbench.simulate_season(60, seed=4)
    folder = tmp_path_factory.mktemp("season")
    (folder / "records").mkdir()
    known, _ = workbench.simulate_records(log, truth, seed=4, units=["LM-001", "LM-002"], every_hours=12)
    for (unit, deployment), table in known.items():
        table.to_csv(folder / "records" / f"{unit}_{deployment}.csv", index=False)
    log = few_choices(log).iloc[:24].copy()
    log.loc[3, "outcome"] = "who knows"
    log.to_csv(folder / "log.csv", index=False)
    log.to_excel(folder / "log.xlsx", index=False)
    return folder


def _words(option: str, log: Path, target: Path) -> list[str]:
    places = {"{log}": str(log), "{out}": str(target), "{folder}": str(target.parent)}
    return [places.get(word, word) for word in OUTPUTS[option].command.split()]


@pytest.fixture
def at(season, tmp_path):
    """Where an option's log lies, alone in a folder, and where it is to write, in another."""

    def places(option: str) -> tuple[Path, Path]:
        output = OUTPUTS[option]
        for folder in ("in", "out"):
            (tmp_path / folder).mkdir(exist_ok=True)
        shutil.copytree(season / "records", tmp_path / "in" / "records", dirs_exist_ok=True)
        return Path(shutil.copy(season / output.log, tmp_path / "in" / output.log)), tmp_path / "out" / output.name

    return places


def _refused(words: list[str], said: str, capsys) -> None:
    capsys.readouterr()
    assert main(words) == 2
    errors = [line for line in capsys.readouterr().err.splitlines() if line.startswith("error: ")]
    assert len(errors) == 1 and said in errors[0], errors


def test_the_table_holds_every_option_that_names_a_file_to_write():
    """An option whose place-holder is a file or a folder is written to or read; those that are read are named here."""
    read = {"--settings", "--evidence", "--previous", "--log", "--records"}
    known = {word for output in OUTPUTS.values() for word in output.command.split() if word.startswith("--")}
    subparsers = next(a for a in build_parser()._actions if a.dest == "command").choices
    assert set(subparsers) == set(COMMANDS)
    for parser in subparsers.values():
        for action in parser._actions:
            place = str(action.metavar or "")
            if action.option_strings and any(word in place for word in ("FILE", "DIR", "OUT", "PATH", "html", "toml")):
                assert action.option_strings[-1] in read | known, action.option_strings


@pytest.mark.parametrize("option", QUICK)
def test_a_file_is_replaced_when_asked_or_own_and_stays_whole_on_a_disk_that_fills_up(option, at, capsys):
    log, target = at(option)
    words = _words(option, log, target)
    if option != "adopt":  # settings are written on, whoever wrote them, and what stands in them is kept
        target.write_bytes(b"theirs")
        _refused(words, "--replace", capsys)
        assert target.read_bytes() == b"theirs"
    assert main([*words, "--replace"]) in (0, 1)
    before = tree(target.parent)
    assert before[target.name] != b"theirs"
    capsys.readouterr()
    with pytest.MonkeyPatch.context() as patch:
        Failing(patch, target.parent, 2, FULL, lasting=True)
        code = main(words)
    errors = [line for line in capsys.readouterr().err.splitlines() if line.startswith("error: ")]
    assert code in (1, 2) and len(errors) == 1 and FULL.strerror in errors[0] and target.name in errors[0], errors
    assert tree(target.parent) == before
    with target.open("ab") as file:
        file.write(b" \n")
    if option != "adopt":
        _refused(words, "was changed since it was written", capsys)


def test_a_review_replaces_no_file_of_someone_else(at, capsys):
    log, target = at("review")
    target.write_bytes(b"theirs")
    _refused(_words("review", log, target), "--replace", capsys)
    assert tree(target.parent) == {"findings.json": b"theirs"}


@pytest.mark.parametrize("option", READING)
@pytest.mark.parametrize("way", ["itself", "symlink", "hard link", "symlink to its folder"])
def test_what_is_read_is_never_replaced(option, way, at, capsys):
    log, target = at(option)
    before = log.read_bytes()
    if way == "itself":  # called as the option would call its output, as far as a log can be
        log = log.rename(log.with_name(target.name)) if log.suffix == target.suffix else log
        target = log
    elif way == "symlink":
        target.symlink_to(log)
    elif way == "hard link":
        os.link(log, target)
    else:
        target.parent.rmdir()
        target.parent.symlink_to(log.parent)
        target = target.with_name(log.name)
    words = [*_words(option, log, target), "--replace"]
    if option == "review" and target.name != OUTPUTS[option].name:
        ledger = log.rename(log.with_name("ledger.csv"))
        words, log = [*_words(option, ledger, target), "--replace"], ledger
    has_ending = target.suffix == Path(OUTPUTS[option].name).suffix or option == "review"
    _refused(words, "never replaced" if has_ending else "", capsys)
    assert log.read_bytes() == before


@pytest.mark.parametrize("option", OUTPUTS)
def test_a_folder_in_the_place_and_a_folder_that_is_not_there_are_named(option, at, capsys):
    log, target = at(option)
    target.mkdir()
    _refused(_words(option, log, target), "is a folder", capsys)
    assert target.is_dir()
    if option != "review":  # which makes its folder
        _refused(_words(option, log, target.parent / "nowhere" / target.name), "make it first", capsys)


FORM = "unit_id,deployment,tide_line\nLM-001,1,yes\n"


@pytest.mark.parametrize("way", ["theirs", "symlink", "hard link", "folder", "full disk"])
def test_what_is_entered_replaces_nothing_of_someone_else_and_stays_whole(way, season, tmp_path, capsys):
    """The table beside the log has no option of its own; everything that may stand in its place is tried."""
    folder = tmp_path / "in"
    folder.mkdir()
    log, table = Path(shutil.copy(season / "log.csv", folder / "log.csv")), folder / "teardowns.csv"
    form = tmp_path / "form.csv"
    form.write_text(FORM, encoding="utf-8")
    words = ["enter", str(log), str(form)]
    if way == "theirs":
        table.write_text(FORM.replace("yes", "no"), encoding="utf-8")
    elif way == "symlink":
        table.symlink_to(log)
    elif way == "hard link":
        os.link(log, table)
    elif way == "folder":
        table.mkdir()
    else:
        assert main(words) == 0
    before = tree(folder)
    capsys.readouterr()
    if way == "full disk":
        form.write_text(FORM.replace("yes", "no"), encoding="utf-8")
        for at in (1, 2, 3, 4):
            with pytest.MonkeyPatch.context() as patch:
                Failing(patch, folder, at, FULL, lasting=True)
                assert main(words) in (1, 2)
            assert FULL.strerror in capsys.readouterr().err
            assert tree(folder)["teardowns.csv"] == before["teardowns.csv"]
        return
    for more in ((), ("--replace",) if "link" in way else ()):
        assert main([*words, *more]) in (1, 2)
        errors = [line for line in capsys.readouterr().err.splitlines() if line.startswith("error: ")]
        assert len(errors) == 1 and ("teardowns.csv" in errors[0] or "log.csv" in errors[0]), errors
        assert tree(folder) == before


RUN_AGAIN = """
import io, json, os, sys
from contextlib import redirect_stderr, redirect_stdout
from workbench.cli import main

def told(words):
    said = io.StringIO()
    with redirect_stderr(said), redirect_stdout(io.StringIO()):
        return main(words), said.getvalue()

first, *later = json.load(sys.stdin)
for words in first:  # so that everything is loaded, and every file is there
    assert told(words)[0] in (0, 1), words
answers = []
for change, commands in later:
    exec(change)
    answers.append([told(words) for words in commands])
print(json.dumps(answers))
"""
FILL = """
with open({!r}, "wb", buffering=0) as filler:
    try:
        while True:
            filler.write(bytes(4096))
    except OSError:
        pass
"""


@pytest.fixture
def outside(season):
    """A folder with the logs outside the tests' own, which another user may enter."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    for name in ("log.csv", "log.xlsx"):
        shutil.copy(season / name, folder / name)
        (folder / name).chmod(0o644)
    shutil.copytree(season / "records", folder / "records")
    for name in ("disk", "barred"):
        (folder / name).mkdir()
    is_disk = _ran(["mount", "-t", "tmpfs", "-o", "size=8m", "none", str(folder / "disk")])
    yield folder, is_disk
    if is_disk:
        assert _ran(["umount", str(folder / "disk")])
    shutil.rmtree(folder)


def _ran(words: list[str]) -> bool:
    return (
        shutil.which(words[0]) is not None and subprocess.run(words, capture_output=True, check=False).returncode == 0
    )


@pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="makes a small disk in memory, and becomes another user"
)
def test_a_full_disk_and_a_place_that_may_not_be_written_are_one_sentence_each(outside):
    """A disk that is really full, where one can be made; then as no superuser, who may write anywhere."""
    folder, is_disk = outside
    disk, barred = folder / "disk", folder / "barred"
    first, again = [], []
    for option, output in OUTPUTS.items():
        if option in SHORT:
            (disk / option).mkdir()
            first.append(_words(option, folder / output.log, disk / option / output.name))
        again.append(_words(option, folder / output.log, barred / output.name))
    barred.chmod(0o555)
    filling = [[FILL.format(str(disk / "filler")), first]] if is_disk else []
    becoming = ["if os.geteuid() == 0: os.setuid(65534)", again]
    done = subprocess.run(
        [sys.executable, "-c", RUN_AGAIN],
        input=json.dumps([first, *filling, becoming]),
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    for answers, reason in zip(told, ["No space left on device"] * is_disk + ["Permission denied"], strict=True):
        for (code, error), option in zip(answers, SHORT if "space" in reason else OUTPUTS, strict=True):
            errors = [line for line in error.splitlines() if line.startswith("error: ")]
            assert code in (1, 2) and len(errors) == 1 and reason in errors[0], (option, error)
            assert "Traceback" not in error
    assert list(barred.iterdir()) == []
    for option, output in ((name, OUTPUTS[name]) for name in SHORT):
        left = {path.name for path in (disk / option).iterdir()}
        assert output.name in left and not [name for name in left if name.startswith(".workbench-")], (option, left)
        whole = is_own_output(disk / option / output.name)
        assert whole or option in ("blank", "records"), option  # these are there to be read with the log
