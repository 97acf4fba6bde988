"""Ranking in the review: sentences that claim no more than their grade, figures that show what the table holds."""

import math

import numpy as np
import pytest

from workbench.mentions import Mention, Sentence
from workbench.report.basis import placed_choices
from workbench.report.figures import draw
from workbench.report.figures.style import new_axes, theme
from workbench.report.findings.findings_ranking import ranking_findings
from workbench.report.findings.ranking_words import caveats_of, claim, labelled, ranked_rows, shift_sentence
from workbench.report.making.assembly import season_data
from workbench.simulate import simulate_season
from workbench.wording import signed_points

pytestmark = pytest.mark.slow

EFFECTS = {"lid_seal": {"cord": 0.3, "o_ring": 1.4}}
ONLY = {"lid_seal": {"flat_gasket": 0.5, "o_ring": 0.5}}


def _data(tmp_path_factory, effects, **options):
    log, _ = simulate_season(150, seed=5, effects=effects, **options)
    path = tmp_path_factory.mktemp("season") / "log.csv"
    log.to_csv(path, index=False)
    settings = {
        "mission_days": 180,
        "mechanisms_of_interest": ["lid_seal_leak", "corrosion_contacts"],
        "reference": {"lid_seal": "flat_gasket"},
    }
    return season_data(path, settings=settings, mission=None, seed=1)


@pytest.fixture(scope="module")
def data(tmp_path_factory):
    return _data(tmp_path_factory, EFFECTS, alias="closure", competing=False, shares=ONLY, confounding=0.5)


@pytest.fixture(scope="module")
def findings(data):
    return {f.id: f for f in ranking_findings(data)}


@pytest.fixture(scope="module")
def ranking(findings):
    return findings["ranking"].figure.result


def test_every_comparison_is_a_finding_with_counts_limits_and_grade(findings, ranking):
    table = ranking.table[ranking.table.level != ranking.table.reference]
    own = {
        i: f for i, f in findings.items() if f.kind == "difference" and i.startswith("ranking.") and i.count(".") == 2
    }
    assert len(own) == len(table) == ranking.comparisons
    for row, finding in zip(table.itertuples(), own.values(), strict=True):
        assert finding.estimate == pytest.approx(row.survival_gain, rel=1e-4)
        assert finding.grade == row.grade
        assert finding.units is not None and finding.failures is not None and finding.confidence == 0.95


def test_words_follow_the_grade(data, ranking):
    for row in ranked_rows(data, ranking):
        sentence = claim(row, "180 days", 0.95)
        assert ("goes with" in sentence) == (row.grade == "clear")
        assert ("may go with" in sentence) == (row.grade == "likely")
        assert ("could not be told apart" in sentence or "cannot be told apart" in sentence) == (
            row.grade in ("unclear", "cannot be told apart")
        )
        assert "cause" not in sentence and not sentence.endswith(".")
        assert caveats_of(ranking, row)[0].startswith(f"Grade '{row.grade}':")


def test_the_strong_seal_is_told_with_shares_before_the_ratio(findings):
    statement = findings["ranking.lid_seal.o_ring"].statement
    assert findings["ranking.lid_seal.o_ring"].grade in ("clear", "likely")
    assert statement.index(" % of the fleet") < statement.index("time ratio")
    assert "with flat gasket" in statement and "95 % limits" in statement and "failed" in statement


def test_the_overview_says_how_many_comparisons_and_that_it_is_association(findings, ranking):
    caveats = findings["ranking"].caveats
    assert caveats[0].startswith(f"{ranking.comparisons} comparisons were looked at; under no effect at all")
    assert "associations" in caveats[1]


def test_what_cannot_be_told_apart_is_named_with_its_partner(findings):
    finding = findings["ranking.apart"]
    assert finding.section == "apart"
    assert "closure " in finding.statement and "batch " in finding.statement and " = " not in finding.statement
    assert "cannot be told apart" in finding.statement
    assert "closure" in findings["ranking.mix"].statement


def test_a_sentence_of_the_ranking_says_labels_in_place_of_columns_and_levels(data):
    """A level with a label stands alone, one without stands with its column, and text is left as it is."""
    seal, closure = Mention("lid_seal", "o_ring"), Mention("closure", "latches")
    said = Sentence(seal, " and ", closure, " of ", Mention("lid_seal"), "; not LM_203, not lid_seal = o_ring")
    assert said == "lid_seal = o_ring and closure = latches of lid_seal; not LM_203, not lid_seal = o_ring"
    assert labelled(data, said) == "O-ring and closure latches of lid seal; not LM_203, not lid_seal = o_ring"
    alone = Sentence(Mention("lid_seal", "o_ring", alone=True), ", ", Mention("closure", "latches", alone=True))
    assert (alone, labelled(data, alone)) == ("o_ring, latches", "O-ring, latches")


def test_the_raw_difference_stands_beside_the_adjusted_gain(data, findings, ranking):
    finding = findings["ranking.raw"]
    assert set(finding.table) == {"level", "raw", "raw, within environments", "adjusted"}
    row = next(r for r in ranked_rows(data, ranking) if (r.choice, r.level) == ("lid_seal", "o_ring"))
    assert finding.estimate == pytest.approx(row.raw_gain, rel=1e-4)
    assert "raw curves show" in shift_sentence(data, ranking, row)


