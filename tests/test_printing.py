"""Printing: what a text holds is shown and never acts, on any terminal."""

import io
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import workbench
from tests.report.seasons import few_columns
from workbench import printing
from workbench.cli import COMMANDS, main
from workbench.printing import json_text, say, visible

ROOT = Path(__file__).parents[1]
HOSTILE = "a\x1b[31mred\x07\u202ecba\u2066\x9b2J\ud800\u2028b"


def _acts(text: str) -> bool:
    return any((ord(c) < 32 and c != "\n") or 0x7F <= ord(c) < 0xA0 or c in "\u202e\u2066\u2028\ud800" for c in text)


def test_what_would_act_is_shown_as_text():
    assert visible(HOSTILE) == "a\\x1b[31mred\\x07\\u202ecba\\u2066\\x9b2J\\ud800\\u2028b"
    assert visible("Größe − 5 °C, 日本") == "Größe − 5 °C, 日本"


def test_json_of_hostile_text_is_plain_and_means_the_same():
    text = json_text({"value": HOSTILE, "plain": "−"})
    assert not _acts(text)
    assert json.loads(text) == {"value": HOSTILE, "plain": "−"}


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_an_encoding_that_lacks_a_character_never_stops_the_answer(encoding, monkeypatch):
    raw = io.BytesIO()
    monkeypatch.setattr(printing.sys, "stdout", io.TextIOWrapper(raw, encoding=encoding))
    say("−5 points … 日本")
    shown = raw.getvalue().decode(encoding)
    assert shown.startswith("−5 points" if encoding == "utf-8" else "-5 points")


