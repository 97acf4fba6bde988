"""Last season beside this one: numbers, the contrast of an action, and when it cannot be told from the season."""

from dataclasses import replace

import pytest

from tests.report.toys import season_of
from workbench.errors import UsageError, WorkbenchError
from workbench.report.findings.findings_outcome import outcome_findings
from workbench.report.findings.previous import pooled_lives, previous_findings
from workbench.report.making.assembly import read_previous

ACTION = {"what": "cord for flat", "choice": "lid_seal", "from": "flat", "to": "cord", "since": "2025"}


def season(flat, cord, **more):
    """`flat` and `cord`: numbers of units and of failures on day 60; the others worked for 200 days."""
    seal, time, failed = [], [], []
    for name, (units, failures) in (("flat", flat), ("cord", cord)):
        seal += [name] * units
        time += [60.0] * failures + [200.0] * (units - failures)
        failed += [True] * failures + [False] * (units - failures)
    sites = [f"S{k % 4}" for k in range(len(seal))]
    return season_of(time, failed, {"lid_seal": seal, "site": sites}, **more)


@pytest.fixture(scope="module")
def both():
    last = season((20, 12), (0, 0))
    return season((20, 10), (20, 3), settings={"action": [ACTION]}, previous=last)


def test_the_new_level_is_compared_with_the_old_one_of_the_same_season(both):
    found = {f.id: f for f in previous_findings(both)}
    action = found["previous.action_1"]

    assert "With cord seal 85 % lasted 150 days, with flat (reference) 50 %: +35 points" in action.statement
    assert "held equal the difference is" in action.statement
    assert action.lower < action.estimate < action.upper
    assert 0 < action.estimate < 0.5
    assert (action.units, action.failures) == (40, 13)
    assert any("need not be its effect" in caveat for caveat in action.caveats)
    assert next(iter(found)) == "previous.action_1"


def test_numbers_stand_side_by_side(both):
    numbers = previous_findings(both)[-1]

    assert numbers.table["figure"][:3] == ("put out", "failures", "lasted the mission")
    assert numbers.table["last season"][:2] == ("20", "12")
    assert numbers.table["this season"][:2] == ("40", "13")
    assert numbers.table["change"][:2] == ("+20", "+1")
    assert numbers.estimate == pytest.approx(27 / 40 - 8 / 20, abs=1e-5)


def test_without_the_old_level_it_cannot_be_told_apart_from_the_season():
    data = season((0, 0), (20, 3), settings={"action": [ACTION]}, previous=season((20, 12), (0, 0)))
    action = previous_findings(data)[0]

    assert action.grade == "cannot be told apart"
    assert action.estimate is None
    assert "cannot be told apart from the season" in action.statement
    rows = list(zip(*action.table.values(), strict=True))
    assert any(row[:3] == ("last season", "flat", "20") and row[3].startswith("40 %") for row in rows)
    assert any(row[:3] == ("this season", "flat", "0") and row[3] == "no units" for row in rows)


def test_an_action_on_a_column_that_the_log_lacks_is_not_known(both):
    data = replace(both, settings={"action": [{**ACTION, "choice": "vent"}]})

    assert "the log has no column vent" in previous_findings(data)[0].statement


def test_last_season_may_be_its_findings_alone(both):
    kept = replace(both, previous=outcome_findings(both.previous))
    numbers = previous_findings(kept)[-1]

    assert numbers.table["last season"][:2] == ("20", "12")
    assert previous_findings(kept)[0].id == "previous.action_1"


def test_nothing_is_said_without_a_last_season(both):
    assert previous_findings(replace(both, previous=None)) == []


def test_seasons_are_pooled_with_a_column_that_tells_them_apart(both):
    pooled = pooled_lives(both, both.previous)

    assert len(pooled) == 60
    assert pooled.covariates["season_pooled"].tolist() == ["last"] * 20 + ["this"] * 40


def test_a_last_season_that_cannot_be_read_is_named(both, tmp_path):
    with pytest.raises(UsageError, match="does not exist"):
        read_previous(tmp_path / "none.csv", both)
    wrong = tmp_path / "findings.json"
    wrong.write_text("{}", encoding="utf-8")
    with pytest.raises(WorkbenchError, match="no findings of schema 1"):
        read_previous(wrong, both)


@pytest.mark.slow
def test_the_findings_file_of_a_review_can_be_given(plain_review, both):
    findings = read_previous(plain_review.findings, both)

    assert {"outcome.ends", "outcome.lasting"} <= {f.id for f in findings}
