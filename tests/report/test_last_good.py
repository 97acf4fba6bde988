"""While nobody said what last_good_on means, every answer says first what hangs on it; one line settles it."""

import json

import pytest

from tests.report.last_records import MISSION, last_record_season, still_working
from workbench.cli import main
from workbench.log.season_log import read_log
from workbench.report.basis import last_good_doubt
from workbench.report.making.assembly import gather_findings, season_data

pytestmark = pytest.mark.slow

FIRST = (
    "The log does not say what last_good_on means, and for 24 failed units it lies 114 days (median) before found_on."
)
COMMANDS = {
    "check": [],
    "compare": ["--by", "lid_seal"],
    "rank": ["--resamples", "20"],
    "plan": ["--no-trial"],
    "teardown": [],
}


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    folder = tmp_path_factory.mktemp("season")
    last_record_season().to_csv(folder / "log.csv", index=False)
    (folder / "open.toml").write_text(f"mission_days = {MISSION}\n")
    (folder / "said.toml").write_text(f'mission_days = {MISSION}\n[time]\nlast_good_is = "last record"\n')
    return folder


def test_the_two_readings_differ_as_the_truth_says():
    doubt = last_good_doubt(read_log(last_record_season(), {"mission_days": MISSION}))
    assert (doubt.units, doubt.gap) == (24, 114.0)
    assert doubt.as_record == pytest.approx(still_working(), abs=1e-12)
    assert doubt.as_visit == 1.0


@pytest.mark.parametrize(
    "change",
    [
        {"settings": {"time": {"last_good_is": "last record"}}},
        {"settings": {"time": {"last_good_is": "visit"}}},
        {"settings": {"time": {"last_good_is": "mixed"}}},
        {"columns": {"time_basis": "visit"}},
        {"columns": {"found_on": "2025-09-07", "last_good_on": "2025-08-25"}},
        {"columns": {"outcome": "working"}},
    ],
)
def test_there_is_no_doubt_where_it_was_said_or_the_gaps_are_small(change):
    frame = last_record_season().assign(**change.get("columns", {}))
    assert last_good_doubt(read_log(frame, change.get("settings"))) is None


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_that_estimates_says_it_first_and_is_silent_once_it_is_settled(command, season, capsys):
    call = [command, str(season / "log.csv"), *COMMANDS[command], "--settings"]
    assert main([*call, str(season / "open.toml")]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith(FIRST)
    assert "68 % if it is the last record" in said and 'last_good_is = "last record"' in said
    assert main([*call, str(season / "said.toml"), "--json"]) == 0
    assert not any("last_good_on means" in note for note in json.loads(capsys.readouterr().out)["notes"])


def test_json_says_it_as_its_first_note(season, capsys):
    assert main(["check", str(season / "log.csv"), "--settings", str(season / "open.toml"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["notes"][0] == FIRST


def test_the_review_has_it_as_a_finding_and_as_its_first_caveat(season):
    data = season_data(season / "log.csv", settings=season / "open.toml")
    claims, _ = gather_findings(data)
    by_id = {claim.id: claim for claim in claims}
    own = by_id["outcome.last_good"]
    assert (own.estimate, own.upper) == (1.0, 1.0) and own.lower == pytest.approx(still_working(), abs=1e-6)
    assert next(c.id for c in claims if c.on_slide and c.section != "talk") == "outcome.last_good"
    assert any("last good day" in point for point in by_id["talk.lasted"].points)
    assert by_id["appendix.cautions"].caveats[0] == FIRST and by_id["outcome.lasting"].caveats[0] == FIRST
