"""What is said of spans: never "none failed" or "100 %" while failures may lie there, and both bounds of a claim."""

import json

import numpy as np
import pytest
from scipy.stats import beta

from tests.report.last_records import MISSION, last_record_season
from workbench.cli import main
from workbench.estimate.curves import restricted_mean, survival_curve
from workbench.estimate.shared import failed_by
from workbench.lives import Lives
from workbench.report.basis import compare_choice
from workbench.report.figures import draw, new_axes, theme
from workbench.report.making.assembly import gather_findings, season_data
from workbench.teardown.ends import lost_words

pytestmark = pytest.mark.slow

VISITS = {"mission_days": MISSION, "time": {"last_good_is": "visit"}}
MAY_HAVE = {"flat_gasket": 15, "cord": 3, "o_ring": 1}
"""Failures last seen good before day 120 and found dead after it, counted by hand."""


@pytest.fixture(scope="module")
def claims():
    found, _ = gather_findings(season_data(last_record_season(), settings=VISITS))
    return {claim.id: claim for claim in found}


def test_failures_before_a_day_are_known_or_possible():
    lives = Lives.from_arrays(lower=[0, 10, 20, 30, 30], upper=[5, 30, 40, 50, np.inf], weight=[1, 2, 1, 4, 1])
    assert failed_by(lives, 30.0) == (3, 1) and failed_by(lives, 31.0) == (3, 5) and failed_by(lives, 50.0) == (8, 0)


def test_no_sentence_of_the_review_says_that_none_failed_or_all_lasted(claims):
    for claim in claims.values():
        said = " ".join([claim.statement, *claim.caveats, *(str(c) for v in (claim.table or {}).values() for c in v)])
        for false in ("100 % lasted", "100 % of all units lasted", "no unit failed by", "0 % of the unit-days lost"):
            assert false not in said, (claim.id, false)
        if claim.id != "life.lid_seal.shortcut":
            assert "100 % (" not in said, claim.id
    assert "None of 60 units is known to have failed by 120 days; 19 may have" in claims["outcome.lasting"].statement
    assert "is known only by its" in claims["life.lid_seal.days"].statement
    assert "up to 1,152 may have been" in " ".join(claims["ends.mechanisms"].caveats)


def test_the_demonstrated_share_counts_what_straddles_the_mission_as_failed_and_gives_the_other_bound(claims):
    shown = claims["plan.shown"]
    assert (shown.units, shown.failures) == (60, 19)
    # Clopper & Pearson (1934), Biometrika 26, 404-413: a quantile of the beta distribution
    assert shown.lower == pytest.approx(beta.ppf(0.1, 41, 20), abs=1e-5)
    assert shown.upper == 1.0  # all of the 19 that may have failed lasted
    assert shown.statement == (
        "With 41 of 60 units known to last 120 days you may claim 59 % at 90 % confidence, counting as failed the 19 "
        "that may have failed by then; 96 % would be the claim had they all lasted."
    )


def test_shares_of_mechanisms_from_no_evidence_at_all_are_no_finding(claims):
    assert not any(name.startswith("mechanism.preventable") for name in claims)
    opened = last_record_season().assign(mechanism=lambda f: ["lid_seal_leak"] + [None] * (len(f) - 1))
    found, _ = gather_findings(season_data(opened, settings=VISITS))
    assert any(claim.id.startswith("mechanism.preventable") for claim in found)


