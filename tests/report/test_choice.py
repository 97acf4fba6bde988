"""Findings on length of life: hand-worked shares, zero failures, few units, missing units and the shortcut."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.report.toys import season_of
from workbench.estimate.curves.curves import survival_curve
from workbench.lives import Lives
from workbench.report.basis.choice import compare_choice, test_levels
from workbench.report.basis.missing_bounds import missing_bounds, missing_runs, share_surviving
from workbench.report.findings.findings_life import choice_findings, life_findings
from workbench.report.findings.findings_outcome import outcome_findings
from workbench.report.findings.ranking_words import ranked_rows
from workbench.report.making.assembly import season_data


@pytest.fixture(scope="module")
def by_hand():
    """Ten units a seal, followed for 200 days. flat: 6 failed by day 100, so 40 % last 150 days; cord: 2, so 80 %."""
    flat = [(20, 1), (40, 1), (60, 1), (70, 1), (80, 1), (100, 1)] + [(200, 0)] * 4
    cord = [(90, 1), (120, 1)] + [(200, 0)] * 8
    time, failed = np.array(flat + cord).T
    return season_of(time, failed == 1, {"lid_seal": ["flat"] * 10 + ["cord"] * 10})


def with_reference(data, first):
    import pandas as pd

    covariates = data.lives.covariates.copy()
    levels = [first, *sorted(set(covariates["lid_seal"]) - {first})]
    covariates["lid_seal"] = pd.Categorical(covariates["lid_seal"], categories=levels)
    return replace(data, lives=data.lives.replace(covariates=covariates))


def test_shares_and_differences_are_those_worked_by_hand(by_hand):
    choice = compare_choice(with_reference(by_hand, "flat"), "lid_seal")

    assert choice.reference == "flat"
    assert choice.shares["flat"].share == pytest.approx(0.4)
    assert choice.shares["cord"].share == pytest.approx(0.8)
    assert (choice.shares["cord"].units, choice.shares["cord"].failures) == (10, 2)
    assert choice.differences["cord"][0] == pytest.approx(0.4)
    # area under the curves to day 150: flat (20+40+60+70+80+100+4*150)/10 = 97, cord (90+120+8*150)/10 = 141
    assert choice.days["cord"][0] == pytest.approx(44.0)
    assert choice.counts == (20, 8)


def test_few_failures_are_tested_by_permutation(by_hand):
    choice = compare_choice(by_hand, "lid_seal")

    assert "permutation" in choice.test.method
    assert 0 < choice.test.p_value < 1
    many = season_of([10.0] * 30 + [20.0] * 30, [True] * 60, {"lid_seal": ["a"] * 30 + ["b"] * 30})
    assert "permutation" not in compare_choice(many, "lid_seal").test.method


def test_the_headline_gives_shares_before_anything_else_and_names_the_reference(by_hand):
    head = choice_findings(with_reference(by_hand, "flat"), "lid_seal", section="life", order=1)[0]

    assert head.statement.startswith(
        "Lid seal: with cord seal 80 % lasted 150 days, with flat (reference) 40 %: +40 points"
    )
    assert head.estimate == pytest.approx(0.4)
    assert head.lower < head.estimate < head.upper
    assert (head.units, head.failures) == (20, 8)
    assert any("8 failures and 50 %" in caveat for caveat in head.caveats)
    assert head.table["units / failed"] == ("10 / 6", "10 / 2")


def test_a_level_without_failures_gets_the_exact_bound_and_no_certainty():
    """0 of 10, all still out: 1 - 0.025^(1/10) = 31 % could have failed (Clopper-Pearson)."""
    time = [200] * 10 + [50, 60, 70, 80, 90] + [200] * 5
    data = season_of(time, np.array(time) < 200, {"lid_seal": ["a_flat"] * 10 + ["cord"] * 10})
    head = choice_findings(data, "lid_seal", section="life", order=1)[0]

    assert any("None of 10 units with a flat failed" in c and "up to 31 %" in c for c in head.caveats)
    assert head.table["lasted 150 days"][0] == "100 % (69 to 100)"


def test_levels_of_fewer_than_five_units_are_named_and_left_out(by_hand):
    seal = [*["flat"] * 8, *["rare"] * 2, *["cord"] * 10]
    data = season_of(by_hand.lives.lower, by_hand.lives.failed, {"lid_seal": seal})
    head = choice_findings(data, "lid_seal", section="life", order=1)[0]

    assert "Too few units to compare: rare." in head.caveats
    assert head.units == 18


def test_blank_values_are_counted_and_left_out(by_hand):
    seal = [None, *["flat"] * 9, *["cord"] * 10]
    data = season_of(by_hand.lives.lower, by_hand.lives.failed, {"lid_seal": seal})
    head = choice_findings(data, "lid_seal", section="life", order=1)[0]

    assert any("Without a recorded lid seal: 1 unit, left out" in caveat for caveat in head.caveats)


def test_without_a_choice_to_compare_one_finding_says_so():
    data = season_of([10.0, 20.0], [True, False], {"lid_seal": ["a", "b"]})

    assert [f.kind for f in life_findings(data)] == ["not known"]


def test_a_mission_beyond_what_was_seen_is_not_known():
    data = season_of([50.0] * 10 + [60.0] * 10, [False] * 20, {"lid_seal": ["a", "b"] * 10}, mission=150.0)
    head = choice_findings(data, "lid_seal", section="life", order=1)[0]

    assert head.estimate is None
    assert "cannot be compared at 150 days" in head.statement
    assert "nan" not in head.statement.lower()


def test_the_shortcut_is_shown_beside_the_spans():
    """Of ten with a, one failed in (60, 160] and one in (100, 200]: their mass lies in (100, 160], evenly spread, so
    1 - 0.2 * 50 / 60 = 83 % last 150 days; read as failed on days 160 and 200 it would be all of them."""
    lower, upper = [60.0, 100.0] + [250.0] * 8, [160.0, 200.0] + [np.inf] * 8
    data = season_of(
        None,
        None,
        {"lid_seal": ["a"] * 10 + ["b"] * 10},
        lower=lower + [20.0] * 3 + [250.0] * 7,
        upper=upper + [40.0] * 3 + [np.inf] * 7,
    )
    found = {f.id: f for f in choice_findings(data, "lid_seal", section="life", order=1)}
    shortcut = found["life.lid_seal.shortcut"]

    assert "would have said 100 % instead of 83 % with a" in shortcut.statement
    assert shortcut.estimate == pytest.approx(1 / 6, abs=1e-5)


def test_missing_units_are_suspended_failed_at_once_or_worked_on():
    data = season_of([50.0, 60.0, 200.0], [False, True, False], {"lid_seal": ["a"] * 3, "followed_to": [180, 60, 200]},
                     outcome=["missing", "failed", "working"])  # fmt: skip
    runs = missing_runs(data.lives)

    assert runs["suspended"].upper[0] == np.inf
    assert (runs["failed"].lower[0], runs["failed"].upper[0]) == (50.0, 51.0)
    assert runs["worked"].lower[0] == 180.0
    assert runs["worked"].lower[1] == 60.0


def test_the_number_of_missing_units_that_turns_the_sign_is_searched():
    """a: 2 of 10 failed, 4 missing on day 160; b: 6 of 10 last. The missing ones that did not fail leave on day 160, so
    one failure on day 161 takes a to 0.8 * 4/5 = 0.64 and two take it to 0.8 * 4/6 = 0.53, below 0.6."""
    time = [50, 50] + [160] * 4 + [200] * 4 + [40] * 4 + [200] * 6
    outcome = ["failed"] * 2 + ["missing"] * 4 + ["working"] * 4 + ["failed"] * 4 + ["working"] * 6
    failed = [o == "failed" for o in outcome]
    lives = season_of(time, failed, {"lid_seal": ["a"] * 10 + ["b"] * 10}, outcome=outcome, mission=170.0).lives
    bounds = missing_bounds(lives, "lid_seal", "a", reference="b", mission=170.0)

    assert bounds.better == "a"
    assert bounds.missing == 4
    assert bounds.difference == pytest.approx(0.2)
    assert bounds.flips_at == 2
    assert bounds.lowest == pytest.approx(0.4 - 0.6)
    assert bounds.crossed_changes_sign


def test_no_missing_unit_no_bounds(by_hand):
    assert missing_bounds(by_hand.lives, "lid_seal", "cord", reference="flat", mission=150.0) is None


def test_the_quick_share_is_that_of_the_curve():
    rng = np.random.default_rng(8)
    lower = rng.integers(0, 150, 40).astype(float)
    upper = np.where(rng.random(40) < 0.6, lower + rng.integers(1, 60, 40), np.inf)
    lives = season_of(None, None, {"lid_seal": ["a"] * 40}, lower=lower, upper=upper).lives
    curve = survival_curve(lives)

    for day in (0.0, 10.0, 55.5, 100.0, 149.0):
        assert share_surviving(lives, day) == pytest.approx(curve.at(day)["survival"].iloc[0], nan_ok=True)


def test_outcomes_are_counted_in_words(by_hand):
    ends = {f.id: f for f in outcome_findings(by_hand)}

    assert ends["outcome.ends"].statement.startswith(
        "Of 20 units put out, 8 failed, 12 were still working, none are missing"
    )
    assert ends["outcome.rows"].statement == "Of 20 rows in the log all 20 were used; every row is accounted for."
    assert "outcome.missing" not in ends
    assert ends["outcome.lasting"].estimate == pytest.approx(0.6)


def test_a_test_that_is_impossible_gives_a_reason_and_no_number():
    data = season_of([10.0] * 12, [False] * 12, {"lid_seal": ["a", "b"] * 6})
    tested = test_levels(data.lives, "lid_seal", "a")

    assert math.isnan(tested.p_value) or 0 < tested.p_value <= 1
    assert tested.notes or math.isfinite(tested.p_value)


@pytest.fixture(scope="module")
def refitted():
    """Flat seals watched from day 0, cords from day 60 on."""
    rng = np.random.default_rng(5)
    life = np.ceil(rng.exponential(150, 60))
    seal = np.where(np.arange(60) % 2, "cord", "flat")
    seen = (seal == "flat") | (life > 60)
    data = season_of(np.minimum(life, 200)[seen], (life <= 200)[seen], {"lid_seal": list(seal[seen])})
    entry = np.where(seal[seen] == "cord", 60.0, 0.0)
    return replace(data, lives=data.lives.replace(entry=entry))


def test_a_level_first_seen_late_is_not_compared_and_the_reason_is_said(refitted):
    choice = compare_choice(with_reference(refitted, "flat"), "lid_seal")
    findings = choice_findings(with_reference(refitted, "flat"), "lid_seal", section="life", order=1)
    said = " ".join(f.statement for f in findings)

    assert not np.isfinite(choice.shares["cord"].share)
    assert np.isnan(choice.differences["cord"]).all() and np.isnan(choice.days["cord"]).all()
    assert "with cord seal none was watched before day 60" in said
    assert all("not reached" not in str(f.table) for f in findings)


def test_the_curve_of_a_level_first_seen_late_is_not_drawn(refitted):
    from workbench import draw
    from workbench.report.figures.style import new_axes, theme

    with theme():
        ax = new_axes()
        draw(survival_curve(refitted.lives, "lid_seal"), ax)
    texts = [text.get_text().replace("\n", " ") for text in ax.texts]
    assert any("no curve for cord: not watched from day 0" in text for text in texts)
    assert all(np.nanmin(line.get_ydata()) < 99 for line in ax.lines if len(line.get_ydata()) > 4)


def test_the_difference_within_strata_is_the_average_of_theirs():
    """Worked by hand: at the coast 4 of 10 cord and 2 of 10 flat failed, inland 1 of 10 and 3 of 10."""
    from workbench.report.basis.choice import _inside

    failed = {("coast", "cord"): 4, ("coast", "flat"): 2, ("inland", "cord"): 1, ("inland", "flat"): 3}
    rows = [(place, seal, n < bad) for (place, seal), bad in failed.items() for n in range(10)]
    covariates = pd.DataFrame(rows, columns=["place", "seal", "failed"])
    covariates["seal"] = pd.Categorical(covariates["seal"], ["flat", "cord"])
    bad = covariates.pop("failed").to_numpy()
    lives = Lives.from_arrays(np.where(bad, 50.0, 100.0), bad, covariates=covariates)
    both = _inside(lives, "seal", "place", mission=90.0, confidence=0.95)["cord"]
    assert both.places == 2
    assert both.difference == pytest.approx((-0.2 + 0.2) / 2)  # equal units: equal weights
    assert -0.35 < both.lower < 0 < both.upper < 0.35
    only = lives.take(np.flatnonzero((covariates["place"] == "coast").to_numpy()))
    alone = _inside(only, "seal", "place", mission=90.0, confidence=0.95)["cord"]
    assert alone.difference == pytest.approx(-0.2) and alone.places == 1


@pytest.mark.slow
def test_a_comparison_and_the_ranking_give_one_figure_within_environments():
    """Every level of every choice of a sample season, as 'compare', the ranking's table and its rows show it."""
    data = season_data(Path(__file__).parents[2] / "sample_data" / "lantern_moor_2025.csv")
    table = data.ranking.table.set_index(["choice", "level"])
    rows = {(r.choice, r.level): (r.within, r.within_lower, r.within_upper) for r in ranked_rows(data, data.ranking)}
    asked = 0
    for column in data.choices():
        for level, inside in compare_choice(data, column, with_days=False).inside.items():
            figures = (inside.difference, inside.lower, inside.upper)
            ranked = table.loc[(column, level), ["raw_gain_within", "within_lower", "within_upper"]].tolist()
            assert ranked == pytest.approx(figures, abs=1e-9)
            assert rows[column, level] == pytest.approx(figures, abs=1e-9)
            asked += 1
    assert asked == len(rows)


@pytest.mark.parametrize(("spread", "said"), [(1, "which of them cannot be said yet"), (9, "rarely set")])
def test_levels_that_differ_together_are_not_called_alike(spread, said):
    """Three seals of 15 units; by the share lasting 150 days none leaves the reference's limits, or one does."""
    lasted = {"flat": 6, "cord": 6 + min(spread, 8), "ring": 6 - min(spread, 1)}
    time = np.concatenate([[*range(10, 10 + 15 - n), *[200] * n] for n in lasted.values()])
    data = season_of(time, time < 200, {"lid_seal": np.repeat(list(lasted), 15)})
    choice = compare_choice(with_reference(data, "flat"), "lid_seal")
    together = replace(choice, test=replace(choice.test, p_value=0.01, adjusted={"cord": 0.2, "ring": 0.4}))
    assert said in together.overall("150 days")
