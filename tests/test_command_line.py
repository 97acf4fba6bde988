"""The command line as a whole: exit codes, one-line errors, speed of help."""

import subprocess
import sys
import time

import pytest

from workbench.cli import COMMANDS, build_parser, main


def _run(*arguments):
    return subprocess.run([sys.executable, "-m", "workbench", *arguments], capture_output=True, text=True, check=False)


def test_every_command_has_help_that_names_its_options(capsys):
    for name in COMMANDS:
        with pytest.raises(SystemExit) as stop:
            build_parser().parse_args([name, "--help"])
        assert stop.value.code == 0
        assert "--help" in capsys.readouterr().out


def test_an_unknown_command_is_one_line_with_the_nearest_name():
    done = _run("rewiev", "x")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "did you mean 'review'?" in done.stderr
    assert done.stdout == ""


def test_an_unknown_option_is_wrong_usage_in_one_line():
    done = _run("check", "x.csv", "--colour")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "--colour" in done.stderr


def test_no_command_prints_help_and_is_wrong_usage(capsys):
    assert main([]) == 2
    assert "COMMAND" in capsys.readouterr().out


def test_the_version_is_printed(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.strip().count(".") == 2


_NEEDED = {"compare": ["--by", "lid_seal"], "enter": ["form.csv"]}


@pytest.mark.parametrize("command", ["check", "records", "compare", "rank", "teardown", "enter", "plan", "review"])
def test_a_missing_log_is_wrong_usage_in_one_line(command, tmp_path, capsys):
    missing = str(tmp_path / "no_such_log.csv")
    extra = {"compare": ["--by", "lid_seal"], "enter": ["form.csv"], "review": ["--out", str(tmp_path / "out")]}.get(
        command, []
    )
    assert main([command, missing, *extra]) == 2
    streams = capsys.readouterr()
    assert streams.out == ""
    assert streams.err.count("\n") == 1
    assert "no_such_log.csv" in streams.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", ["check", "records", "compare", "rank", "teardown", "enter", "plan", "review"])
def test_a_picture_named_as_a_workbook_is_refused_in_one_line(command, tmp_path, capsys):
    fake = tmp_path / "log.xlsx"
    fake.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(200))
    extra = {"compare": ["--by", "lid_seal"], "enter": ["form.csv"], "review": ["--out", str(tmp_path / "out")]}.get(
        command, []
    )
    assert main([command, str(fake), *extra]) == 1
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "log.xlsx" in error
    assert not (tmp_path / "out").exists()


def test_help_starts_within_half_a_second_of_the_interpreter():
    """Best of five of each, so that a busy machine does not decide."""

    def best(*command):
        times = []
        for _ in range(5):
            start = time.perf_counter()
            subprocess.run(command, capture_output=True, check=True)
            times.append(time.perf_counter() - start)
        return min(times)

    alone = best(sys.executable, "-c", "pass")
    assert best(sys.executable, "-m", "workbench", "--help") - alone < 0.5
    assert best(sys.executable, "-c", "import workbench") - alone < 0.3