def test_appendix_holds_sensitivity_opinions_strengths_and_e_values(findings):
    for name in ("sensitivity", "opinions", "overlap", "rules", "strengths", "e_value"):
        assert findings[f"ranking.{name}"].section == "appendix"
    assert findings["ranking.e_value"].estimate >= 1
    assert findings["ranking.mechanisms"].section == "ranking"
    said = findings["ranking.mechanisms"].statement
    assert "would not have been lost to" in said and "to anything, raw" in said
    assert "lasted" not in said and "life" not in said.replace("ratio", "")
    assert "Lost to anything" in findings["ranking.mechanisms"].caveats[0]


def test_a_season_without_effects_says_so(tmp_path_factory):
    found = {f.id: f for f in ranking_findings(_data(tmp_path_factory, {}))}
    if not any(f.grade in ("clear", "likely") for f in found.values() if f.id.startswith("ranking.")):
        assert found["ranking"].statement.startswith("None of ")
    assert "That does not prove" in found["ranking.unclear"].statement


def test_a_season_that_cannot_be_ranked_gives_one_finding_with_the_reason(tmp_path):
    log, _ = simulate_season(60, seed=1, effects={})
    alive = log[log.outcome == "working"]
    alive.to_csv(tmp_path / "log.csv", index=False)
    (finding,) = ranking_findings(season_data(tmp_path / "log.csv", settings={}, mission=180, seed=0))
    assert finding.kind == "not known" and "could not be ranked: " in finding.statement


@pytest.mark.parametrize("show", ["points", "days"])
def test_dots_stand_at_the_gains_of_the_table(ranking, show):
    column, scale = ("survival_gain", 100) if show == "points" else ("days_gained", 1)
    with theme():
        ax = new_axes()
        draw(ranking, ax, show=show)
    rows = ranking.table[ranking.table.level != ranking.table.reference].iloc[:16]
    dots = [line.get_xdata()[0] for line in ax.lines if line.get_marker() in ("o", "D", "X")]
    assert dots == pytest.approx((scale * rows[column]).tolist())
    words = [t.get_text() for t in ax.texts]
    assert [w.rsplit(", ", 1)[1] for w in words if ", " in w] == rows.grade.tolist()
    assert ("of 100" if show == "points" else "days") in ax.get_xlabel()


def test_raw_marks_stand_at_the_raw_differences(ranking):
    with theme():
        ax = new_axes()
        draw(ranking, ax, show="points with raw", choices=["lid_seal"])
    marks = [line.get_xdata()[0] for line in ax.lines if line.get_marker() == "|"]
    rows = ranking.of("lid_seal")
    assert marks == pytest.approx((100 * rows[rows.level != rows.reference].raw_gain).tolist())


def test_fields_of_the_overlap_hold_the_counts(ranking):
    with theme():
        ax = new_axes()
        draw(ranking.overlap, ax, choice="lid_seal", place="environment")
    table = ranking.overlap.table
    here = table[(table.choice == "lid_seal") & (table.place == "environment")]
    shown = sorted(t.get_text() for t in ax.texts)
    assert shown == sorted(f"{r.failures}/{r.units}" for r in here.itertuples() if r.units)


def test_figures_survive_unknown_gains(ranking):
    from dataclasses import replace

    columns = {k: np.array(v) for k, v in ranking.columns.items()}
    for name in ("survival_gain", "lower", "upper"):
        columns[name] = np.where(np.arange(len(columns[name])) == 0, math.nan, columns[name].astype(float))
    with theme():
        ax = new_axes()
        draw(replace(ranking, columns=columns), ax)
    assert ax.get_xlabel()


def test_a_supported_comparison_shows_the_gain_asked_in_other_ways(findings, ranking):
    row = ranking.of("lid_seal").set_index("level").loc["o_ring"]
    table = findings["ranking.lid_seal.o_ring"].table
    shown = dict(zip(*table.values(), strict=True))
    assert shown["as ranked"].startswith(signed_points(row.survival_gain))
    assert shown["without time ratios"].startswith(signed_points(row.gain_second))
    assert shown[f"without {row.weakest_unit}"] == signed_points(row.gain_without_unit)
    assert shown[f"without {row.weakest_site}"] == signed_points(row.gain_without_site)


def test_where_it_helps_is_told_with_counts_that_add_up(data, findings, ranking):
    told = findings["ranking.where"]
    assert told.statement.startswith(("No choice is shown to work differently by environment", "By environment"))
    assert "Lid seal: O-ring over flat gasket: " in told.statement
    chosen = placed_choices(data, ranking)
    assert "lid_seal" in chosen and all(c in set(ranking.table.choice) for c in chosen)
    overlap = ranking.overlap.table
    for comparison, place, failed in zip(*list(told.table.values())[:3], strict=True):
        if comparison.startswith("Lid seal: O-ring"):
            here = overlap[(overlap.level == "o_ring") & (overlap.place == "environment")]
            row = here[here.value.map(lambda v: data.label("environment", v)) == place].iloc[0]
            assert failed == f"{row.failures} of {row.units}"
    assert set(told.table["verdict"]) <= {"helps", "harms", "no sign of it", "cannot tell"}


def test_the_tipping_point_is_a_picture_of_all_its_gains(findings):
    told = findings["ranking.tipping"]
    tip = told.figure.result
    assert "missing" in told.statement and "as ranked" in told.statement
    with theme():
        axes = new_axes()
        draw(tip, axes, **told.figure.options)
    written = [text.get_text() for text in axes.texts]
    assert [signed_points(gain) for gain in tip.columns["survival_gain"]] == written[: len(tip.columns["verdict"])]
    assert f"failed of {tip.missing} missing" in axes.get_xlabel().replace("\n", " ")
