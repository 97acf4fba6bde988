"""Findings and figures on mechanisms: what they say is in their results, drawings add up, cautions stand with them."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.lives import Lives
from workbench.report.decks.typed import CAUTION_LINES
from workbench.report.figures import draw
from workbench.report.figures.style import figure_png, new_axes, theme
from workbench.report.findings.findings_teardown import teardown_findings
from workbench.report.making.assembly import season_data
from workbench.teardown.ends.pareto import ends_of_units
from workbench.teardown.ends.survey import survey_teardowns

pytestmark = pytest.mark.slow

SAMPLE = Path(__file__).parents[2] / "sample_data"


@pytest.fixture(scope="module")
def data():
    return season_data(
        SAMPLE / "lantern_moor_2025.csv", settings=SAMPLE / "lantern_moor_2025.toml", mission=None, seed=0
    )


@pytest.fixture(scope="module")
def findings(data):
    """Of a season whose settings name no mechanisms, so that leaks are ranked by themselves."""
    settings = {key: value for key, value in data.settings.items() if key != "mechanisms_of_interest"}
    return {finding.id: finding for finding in teardown_findings(replace(data, settings=settings))}


def test_named_mechanisms_are_ranked_once_by_the_ranking(data):
    assert "ranking.preventable" not in {finding.id for finding in teardown_findings(data)}


def drawn(result, **options):
    with theme():
        ax = new_axes()
        draw(result, ax, **options)
        assert figure_png(ax.figure.get_figure(root=True), dpi=50)[:4] == b"\x89PNG"
    return ax


def test_the_findings_that_the_sample_season_can_feed_are_there(findings):
    assert set(findings) >= {
        "ends.mechanisms",
        "ends.environment",
        "ends.incidence",
        "ends.ages",
        "mechanism.evidence",
        "mechanism.agreement",
        "mechanism.preventable",
        "mechanism.inside",
        "ranking.preventable",
    }
    for finding in findings.values():
        assert finding.units == 173 and finding.failures <= 55
        assert "nan" not in finding.statement.lower() and "not known" not in finding.statement


def test_statements_agree_with_their_tables(data, findings):
    ends = ends_of_units(data.lives, data.mission).table
    top = ends[~ends["end"].isin(["missing", "undetermined"])].iloc[0]
    assert findings["ends.mechanisms"].estimate == pytest.approx(top["share_of_lost_days"], rel=1e-5)
    assert f"{int(top['units'])} deployments" in findings["ends.mechanisms"].statement
    at = cumulative_incidence(data.lives).at([data.mission])
    named = at[at["cause"] != "undetermined"]
    assert findings["ends.incidence"].estimate == pytest.approx(named["incidence"].max(), rel=1e-5)
    inside = findings["mechanism.inside"]
    assert inside.lower < inside.estimate < inside.upper


def test_the_caution_about_cells_stands_once_in_the_appendix_and_on_no_finding(findings):
    """It stands where somebody opens units: on the sheet and in the commands; here it would be read past."""
    assert not [f.id for f in findings.values() if any("do not charge" in caveat for caveat in f.caveats)]
    assert sum("do not charge" in line and "qualified people" in line for line in CAUTION_LINES) == 1


def test_a_ranking_by_mechanism_never_says_lasted(findings):
    ranked = findings["ranking.preventable"]
    assert "not have been lost to leaks" in ranked.statement.replace("would not have", "not have")
    assert "lasted" not in ranked.statement and "to anything" in ranked.statement


def test_figures_of_the_findings_draw(findings):
    for finding in findings.values():
        if finding.figure is not None:
            drawn(finding.figure.result, title=finding.statement, **finding.figure.options)


def test_a_season_without_failures_or_teardowns_says_little(tmp_path):
    log = tmp_path / "log.csv"
    log.write_text(
        "unit_id,deployed_on,found_on,outcome,lid_seal\n"
        "U1,2025-03-01,2025-09-01,working,cord\nU2,2025-03-01,2025-09-01,working,o_ring\n"
    )
    data = season_data(log, settings={"window": ["2025-01-01", "2025-12-31"]}, mission=100, seed=0)
    assert teardown_findings(data) == []


def test_stacked_incidence_reaches_one_with_survival():
    lives = Lives.from_arrays(
        [10, 20, 30, 40, 50, 50], [1, 1, 1, 1, 0, 0], cause=["a", "b", "a", "undetermined", "", ""]
    )
    result = cumulative_incidence(lives)
    ax = drawn(result, naive={"a": survival_curve(lives.for_causes("a"))}, mission=45)
    tops = [line.get_ydata()[-1] for line in ax.get_lines() if len(line.get_xdata()) > 50]
    incidence = result.at([45.0]).set_index("cause")["incidence"]
    # the boundaries are running sums: a first (the one compared), then b, undetermined last; the dashed curve is higher
    assert tops[:3] == pytest.approx(np.cumsum(incidence[["a", "b", "undetermined"]]).tolist())
    assert tops[3] > incidence["a"] and "overstates" in " ".join(t.get_text() for t in ax.texts)
    assert ax.get_ylim() == (0, 1)
    words = " ".join(t.get_text() for t in ax.texts)
    assert "working" in words and "undetermined" in words


def test_many_mechanisms_are_drawn_as_a_few_areas():
    causes = [f"m{n:02d}" for n in range(12)] + ["undetermined"]
    lives = Lives.from_arrays(np.arange(1.0, 27.0), [1] * 13 + [0] * 13, cause=causes + [""] * 13)
    ax = drawn(cumulative_incidence(lives))
    words = [t.get_text() for t in ax.texts]
    assert any("other mechanisms" in w for w in words) and sum("m0" in w or "m1" in w for w in words) <= 6


def test_hostile_names_cannot_break_a_figure():
    bad = "<b>$\\frac{1}{0}$</b>\x00\u202e" + "x" * 400
    lives = Lives.from_arrays([5.0, 6.0, 9.0], [1, 1, 0], cause=[bad, "b", ""])
    drawn(cumulative_incidence(lives), title=bad)
    drawn(ends_of_units(lives, 9), title=bad)


def test_every_result_of_a_teardown_can_be_drawn(data):
    survey = survey_teardowns(data.log, mission=data.mission)
    ax = drawn(survey.inside, title="Wet inside")
    counted = {f"{row.wet} of {row.opened}" for row in survey.inside.table.itertuples()}
    labels = [label.get_text() for label in ax.texts]
    assert all(any(count in label for label in labels) for count in counted)
    for result in (survey.suggestions, survey.agreement, survey.shapes, survey.classes, survey.ends):
        drawn(result, title="A finding", subtitle="173 deployments")