EVERY_COMMAND = (
    "blank {folder}/empty.xlsx", "adopt {log} --yes", "settings --all", "check {log} --all", "records {log} --all",
    "compare {log} --by site --all", "rank {log} --choices lid_seal --all", "teardown {log} --all",
    "enter {log} {folder}/form.txt --all", "plan {log} --no-trial --all", "review {log} --out {folder}/out --all",
    "notebooks {folder}", "lab {folder}/season --log {log} --no-server --no-run",
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_every_command_prints_on_a_terminal_that_lacks_characters(encoding, tmp_path, monkeypatch):
    """Names of places in letters that the encoding lacks, and signs of the workbench's own such as a minus."""
    log, truth = workbench.simulate_season(40, seed=4)
    known, _ = workbench.simulate_records(log, truth, seed=4, units=["LM-001"], every_hours=24)
    log = few_columns(log)
    log["site"] = log["site"].replace({log["site"][0]: "Dünen 日本 −"})
    (tmp_path / "records").mkdir()
    for (unit, deployment), table in known.items():
        table.to_csv(tmp_path / "records" / f"{unit}_{deployment}.csv", index=False)
    path = tmp_path / "log_日本.csv"
    log.to_csv(path, index=False)
    (tmp_path / "form.txt").write_text("unit_id,deployment,notes,tide_line\nLM-002,1,日本 −,yes\n", encoding="utf-8")
    assert {words.split()[0] for words in EVERY_COMMAND} == set(COMMANDS)
    slowest = () if encoding == "ascii" else ("plan", "review")  # ascii lacks all that cp1252 lacks
    for words in (words for words in EVERY_COMMAND if words.split()[0] not in slowest):
        streams = {name: io.TextIOWrapper(io.BytesIO(), encoding=encoding) for name in ("stdout", "stderr")}
        with monkeypatch.context() as patch:
            for name, stream in streams.items():
                patch.setattr(sys, name, stream)
            code = main([word.format(log=path, folder=tmp_path) for word in words.split()])
        told = {name: stream.buffer.getvalue().decode(encoding) for name, stream in streams.items()}
        assert code == (2 if words.startswith("notebooks") else 0), (words, told["stderr"])
        assert told["stdout"] + told["stderr"] and "Traceback" not in told["stderr"], words


@pytest.mark.parametrize("name", ["x" * 300 + ".csv", "line\nbreak\x1b[31m.csv", os.fsdecode(b"\xff\xfe.csv")])
@pytest.mark.parametrize("command", [["check"], ["compare", "--by", "lid_seal"], ["adopt"], ["teardown"], ["plan"]])
def test_a_hostile_name_is_one_sentence(command, name, capfd):
    code = main([command[0], name, *command[1:]])
    error = capfd.readouterr().err
    assert code in (1, 2) and not _acts(error)
    assert "Traceback" not in error and error.count("error: ") == 1


def test_an_interruption_while_modules_load_is_one_sentence():
    code = (
        "import sys, builtins, _thread\n"
        "from workbench.cli import main\n"
        "real = builtins.__import__\n"
        "def interrupted(name, *rest, **more):\n"
        "    if name == 'pandas':\n        raise KeyboardInterrupt\n"
        "    return real(name, *rest, **more)\n"
        "builtins.__import__ = interrupted\n"
        "sys.exit(main(['check', 'sample_data/lantern_moor_2024.csv']))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 130
    assert done.stderr.splitlines()[-1] == "error: interrupted; nothing that was there before has been changed"


def test_an_interruption_before_the_commands_are_loaded_is_one_sentence():
    code = (
        "import sys, builtins\n"
        "from workbench.__main__ import start\n"
        "real = builtins.__import__\n"
        "def interrupted(name, *rest, **more):\n"
        "    if name == 'argparse':\n        raise KeyboardInterrupt\n"
        "    return real(name, *rest, **more)\n"
        "builtins.__import__ = interrupted\n"
        "sys.exit(start())\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 130
    assert done.stderr == "error: interrupted; nothing that was there before has been changed\n"


def test_an_interruption_where_python_swallows_errors_is_heard_all_the_same(capsys, monkeypatch):
    class Swallowing:
        def __del__(self):
            raise KeyboardInterrupt

    def run(args):
        Swallowing()
        time.sleep(10)  # heard long before
        return 0

    monkeypatch.setattr("workbench.commands.settings.run", run)
    hook = sys.unraisablehook
    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have had it ignored
    try:
        assert main(["settings"]) == 130 and sys.unraisablehook is hook
    finally:
        signal.signal(signal.SIGINT, before)
    assert capsys.readouterr().err == "error: interrupted; nothing that was there before has been changed\n"


@pytest.mark.skipif(not Path("/proc/self/maps").exists(), reason="what a program has loaded is read from /proc")
def test_the_signal_of_an_interruption_ends_with_130(tmp_path):
    words = [sys.executable, "-m", "workbench", "review", "sample_data/lantern_moor_2024.csv", "--out", str(tmp_path)]
    started = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)
    loaded = Path(f"/proc/{started.pid}/maps")
    while started.poll() is None and "numpy" not in loaded.read_text(encoding="utf-8"):
        time.sleep(0.01)  # the program's own code runs once it loads what it needs
    started.send_signal(signal.SIGINT)
    _, error = started.communicate(timeout=60)
    assert started.returncode == 130 and "Traceback" not in error


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="limits of the size of files belong to POSIX systems")
@pytest.mark.parametrize(
    "words",
    [
        ["blank", "empty.xlsx"],
        ["check", "{log}", "--marked", "marked.xlsx"],
        ["compare", "{log}", "--by", "lid_seal", "--figure", "curves.png"],
    ],
)
def test_a_limit_of_the_size_of_files_is_one_sentence(words, tmp_path):
    log = ROOT / "sample_data" / "lantern_moor_2024.csv"
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\n"
        "from workbench.cli import main\nsys.exit(main(sys.argv[1:]))\n"
    )
    command = [sys.executable, "-c", code, *(word.replace("{log}", str(log)) for word in words)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, env=environment, check=False)
    assert done.returncode in (1, 2) and "Traceback" not in done.stderr
    assert sum(line.startswith("error: ") for line in done.stderr.splitlines()) == 1
    assert [path.name for path in tmp_path.iterdir()] == []


@pytest.mark.skipif(sys.platform == "win32", reason="limits of the size of files belong to POSIX systems")
def test_a_workbook_too_large_for_the_temporary_folder_leaves_no_half_sheet_there(tmp_path):
    code = (
        "import os, resource, sys; from pathlib import Path; from openpyxl import Workbook\n"
        "from workbench.filing import Permit; from workbench.errors import UsageError\n"
        "from workbench.log.writing.sheetwriting import save_workbook\n"
        "book = Workbook()\n"
        "for row in range(20_000):\n    book.active.append([row, 'a', 'b'])\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1_500_000, 1_500_000))\n"
        "try:\n    save_workbook(book, Path('a.xlsx'), Permit())\n"
        "except UsageError as error:\n    print(error, os.listdir(os.environ['TMPDIR']))\n"
    )
    folder = tmp_path / "temporary"
    folder.mkdir()
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(folder)}
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, env=environment, check=True)
    assert done.stdout.startswith("a.xlsx cannot be made (File too large)") and done.stdout.endswith("retry []\n")
    assert done.stderr == ""
