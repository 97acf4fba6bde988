"""Figures: one look per level, labels that do not overlap, hostile texts, and a drawing for every result."""

import io
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.patches import Circle
from PIL import Image

from tests.report.seasons import HOSTILE
from tests.report.toys import season_of
from workbench.errors import UsageError
from workbench.estimate.aft.time_ratios import fit_time_ratios
from workbench.estimate.cox.hazard_ratios import fit_hazard_ratios
from workbench.estimate.curves.curves import survival_curve
from workbench.estimate.curves.incidence import cumulative_incidence
from workbench.estimate.curves.means import restricted_mean
from workbench.estimate.life.distributions import fit_distribution
from workbench.estimate.rank_tests.comparisons import compare_groups
from workbench.lives import Lives
from workbench.report.figures import DRAWN_BY, draw
from workbench.report.figures.curves import step_points
from workbench.report.figures.dots import Dots
from workbench.report.figures.labels import spread_apart
from workbench.report.figures.palette import MUTED, PALETTE, WORKING
from workbench.report.figures.stacks import Places, Stacks
from workbench.report.figures.style import figure_png, figure_text, looks_of, new_axes, theme
from workbench.report.figures.timeline import Timeline

pytestmark = pytest.mark.slow


def drawn(result, **options):
    with theme():
        ax = new_axes(8.0, 5.2)
    draw(result, ax, **options)
    return ax, figure_png(ax.figure, dpi=60)


@pytest.fixture(scope="module")
def lives():
    rng = np.random.default_rng(4)
    names = ["flat", HOSTILE["script"], HOSTILE["long"], HOSTILE["emoji"], HOSTILE["maths"]]
    seal = np.array([names[k % 5] for k in range(100)], dtype=object)
    time = np.ceil(rng.weibull(1.3, 100) * 150)
    return season_of(np.minimum(time, 200), time <= 200, {"lid_seal": seal}).lives


def test_every_result_of_a_season_can_be_drawn_with_hostile_levels(lives):
    results = [
        survival_curve(lives, "lid_seal"),
        survival_curve(lives),
        compare_groups(lives, "lid_seal"),
        restricted_mean(lives, 150.0, "lid_seal"),
        fit_distribution(lives),
        fit_time_ratios(lives, "lid_seal"),
        fit_hazard_ratios(lives, "lid_seal"),
    ]
    for result in results:
        ax, png = drawn(result)
        picture = Image.open(io.BytesIO(png))
        assert picture.size == (480, 312)
        assert ax.get_xlabel()
        # something but white paper is there
        assert np.asarray(picture.convert("L")).min() < 120


def test_spans_are_drawn_with_units_known_to_work(lives):
    spans = lives.replace(lower=np.where(lives.failed, np.maximum(lives.lower - 20, 0), lives.lower))
    ax, _ = drawn(survival_curve(spans, "lid_seal"), mission=150)

    assert any("Known to be working" in text.get_text() for text in ax.texts)


def test_numbers_at_risk_under_the_curve_are_those_of_the_table():
    data = season_of([10.0, 20.0, 30.0, 40.0], [True, False, True, False], {"lid_seal": ["a"] * 4})
    curve = survival_curve(data.lives)
    ax, _ = drawn(curve)
    texts = [text.get_text() for text in ax.texts]

    assert "At risk at the start of the day" in texts
    ticks = [t for t in ax.get_xticks() if t <= 40]
    at_risk = [f"{n:.0f}" for n in curve.at(ticks)["at_risk"]]
    assert texts[-len(ticks) :] == at_risk


def test_the_same_levels_look_the_same_in_any_order_and_apart_from_each_other():
    names = [f"level {k}" for k in range(12)]
    looks = looks_of(names)

    assert looks == looks_of(names[::-1])
    assert len({(look.colour, str(look.line), look.marker) for look in looks.values()}) == 12
    assert looks["level 0"].colour == PALETTE[0] == "#000000"


def test_labels_keep_their_distance_and_their_order():
    placed = spread_apart([0.5, 0.51, 0.52, 0.9], 0.1, 0.0, high=1.0)

    assert np.all(np.diff(placed) >= 0.1 - 1e-9)
    assert placed[3] == pytest.approx(0.9)
    assert placed[:3].mean() == pytest.approx(0.51)
    assert np.all((placed >= 0) & (placed <= 1))


@pytest.mark.parametrize("text", list(HOSTILE.values()))
def test_text_of_a_figure_is_short_and_drawable(text):
    shown = figure_text(text)

    assert shown
    assert all(len(line) <= 28 for line in shown.split("\n"))
    assert shown.count("\n") <= 1
    assert "\u202e" not in shown


