"""The commands compare and review: what they print, write and answer, and one line for each mistake."""

import json
import re

import pandas as pd
import pytest

from tests.report.seasons import SETTINGS, plain_season
from workbench import review
from workbench.cli import main
from workbench.errors import UsageError
from workbench.filing import MANIFEST

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def settings(tmp_path_factory):
    path = tmp_path_factory.mktemp("settings") / "season.toml"
    path.write_text('mission_days = 150\n[levels.lid_seal]\nlabels = { o_ring = "O-ring" }\n', encoding="utf-8")
    return path


def test_compare_prints_shares_days_differences_and_a_test(plain_log, settings, capsys):
    assert (
        main(["compare", str(plain_log), "--by", "lid_seal", "--within", "environment", "--settings", str(settings)])
        == 0
    )
    text = capsys.readouterr().out

    assert "O-ring" in text and "(reference)" in text and "lasted 150 days" in text
    assert "points (" in text.split("\n\n")[0] and "workbench rank" in text.split("\n\n")[0]
    assert "8 times in 10" in text
    assert (
        main(
            [
                "compare",
                str(plain_log),
                "--by",
                "lid_seal",
                "--within",
                "environment",
                "--settings",
                str(settings),
                "--all",
            ]
        )
        == 0
    )
    whole = capsys.readouterr().out
    assert whole.startswith(text.split("\nMore with")[0])
    assert "In the first 150 days units with" in whole
    assert "Within environment" in whole
    assert "need not be cause" in whole


def test_compare_as_json_is_machine_readable_and_nothing_else(plain_log, settings, capsys):
    main(["compare", str(plain_log), "--by", "lid_seal", "--settings", str(settings), "--json"])
    found = json.loads(capsys.readouterr().out)

    assert found["by"] == "lid_seal"
    assert found["mission"] == 150
    assert {group["level"] for group in found["groups"]} == {"flat_gasket", "cord", "o_ring"}
    for group in found["groups"]:
        assert 0 <= group["lower"] <= group["share"] <= group["upper"] <= 1
        assert 0 <= group["days_lower"] <= group["days"] <= group["days_upper"] <= 150
    assert len(found["differences"]) == 2
    assert 0 < found["tests"]["all"]["p_value"] <= 1


def test_compare_writes_a_picture_when_asked(plain_log, tmp_path, capsys):
    target = tmp_path / "curves.png"

    assert main(["compare", str(plain_log), "--by", "vent", "--mission", "150", "--figure", str(target)]) == 0
    assert target.read_bytes().startswith(b"\x89PNG")
    assert "figure written" in capsys.readouterr().err
    assert main(["compare", str(plain_log), "--by", "vent", "--mission", "150", "--figure", str(tmp_path)]) == 2


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["compare", "{log}", "--by", "lid_seel"], 2, "did you mean 'lid_seal'?"),
        (["compare", "{log}", "--by", "lid_seal", "--within", "enviroment"], 2, "did you mean 'environment'?"),
        (["compare", "none.csv", "--by", "lid_seal"], 2, "none.csv"),
        (["compare", "{one}", "--by", "lid_seal"], 1, "fewer than two levels"),
        (["review", "{log}", "--out", "{log}"], 2, "is a file; give a folder"),
        (["review", "none.csv", "--out", "{out}"], 2, "none.csv"),
        (["review", "{log}", "--out", "{out}", "--previous", "none.json"], 2, "does not exist"),
        (["review", "{log}", "--out", "{out}", "--mission", "-5"], 2, "mission"),
    ],
)
def test_mistakes_are_one_line(arguments, code, message, plain_log, tmp_path, capsys):
    names = {"log": plain_log, "out": tmp_path / "out", "one": tmp_path / "one.csv"}
    plain_season(20).assign(lid_seal="cord").to_csv(names["one"], index=False)

    assert main([a.format(**names) for a in arguments]) == code
    error = capsys.readouterr().err
    assert message in error
    assert "Traceback" not in error
    assert error.strip().splitlines()[-1].startswith("error: ")


def test_review_writes_six_files_and_names_them(settings, tmp_path_factory, tmp_path, capsys):
    log = tmp_path_factory.mktemp("small") / "log.csv"
    plain_season().iloc[:8].to_csv(log, index=False)
    assert main(["review", str(log), "--out", str(tmp_path), "--settings", str(settings), "--json"]) == 0
    out = capsys.readouterr()
    found = json.loads(out.out)

    assert len(found["files"]) == 6
    written = [p.name for p in tmp_path.iterdir() if p.name != MANIFEST]
    assert sorted(written) == sorted(path.rsplit("/", 1)[-1] for path in found["files"])
    assert found["withheld"] == []
    assert out.err == ""  # what is being done is shown in a terminal only


@pytest.mark.parametrize(("given", "said"), [
    ({"out": 5}, "a folder to write to is named by its path; got a value of type int"),
    ({"previous": pd.DataFrame()}, "last season's log, or the findings.json of its review, is named by its path"),
])  # fmt: skip
def test_what_is_no_path_is_refused_in_a_sentence(given, said, plain_log, tmp_path):
    with pytest.raises(UsageError, match=re.escape(said)):
        review(plain_log, **{"out": tmp_path / "out", "settings": SETTINGS, **given})
