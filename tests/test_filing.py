"""Files: written whole, replaced only when they are our own and unchanged, never when they are read."""

import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import pytest

import workbench
from tests.report.seasons import few_columns
from workbench import filing, one_writer
from workbench.cli import main
from workbench.errors import UsageError
from workbench.filing import MANIFEST, Permit, check_target, is_own_output, own_files, write_file, write_together
from workbench.log.sources import find_files

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> Path:
    log = few_columns(workbench.simulate_season(60, seed=4)[0]).iloc[:8]
    path = tmp_path_factory.mktemp("season") / "log.csv"
    log.to_csv(path, index=False)
    return path


@pytest.fixture
def log(season, tmp_path) -> Path:
    return Path(shutil.copy(season, tmp_path / "log.csv"))


def test_the_settings_beside_a_log_are_never_replaced(log, capsys):
    settings = log.parent / "season.toml"
    settings.write_text("mission_days = 90\n", encoding="utf-8")
    picture = log.parent / "curves.png"
    os.link(settings, picture)
    assert main(["compare", str(log), "--by", "lid_seal", "--figure", str(picture), "--replace"]) == 2
    assert settings.read_text(encoding="utf-8") == "mission_days = 90\n"


def test_a_log_called_like_an_output_survives_a_review_of_its_own_folder(log, capsys):
    ledger = log.rename(log.with_name("ledger.csv"))
    before = ledger.read_bytes()
    assert main(["review", str(ledger), "--out", str(ledger.parent), "--replace"]) == 2
    assert "never replaced" in capsys.readouterr().err
    assert ledger.read_bytes() == before


@pytest.mark.slow
def test_a_folder_reviewed_into_itself_stays_readable(log, capsys):
    folder, rows = log.parent, len(log.read_text(encoding="utf-8").splitlines()) - 1
    for _ in range(2):
        assert main(["review", str(folder), "--out", str(folder), "--mission", "90"]) == 0
    assert {"review.html", "ledger.csv", "set_aside.csv"} <= set(own_files(folder))
    assert find_files(folder)[0] == [log]
    capsys.readouterr()
    assert main(["check", str(folder)]) == 0
    assert f"{rows} rows read" in capsys.readouterr().out


def test_an_output_that_a_person_changed_counts_as_theirs(tmp_path):
    written = write_file(tmp_path / "ledger.csv", b"a,b\n", Permit())
    assert is_own_output(written)
    written.write_bytes(b"a,b\n1,2\n")
    assert not is_own_output(written)


def test_what_is_written_to_be_filled_in_is_not_passed_over(tmp_path):
    assert not is_own_output(write_file(tmp_path / "log.csv", b"a,b\n", Permit(feeds=True)))


@pytest.mark.parametrize("content", [b"", b"[]", b'{"files": 3}', b"\xff\xfe", b"[" * 100_000])
def test_a_spoilt_list_of_own_files_bars_replacing_and_nothing_else(content, tmp_path):
    (tmp_path / MANIFEST).write_bytes(content)
    target = tmp_path / "a.csv"
    write_file(target, b"one", Permit())
    (tmp_path / MANIFEST).write_bytes(content)
    with pytest.raises(UsageError, match="was not written by this workbench"):
        write_file(target, b"two", Permit())


def test_a_name_too_long_is_one_sentence(tmp_path):
    with pytest.raises(UsageError, match="cannot be written"):
        check_target(tmp_path / f"{'x' * 300}.png", (".png",), Permit())


def test_a_new_file_has_the_rights_that_the_person_gives(tmp_path):
    code = (
        "import os, sys; from pathlib import Path; os.umask(0o027)\n"
        "from workbench.filing import Permit, write_file\n"
        "write_file(Path(sys.argv[1]), b'x', Permit())\n"
        "write_file(Path(sys.argv[2]), b'x', Permit(private=True))\n"
    )
    files = [tmp_path / "shared.csv", tmp_path / "own.csv"]
    subprocess.run([sys.executable, "-c", code, *files], check=True, cwd=ROOT)
    assert [oct(f.stat().st_mode & 0o777) for f in files] == ["0o640", "0o600"]


@pytest.mark.skipif(os.name == "nt" or os.geteuid() != 0, reason="only the superuser can become another user")
def test_a_place_that_may_not_be_written_is_one_sentence(request):
    folder = Path(tempfile.mkdtemp())  # outside the tests' own folder, which another user may not enter
    request.addfinalizer(lambda: shutil.rmtree(folder))
    folder.chmod(0o755)
    code = (
        "import os, sys; from pathlib import Path\n"
        "from workbench.filing import Permit, write_file\n"
        "from workbench.errors import UsageError\n"
        "os.setuid(65534)\n"
        "try:\n    write_file(Path(sys.argv[1]), b'x', Permit())\n"
        "except UsageError as error:\n    print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, folder / "a.csv"], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert "cannot be written (Permission denied)" in done.stdout
    assert not (folder / "a.csv").exists()


NAMES = ("a.csv", "b.csv", "c.csv", "d.csv")


@pytest.mark.slow
def test_of_two_runs_at_once_a_folder_holds_the_files_of_one(tmp_path, monkeypatch):
    """Each move takes a while, so that moves of two runs would mix if nothing kept them apart."""
    real = os.replace

    def slow(*paths):
        real(*paths)
        time.sleep(0.01)

    monkeypatch.setattr(filing.os, "replace", slow)
    failed = []

    def run(data):
        try:
            write_together(tmp_path, dict.fromkeys(NAMES, data), Permit())
        except UsageError as error:
            failed.append(error)

    for _ in range(5):
        runs = [threading.Thread(target=run, args=(word,)) for word in (b"one", b"two", b"three")]
        for thread in runs:
            thread.start()
        for thread in runs:
            thread.join()
        assert len({(tmp_path / name).read_bytes() for name in NAMES}) == 1 and not failed
        assert all(is_own_output(tmp_path / name) for name in NAMES)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([MANIFEST, *NAMES])


@pytest.mark.skipif(os.name == "nt", reason="folders are locked on POSIX systems")
def test_a_folder_that_another_run_holds_is_waited_for_and_then_named(tmp_path, monkeypatch):
    monkeypatch.setattr(one_writer, "PATIENCE", 0.1)
    with one_writer.writing_alone(tmp_path):
        for write in (lambda: write_together(tmp_path, {"a.csv": b"x"}, Permit()),
                      lambda: write_file(tmp_path / "a.csv", b"x", Permit())):  # fmt: skip
            with pytest.raises(UsageError, match=r"another run has been writing to .*nothing was written there"):
                write()
    assert list(tmp_path.iterdir()) == []
    write_file(tmp_path / "a.csv", b"x", Permit())