def test_a_curve_known_in_cells_falls_evenly_inside_them():
    import pandas as pd

    frame = pd.DataFrame({"from": [10.0, 30.0], "to": [20.0, np.inf], "survival": [0.6, 0.0]})
    x, y = step_points(frame, "survival")

    assert x.tolist() == [0.0, 10.0, 20.0, 30.0]
    assert y.tolist() == [1.0, 1.0, 0.6, 0.6]


@pytest.mark.parametrize(
    ("lower", "upper", "x", "y"),
    [
        ([0, 60, 60], [60, np.inf, np.inf], [0, 0, 60], [100, 100, 200 / 3]),  # one grid of visits
        ([10, 20, 60, 60], [20, 50, np.inf, np.inf], [0, 10, 20, 20, 50, 60], [100, 100, 75, 75, 50, 50]),
        ([60, 60], [np.inf, np.inf], [0, 60, 60], [100, 100, 100]),
        ([60, 60], [np.inf, 90], [0, 60, 90], [100, 100, 0]),
    ],
)
def test_a_curve_is_drawn_through_every_span_to_its_last_known_day(lower, upper, x, y):
    ax = drawn(survival_curve(Lives.from_arrays(lower=lower, upper=upper)))[0]
    points = ax.get_lines()[0].get_xydata()

    assert dict(zip(x, y, strict=True)) == pytest.approx(dict(points.tolist()))


def test_the_timeline_groups_deployments_by_their_end():
    start = np.array(["2025-03-01"] * 4, dtype="datetime64[D]")
    timeline = Timeline(
        columns={
            "unit": ["a", "b", "c", "d"],
            "outcome": ["failed", "missing", "working", "failed"],
            "start": start,
            "seen_from": start,
            "last_good": start + np.array([10, 20, 100, 30]),
            "end": start + np.array([30, 20, 100, 45]),
        }
    )
    ax, _ = drawn(timeline)
    texts = [text.get_text() for text in ax.texts]

    assert texts == ["failed: 2 deployments", "missing: 1 deployment", "working: 1 deployment"]


def test_a_timeline_of_very_many_deployments_draws_some_of_each_end_and_says_so():
    count = 4000
    start = np.full(count, np.datetime64("2025-03-01"))
    outcome = np.where(np.arange(count) < 2, "missing", "failed")
    columns = {"unit": np.arange(count).astype(str), "outcome": outcome, "start": start, "seen_from": start}
    timeline = Timeline(columns={**columns, "last_good": start + 5 + np.arange(count) % 90, "end": start + 100})
    ax, _ = drawn(timeline)
    marks = {line.get_marker(): len(line.get_xdata()) for line in ax.lines if line.get_marker() in ("s", "x")}

    told = [" ".join(text.get_text().split()) for text in ax.texts]
    assert told == ["failed: 3,998 deployments", "missing: 2 deployments"]
    assert marks == {"s": 1333, "x": 1} and ax.get_xlabel().replace("\n", " ").endswith("one in 3 drawn)")


def test_dots_write_their_value_and_say_when_it_is_not_known():
    dots = Dots(columns={"label": ["a", "b"], "value": [0.5, float("nan")]}, axis="share (%)", percent=True)
    ax, _ = drawn(dots, title="Half", subtitle="10 units")

    assert [text.get_text() for text in ax.texts[:2]] == ["50 %", "not known"]


@pytest.mark.parametrize(
    ("value", "limits"), [([0.98, 0.9], ([0.8, 0.6], [1.0, 0.99])), ([0.02], ([0.0], [0.31])), ([1.0], ([0.69], [1.0]))]
)
def test_no_axis_of_a_share_goes_past_100_or_below_0(value, limits):
    columns = {"label": [f"{v}" for v in value], "value": value, "lower": limits[0], "upper": limits[1]}
    ax, _ = drawn(Dots(columns=columns, axis="share (%)", percent=True))

    low, high = ax.get_xlim()
    assert 0 <= low < high <= 100


def test_stacks_add_up_and_name_their_parts():
    stacks = Stacks(
        columns={"label": ["Weir", "Moor"], "failed": [3, 0], "working": [7, 12]},
        axis="units",
        words={"failed": "failed", "working": "still working"},
    )
    ax, _ = drawn(stacks)
    texts = [text.get_text() for text in ax.texts]

    assert texts == ["3", "7", "12", "10", "12"]
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["failed", "still working"]


