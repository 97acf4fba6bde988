"""Second opinion: what is checked, what cannot be, and that a finding two programs disagree on is withheld."""

import math

import numpy as np
import pytest

from tests.report.toys import season_of
from workbench.cli import main
from workbench.report.basis.finding import Finding
from workbench.report.findings.second_opinion import SecondOpinion, opinion_findings, second_opinions
from workbench.report.making.assembly import Review


@pytest.fixture(scope="module")
def exact():
    """Right-censored lives with two seals: everything can be computed twice."""
    rng = np.random.default_rng(3)
    n = 60
    seal = np.repeat(["flat", "cord"], n // 2)
    time = np.ceil(rng.weibull(1.5, n) * np.where(seal == "cord", 240, 150))
    return season_of(np.minimum(time, 200), time <= 200, {"lid_seal": seal})


def finding(name, **changes):
    return Finding(id=name, kind="share", statement="Said.", method="Counted.", section="life", **changes)


def test_curves_tests_and_model_agree_with_the_second_program(exact):
    checks = second_opinions(exact)

    assert [c.agrees for c in checks] == [True, True, True]
    assert checks[0].second == pytest.approx(checks[0].ours, abs=1e-8)
    assert "log-rank" in checks[1].what
    assert "log-likelihood" in checks[2].what


def test_spans_are_not_checked_and_the_reason_is_said():
    data = season_of(
        None, None, {"lid_seal": ["a", "b"] * 12}, lower=[10.0] * 24, upper=[*[40.0, 70.0] * 6, *[np.inf] * 12]
    )
    checks = second_opinions(data)

    assert [c.agrees for c in checks[:2]] == [None, None]
    assert {c.reason for c in checks[:2]} == {"failures lie in spans"}
    assert checks[2].agrees in (True, None)


def test_a_disagreement_withholds_what_rests_on_it_and_shows_both_numbers(exact):
    wrong = SecondOpinion(what="the share", ours=0.8125, second=0.7125, tolerance=1e-8, touches=("life.lid_seal",))
    findings, withheld = opinion_findings(
        exact, [finding("life.lid_seal"), finding("life.lid_seal.cord"), finding("life.vent")], [wrong]
    )
    by_id = {f.id: f for f in findings}

    for name in ("life.lid_seal", "life.lid_seal.cord"):
        assert by_id[name].kind == "withheld"
        assert "0.8125" in by_id[name].statement
        assert "0.7125" in by_id[name].statement
        assert by_id[name].estimate is None
    assert by_id["life.vent"].kind == "share"
    assert len(withheld) == 1
    assert "0.8125" in withheld[0]
    assert "0.7125" in withheld[0]
    assert "it disagrees" in by_id["appendix.checks"].statement


@pytest.mark.parametrize(
    ("ours", "second", "agrees"),
    [(1.0, 1.0 + 5e-9, True), (1.0, 1.0 + 5e-8, False), (-400.0, -400.0 - 3e-6, True), (math.nan, 1.0, None)],
)
def test_tolerance_is_relative_to_the_larger_of_one_and_the_figure(ours, second, agrees):
    assert SecondOpinion(what="x", ours=ours, second=second, tolerance=1e-8, touches=()).agrees is agrees


def test_what_no_second_program_computes_is_listed(exact):
    findings, _ = opinion_findings(exact, [], [])
    report = findings[-1]

    assert report.id == "appendix.checks"
    assert report.statement.startswith("No figure could be computed")
    assert "late entry" in report.caveats[0]


def test_the_command_fails_under_strict_when_a_finding_is_withheld(monkeypatch, capsys, tmp_path):
    files = {name: tmp_path / name for name in ("html", "summary", "pptx", "findings", "set_aside", "ledger")}
    sentence = "The share: the workbench computes 1, the second program 2; what rests on it is withheld"
    written = Review(**files, claims=(), withheld=(sentence,), rows_set_aside=0, said_first=())
    monkeypatch.setattr("workbench.report.making.review", lambda *a, **k: written)

    assert main(["review", "x", "--out", str(tmp_path), "--strict"]) == 1
    assert "withheld: The share" in capsys.readouterr().err
    assert main(["review", "x", "--out", str(tmp_path)]) == 0
