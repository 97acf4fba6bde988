"""Command rank: what it prints, as text and as JSON, and how it refuses."""

import json
import re

import pytest

from workbench.cli import main
from workbench.simulate import simulate_season

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    frame, _ = simulate_season(110, seed=8, effects={"lid_seal": {"o_ring": 1.0}}, dead_on_arrival_share=0.02)
    path = tmp_path_factory.mktemp("season") / "log.csv"
    frame.to_csv(path, index=False)
    return str(path)


def run(capsys, *args):
    code = main(["rank", *args, "--mission", "180"])
    out = capsys.readouterr()
    return code, out.out, out.err


def test_text_names_mission_counts_grades_and_comparisons(capsys, log):
    code, out, err = run(capsys, log, "--choices", "lid_seal,vent", "--resamples", "100")
    assert (code, err) == (0, "")
    assert "lasting 180 days" in out and "110 lives" in out
    assert "over flat gasket" in out and "membrane" in out
    assert "comparisons were looked at; under no effect at all a season shows a clear one in about 1 of 20" in out
    assert "an association, not a proof of cause" in out
    assert re.match(r".* over .*: [+−]\d+ points \(.*\), (clear|likely)\.|None of \d+ comparisons", out)


def test_grades_are_defined_on_request_alone(capsys, log):
    assert main(["rank", "--grades"]) == 0
    defined = capsys.readouterr().out
    assert [line.split(":")[0] for line in defined.splitlines()] == [
        "cannot be told apart",
        "clear",
        "likely",
        "unclear",
    ]
    assert (
        "after correction for the number of choices"
        not in run(capsys, log, "--choices", "lid_seal", "--resamples", "60")[1]
    )
    assert main(["rank"]) == 2 and "name the log to rank" in capsys.readouterr().err


def test_json_holds_the_table_and_nothing_else(capsys, log):
    code, out, _ = run(capsys, log, "--choices", "lid_seal", "--json", "--resamples", "100")
    got = json.loads(out)
    assert code == 0
    assert {row["choice"] for row in got["table"]} == {"lid_seal"}
    base = next(row for row in got["table"] if row["level"] == row["reference"])
    assert base["lower"] is None and base["survival_gain"] == 0.0
    assert got["used"] + got["set_aside"] == got["rows"]
    assert isinstance(base["units"], int)


def test_the_same_seed_gives_the_same_output(capsys, log):
    args = (log, "--choices", "lid_seal", "--resamples", "60", "--json")
    assert run(capsys, *args)[1] == run(capsys, *args)[1]


def test_only_some_mechanisms(capsys, log):
    code, out, _ = run(
        capsys, log, "--choices", "lid_seal", "--cause", "lid_seal_leak,battery_exhausted", "--resamples", "60"
    )
    assert code == 0
    assert "not lost to lid seal leak or battery exhausted by 180 days" in " ".join(out.split())


def test_everything_that_can_be_ranked_is_ranked_by_default(capsys, log):
    code, out, _ = run(capsys, log, "--resamples", "60")
    assert code == 0
    assert "environment held equal" in out and " more with --all" in out
    whole = run(capsys, log, "--resamples", "60", "--all")[1]
    assert whole.count(" over ") > 2 * 8 and "more with --all" not in whole


@pytest.mark.parametrize(
    ("args", "code", "words"),
    [
        (("--choices", "lid_seel"), 2, "did you mean 'lid_seal'"),
        (("--adjust", "saltiness"), 2, "unknown column 'saltiness'"),
        (("--cause", "lightning"), 1, "none of the causes"),
        (("--choices", "lid_seal", "--resamples", "3"), 2, "resamples must be"),
    ],
)
def test_wrong_use_is_one_line(capsys, log, args, code, words):
    got, out, err = run(capsys, log, *args)
    assert (got, out) == (code, "")
    assert words in err and err.count("\n") == 1


def test_where_it_helps_is_shown_for_the_choices_named(capsys, log):
    code, out, _ = run(capsys, log, "--choices", "lid_seal,vent", "--where", "--resamples", "60")
    assert code == 0
    assert "O-ring over flat gasket: " in out.replace("o ring", "O-ring")
    assert "verdict" in out and "cannot tell" in out and "limits hold for all rows together" in out