def test_bars_of_one_outcome_alone_are_named_too():
    ax, _ = drawn(Stacks(columns={"label": ["Weir"], "failed": [3]}, axis="units", words={"failed": "failed"}))

    assert [text.get_text() for text in ax.texts] == ["3", "3"]
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["failed"]


def test_what_nobody_knows_is_grey():
    columns = {"label": ["water", "never came back"], "count": [3.0, 2.0], "kind": ["", "open"]}
    ax, _ = drawn(Stacks(columns=columns, axis="units"))

    assert [bar.get_facecolor()[:3] for bar in ax.patches] == [to_rgb(WORKING), to_rgb(MUTED)]


def test_many_groups_get_a_small_picture_each_with_its_own_curve_in_front():
    sites = np.array([f"site {k % 8}" for k in range(160)], dtype=object)
    time = np.where(sites == "site 3", 20.0, 100.0)
    data = season_of(time, [True] * 160, {"site": sites}, mission=50)
    ax, _ = drawn(survival_curve(data.lives, "site"), mission=50)
    panels = {panel.get_title(loc="left"): panel for panel in ax.child_axes}

    assert sorted(panels) == [f"site {k}" for k in range(8)]
    for name, panel in panels.items():
        front = max(panel.get_lines(), key=lambda line: (line.get_zorder(), len(line.get_xdata())))
        assert front.get_ydata().min() == (0 if name == "site 3" else 100), name


def test_incidence_of_every_group_is_drawn_and_adds_up():
    lives = Lives.from_arrays(
        [10, 20, 30, 40, 50, 50], [1, 1, 1, 1, 0, 0], cause=["a", "b", "a", "b", "", ""],
        covariates={"seal": ["x", "y", "x", "z", "y", "z"]},
    )  # fmt: skip
    result = cumulative_incidence(lives, "seal")
    ax, _ = drawn(result)
    panels = {panel.get_title(loc="left"): panel for panel in ax.child_axes}

    assert list(panels) == list(result.labels)
    for label, panel in panels.items():
        last = panel.get_lines()[-1].get_ydata()[-1]
        known = float(result.known_to[result.labels.index(label)])
        at = result.at([known])
        assert last == pytest.approx(at.loc[at["group"] == label, "incidence"].sum()), label
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["working", "b", "a"]


def test_places_are_drawn_where_they_lie_as_large_as_what_stood_there():
    columns = {
        "label": ["Moor", "Weir"],
        "east": [-3.0, 3.0],
        "north": [1.0, -1.0],
        "units": [16, 4],
        "failures": [4, 4],
    }
    ax, _ = drawn(Places(columns=columns))
    discs = [patch for patch in ax.patches if isinstance(patch, Circle)]

    assert [disc.center for disc in discs] == [(-3.0, 1.0), (3.0, -1.0)]
    assert discs[0].radius == pytest.approx(2 * discs[1].radius)  # areas as the counts
    assert [text.get_text() for text in ax.texts] == ["Moor\n4 of 16", "Weir\n4 of 4"]


def test_a_curve_ends_at_the_mission_and_where_too_few_are_watched():
    """Of 100 units 85 leave on day 50 and 10 fail on day 60, so that under a tenth is watched from then on."""
    time = [50.0] * 85 + [60.0] * 10 + [200.0] * 5
    data = season_of(time, [False] * 85 + [True] * 10 + [False] * 5, {"lid_seal": ["a"] * 100})
    curve = survival_curve(data.lives)

    line = drawn(curve, mission=150)[0].get_lines()[0].get_xydata()
    assert 58 <= line[:, 0].max() <= 62
    assert any("fewer than 10" in text.get_text() for text in drawn(curve, mission=150)[0].texts)
    whole = survival_curve(season_of([200.0] * 30, [False] * 30, {"lid_seal": ["a"] * 30}).lives)
    assert drawn(whole, mission=150)[0].get_xlim()[1] == pytest.approx(150, rel=0.01)


def test_equal_figures_give_equal_bytes_without_a_stamp(lives):
    first, second = (drawn(survival_curve(lives, "lid_seal"))[1] for _ in range(2))

    assert first == second
    assert b"Software" not in first


def test_drawing_changes_no_setting_of_the_session(lives):
    import matplotlib

    before = dict(matplotlib.rcParams)
    drawn(survival_curve(lives))
    assert dict(matplotlib.rcParams) == before


def test_what_cannot_be_drawn_is_refused_with_what_can():
    with pytest.raises(UsageError, match=r"draw\(\) takes .*SurvivalCurve.*; got SimpleNamespace"):
        draw(SimpleNamespace())
    assert all(place.count(".") == 1 for place in DRAWN_BY.values())
