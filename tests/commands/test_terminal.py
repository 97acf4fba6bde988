"""Terminal: every command answers in its first three lines, in 40 lines of 80 columns, in colour where it helps."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

pty = pytest.importorskip("pty", reason="pseudo-terminals belong to POSIX systems")

ROOT = Path(__file__).parents[2]
LOG = "sample_data/lantern_moor_2025.csv"
COLUMNS, MOST_LINES = 80, 40
ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
ANSWERS = {
    "check": ([LOG], r"177 rows read = \d+ used \+ \d+ set aside"),
    "records": ([LOG], r"14 failures are known to the day with the files, 0 without"),
    "compare": ([LOG, "--by", "lid_seal"], r"The three levels could not be told apart|the three levels differ"),
    "settings": ([], r"Settings stand in season\.toml"),
    "blank": (["{folder}/empty.xlsx"], r"empty\.xlsx written"),
    "adopt": ([LOG, "--yes", "--out", "{folder}/season.toml"], r"\d+ of \d+ rows can be used"),
    "rank": ([LOG, "--resamples", "200"], r"points \(.*\), (clear|likely)|None of \d+ comparisons could be told"),
    "teardown": ([LOG], r"\d+ of \d+ units failed: .*Open next: (LM-\d+)"),
    "plan": ([LOG, "--no-trial"], r"units would lose about \d+ by 180 days .* spares"),
    "review": ([LOG, "--out", "{folder}/review"], r"\d+ of 100 lasted the 180 days asked"),
}


def _in_terminal(words, **environment):
    """What a command shows on a terminal of 80 columns, and what it writes to stderr when that is none."""
    import fcntl
    import struct
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", MOST_LINES, COLUMNS, 0, 0))
    known = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS", "FORCE_COLOR")}
    started = subprocess.Popen(
        [sys.executable, "-m", "workbench", *words],
        stdin=theirs, stdout=theirs, stderr=subprocess.PIPE, cwd=ROOT,
        env={**known, "PYTHONPATH": str(ROOT), "TERM": "xterm-256color", **environment},
    )  # fmt: skip
    os.close(theirs)
    shown = b""
    while True:
        try:
            part = os.read(ours, 65536)
        except OSError:  # the other end was closed
            break
        if not part:
            break
        shown += part
    os.close(ours)
    _, error = started.communicate(timeout=60)
    assert started.returncode == 0, error.decode()
    return shown.decode().replace("\r\n", "\n").rstrip("\n"), error.decode()


@pytest.mark.parametrize("command", ANSWERS)
def test_the_answer_comes_first_and_fits_the_terminal(command, tmp_path):
    words, answer = ANSWERS[command]
    shown, error = _in_terminal([command, *(word.format(folder=tmp_path) for word in words)])
    lines = ESCAPE.sub("", shown).split("\n")
    assert re.search(answer, " ".join(line for line in lines if line)[: 3 * COLUMNS + 80]), lines[:4]
    assert len(lines) <= MOST_LINES
    paths = str(tmp_path)
    assert [line for line in lines if len(line) > COLUMNS and paths not in line] == []
    assert not ESCAPE.search(error)


def test_a_per_cent_sign_stays_with_its_number_wherever_a_cell_is_broken(monkeypatch, capsys):
    from workbench import printing

    whole = printing._console
    for width in range(24, 40):
        monkeypatch.setattr(printing, "_console", lambda stream, width=width: _narrowed(whole(stream), width))
        cell = "LM-104 84 %, LM-110 98 %, LM-111 95 % and 15 more"
        printing.show_answer(
            [printing.Part(grid=printing.Grid(headings=("unit", "which"), rows=[("leak", cell)]))], everything=True
        )
        lines = capsys.readouterr().out.splitlines()
        assert len(lines) > 2 and not any(line.strip().startswith("%") for line in lines), width


def _narrowed(console, width):
    console.width = width
    return console


def test_help_of_the_whole_fits_a_screen():
    shown, _ = _in_terminal(["--help"])
    assert len(shown.split("\n")) <= MOST_LINES and max(map(len, shown.split("\n"))) <= COLUMNS


@pytest.mark.parametrize(("word", "near"), [("rnk", "; did you mean 'rank'?"), ("'x' \"y\"", ""), ("--", "")])
def test_an_unknown_command_is_named_whole_with_the_nearest_one(word, near, capsys):
    from workbench.cli import COMMANDS, main

    with pytest.raises(SystemExit) as stopped:
        main([word, "log.csv"])
    assert stopped.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line == f"error: unknown command {word!r}{near} (there are: {', '.join(COMMANDS)}); see 'workbench --help'"


def test_everything_is_there_for_those_who_ask(capsys):
    from workbench.cli import main

    assert main(["compare", LOG, "--by", "lid_seal"]) == 0
    short = capsys.readouterr().out
    assert main(["compare", LOG, "--by", "lid_seal", "--all"]) == 0
    whole = capsys.readouterr().out
    assert "More with --all: in full, notes." in short and "More with --all" not in whole
    assert "Raw comparison of the units" in whole and "Raw comparison of the units" not in short
    assert "O-ring: what happens after" in whole and "o_ring" not in whole


def test_colour_is_for_terminals_that_want_it(capsys):
    from workbench.cli import main

    words = ["compare", LOG, "--by", "lid_seal"]
    assert "\x1b[" in _in_terminal(words)[0]
    assert "\x1b" not in _in_terminal(words, NO_COLOR="1")[0]
    assert "\x1b" not in _in_terminal(words, TERM="dumb")[0]
    assert main(words) == 0
    streams = capsys.readouterr()
    assert "\x1b" not in streams.out + streams.err
    assert max(map(len, streams.out.splitlines())) > COLUMNS  # a sentence stays one line for other programs


def test_what_acts_in_a_log_is_text_in_colour_too(tmp_path):
    from tests.log.builders import row, write_csv

    hostile = "red\x1b[31m\x9b2J"
    rows = [row(f"U{n}", lid_seal=(hostile, "cord")[n % 2]) for n in range(12)]
    log = write_csv(tmp_path / "log.csv", rows)
    shown, _ = _in_terminal(["compare", str(log), "--by", "lid_seal", "--settings", "none"])
    assert "\x1b[31m" not in shown and "\x9b" not in shown