def test_compare_shows_limits_alone_where_nobody_looked_and_says_what_rank_asks(tmp_path, capsys):
    log, settings = tmp_path / "log.csv", tmp_path / "season.toml"
    last_record_season().to_csv(log, index=False)
    settings.write_text(f'mission_days = {MISSION}\n[time]\nlast_good_is = "visit"\n')
    call = ["compare", str(log), "--by", "lid_seal", "--settings", str(settings)]
    assert main([*call, "--all"]) == 0
    said = capsys.readouterr().out
    assert "100 % lasted" not in said and "100 (" not in said and "no unit failed by" not in said
    assert "None of 20 units with flat gasket is known to have failed by 120 days; 15 may have" in said
    assert "flat gasket: none is known to have failed by 120 days, 15 may have" in said
    assert "'rank' asks another question" in said
    assert main([*call, "--json"]) == 0
    groups = json.loads(capsys.readouterr().out)["groups"]
    assert {g["level"]: g["may_have_failed"] for g in groups} == MAY_HAVE
    assert main(["rank", str(log), "--resamples", "20", "--settings", str(settings)]) == 0
    assert "'workbench compare' shows the raw shares" in " ".join(capsys.readouterr().out.split())


def test_a_mean_says_so_only_where_nothing_can_have_failed():
    sure = Lives.from_arrays(lower=[150.0] * 4 + [130.0], upper=[np.inf] * 4 + [160.0])
    open_ = Lives.from_arrays(lower=[150.0] * 4 + [30.0], upper=[np.inf] * 4 + [160.0])
    assert any("no unit failed by 120 days" in note for note in restricted_mean(sure, 120).notes)
    notes = restricted_mean(open_, 120).notes
    assert any("none is known to have failed by 120 days, 1 may have" in note for note in notes)


def test_lost_days_are_a_share_or_the_days_between_which_they_lie():
    assert lost_words(0.4, 100.0, 200.0) == "40 % of the unit-days lost"
    assert lost_words(float("nan"), 0.0, 1152.0) == "between 0 and 1,152 of the unit-days lost"
    assert lost_words(0.0, 0.0, 0.0) == "0 % of the unit-days lost"


def test_no_line_of_a_figure_runs_where_failures_may_lie_and_none_is_known():
    """The flat gaskets may have failed from day 8 on (hand count), and none is known to have before day 190."""
    data = season_data(last_record_season(), settings=VISITS)
    choice = compare_choice(data, "lid_seal")
    assert choice.curve.none_known("flat_gasket") == (8.0, 190.0)
    with theme():
        ax = new_axes()
        draw(choice.curve, ax, mission=120.0)
    lines = [line for line in ax.get_lines() if line.get_linestyle() not in (":", "None") and line.get_zorder() == 3]
    ends = sorted(max(line.get_xdata()) for line in lines if max(line.get_ydata()) == 100)
    assert ends == [8.0, 35.0, 118.0]
    labels = {text.get_text() for text in ax.texts}
    assert "flat gasket: 9 to 100 %" in labels and "o ring: 75 to 100 %" in labels


def test_exact_lives_and_visits_of_one_grid_have_no_such_days():
    lives = Lives.from_arrays(time=[5.0, 9.0, 12.0], failed=[True, False, True])
    assert survival_curve(lives).none_known("all") == (np.inf, np.inf)
    grid = Lives.from_arrays(lower=[0.0, 4.0, 20.0], upper=[3.0, 9.0, np.inf])
    assert survival_curve(grid).none_known("all") == (np.inf, np.inf)
    crossing = Lives.from_arrays(lower=[2.0, 4.0, 20.0], upper=[6.0, 9.0, np.inf])
    assert survival_curve(crossing).none_known("all") == (2.0, 6.0)


def test_json_of_a_comparison_has_no_share_where_the_text_has_none(tmp_path, capsys):
    log, settings = tmp_path / "log.csv", tmp_path / "season.toml"
    last_record_season().to_csv(log, index=False)
    settings.write_text('[time]\nlast_good_is = "visit"\n', encoding="utf-8")
    assert main(["compare", str(log), "--by", "lid_seal", "--mission", "120", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    for group in found["groups"]:
        assert group["share"] is None and group["days"] is None and group["upper"] == 1.0
        assert group["say"].startswith("None of 20 units") and f"{MAY_HAVE[group['level']]} may have" in group["say"]
    assert [d["share_difference"] for d in found["differences"]] == [None, None]
    assert all(d["share_lower"] < 0 < d["share_upper"] for d in found["differences"])
