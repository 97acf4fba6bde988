"""blank, adopt and check from the command line: output, exit codes, one line an error, nothing half written."""

import argparse
import json

import pytest

from tests.log.builders import row, write_csv
from workbench.commands import adopt, blank, check
from workbench.errors import LogError, UsageError


def call(command, *argv, **common):
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    plain = {"settings": None, "json": False, "strict": False, "mission": None, "seed": 0, "everything": False}
    return command.run(argparse.Namespace(**vars(parser.parse_args([str(a) for a in argv])), **(plain | common)))


@pytest.fixture
def messy(tmp_path):
    return write_csv(tmp_path / "log.csv", [row("A"), row("B", outcome=""), row("C", enclosure_rating="IP99")])


def test_check_says_everything_in_words(messy, capsys):
    assert call(check, messy) == 0
    said = capsys.readouterr().out
    assert said.startswith("The log does not say what last_good_on means, and for 2 failed units it lies 31 days")
    said = said.split("\n\n", 1)[1]
    assert said.startswith(f"{messy}: 3 rows read = 2 used + 1 set aside\n")
    assert "log.csv, row 3, column 'outcome': outcome is empty" in said and "to do: still out?" in said
    assert "log.csv, row 4, column 'enclosure_rating' [IP99]: 'IP99' is no IP code by IEC 60529" in said
    assert "add --marked FILE.xlsx" in said


def test_check_as_json_has_exactly_the_agreed_keys(messy, capsys):
    assert call(check, messy, json=True) == 0
    said = json.loads(capsys.readouterr().out)
    assert list(said) == ["file", "rows", "used", "set_aside", "problems", "notes"]
    assert (said["file"], said["rows"], said["used"], said["set_aside"]) == (str(messy), 3, 2, 1)
    assert list(said["problems"][0]) == [
        "source", "sheet", "row", "column", "field", "cell", "value", "reason", "advice", "scope",
    ]  # fmt: skip


def test_check_exit_codes(messy, tmp_path, capsys):
    assert call(check, messy, strict=True) == 1
    fine = write_csv(tmp_path / "fine.csv", [row("A")])
    assert call(check, fine, strict=True) == 0
    assert "No problem was found." in capsys.readouterr().out
    none = write_csv(tmp_path / "none.csv", [row("A", outcome="")])
    assert call(check, none) == 1 and call(check, none, json=True) == 1
    with pytest.raises(UsageError):
        call(check, tmp_path / "missing.csv")
    (tmp_path / "picture.xlsx").write_bytes(b"\x89PNG\r\n\x1a\n")
    with pytest.raises(LogError):
        call(check, tmp_path / "picture.xlsx")


def test_check_writes_a_marked_copy(messy, tmp_path, capsys):
    assert call(check, messy, "--marked", tmp_path / "marked.xlsx") == 0
    said = capsys.readouterr()
    assert (tmp_path / "marked.xlsx").exists() and "marked copy written" in said.err and "--marked" not in said.out
    with pytest.raises(UsageError, match="never replaced"):
        call(check, messy.rename(tmp_path / "log.xlsx") and _xlsx(tmp_path), "--marked", tmp_path / "log.xlsx")


def _xlsx(tmp_path):
    from tests.log.builders import write_xlsx

    return write_xlsx(tmp_path / "log.xlsx", [row("A")])


def test_long_values_are_cut_in_words_and_whole_in_json(tmp_path, capsys):
    path = write_csv(tmp_path / "log.csv", [row("A", enclosure_rating="x" * 5000)])
    call(check, path)
    assert max(map(len, capsys.readouterr().out.splitlines())) < 400
    call(check, path, json=True)
    assert len(json.loads(capsys.readouterr().out)["problems"][0]["value"]) == 5000


def test_adopt_writes_beside_the_log_and_keeps_what_stands_there(messy, tmp_path, capsys):
    assert call(adopt, messy) == 0
    assert (tmp_path / "season.toml").exists() and "marked as a guess" in capsys.readouterr().out
    with (tmp_path / "season.toml").open("a", encoding="utf-8") as file:
        file.write('\n[reference]\nlid_seal = "cord"\n')
    assert call(adopt, messy) == 0
    assert 'lid_seal = "cord"' in (tmp_path / "season.toml").read_text(encoding="utf-8")
    capsys.readouterr()
    assert call(adopt, messy, "--out", tmp_path / "mine.toml", json=True) == 0
    assert json.loads(capsys.readouterr().out)["file"].endswith("mine.toml")
    with pytest.raises(UsageError, match=r"must end in \.toml"):
        call(adopt, messy, "--out", tmp_path / "mine.txt")
    assert call(check, messy, settings=tmp_path / "mine.toml") == 0


def test_blank_writes_a_log_or_a_teardown_sheet(tmp_path, capsys):
    assert call(blank, tmp_path / "season.xlsx") == 0 and (tmp_path / "season.xlsx").exists()
    capsys.readouterr()
    assert call(blank, tmp_path / "sheet.html", "--teardown", json=True) == 0
    assert "<html" in (tmp_path / "sheet.html").read_text(encoding="utf-8").lower()
    assert json.loads(capsys.readouterr().out)["file"].endswith("sheet.html")
    with pytest.raises(UsageError, match=r"must end in \.xlsx"):
        call(blank, tmp_path / "season.ods")
