"""The talk of several seasons: short headlines, no slide without its data, one number per meaning, answers or none."""

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pptx import Presentation

from tests.report.number_meanings import contradictions, numbers_said, what_is_counted
from tests.report.test_assembly import Slides, without_links
from tests.report.toys import season_of
from workbench.report.basis.finding import Finding
from workbench.report.basis.site_positions import site_positions
from workbench.report.decks.pptx_master import PICTURE, TABLE
from workbench.report.decks.summary_html import MOST_SUMMARY_WORDS
from workbench.report.findings.ranking_words import main_row
from workbench.report.talk import TOPICS, action_state
from workbench.report.talk.decisions import asks_nothing, decisions_of
from workbench.report.talk.fair_comparison import places_slide, steps_slide, untold_slide
from workbench.report.talk.opening import where_slide
from workbench.report.talk.told import Told
from workbench.report.words import MOST_HEADLINE_WORDS

pytestmark = pytest.mark.slow

SEASONS = [
    *("plain", "hostile", "twelve units", "only failures", "no teardown", "no sites", "sample 2024", "sample 2025")
]

JARGON = re.compile(
    r"hazard|censor|suspen|quantile|median|percentile|Weibull|NPMLE|p =|p value|Holm|logrank|log-rank|estimand"
    r"|covariate|aliased|stratif|bootstrap|posterior|prior|interval-|lid_seal|o_ring|\bo ring\b|\bnan\b",
    re.IGNORECASE,
)
"""Words of statistics, and names of columns, that a manager does not know."""


@pytest.fixture(params=SEASONS)
def told(request, talk_of):
    return talk_of(request.param)


def slides_of_talk(review):
    return [claim for claim in review.claims if claim.section == "talk"]


def test_headlines_are_short_and_plain(told):
    assert 5 <= len(told.headlines) <= len(TOPICS)
    for headline in told.headlines:
        assert 2 <= len(headline.split()) <= MOST_HEADLINE_WORDS, headline
        assert not JARGON.search(headline), headline
        assert "hostile" in str(told.html) or not headline.endswith("…"), headline


def test_the_talk_keeps_its_order_and_every_slide_has_a_picture_or_a_table(told):
    slides = slides_of_talk(told)
    places = [list(TOPICS).index(slide.id.removeprefix("talk.")) for slide in slides]

    assert places == sorted(set(places))
    for slide in slides:
        assert (slide.figure is None) != (slide.table is None), slide.id
        assert slide.points or slide.table, slide.id
        assert 1 <= len(re.findall(r"[.?!](?:\s|$)", slide.say)) <= 5, slide.say


def test_every_finding_on_a_slide_has_a_headline_and_the_file_carries_it(told):
    document = json.loads(told.findings.read_text(encoding="utf-8"))
    shown = {claim.id: claim for claim in told.claims if claim.on_slide and claim.kind not in ("not known", "withheld")}

    assert [name for name, claim in shown.items() if not claim.headline] == []
    for finding in document["findings"]:
        assert finding["say"]
        if finding["id"] in shown:
            assert (finding["headline"], finding["say"]) == (shown[finding["id"]].headline, shown[finding["id"]].say)


def test_one_meaning_has_one_number(told):
    """What two slides call by one name they give one number, and the number is what is shown."""
    facts = {}
    for slide in slides_of_talk(told):
        shown = " ".join([slide.headline, *slide.points, slide.statement, *sum((slide.table or {}).values(), ())])
        for meaning, number in slide.facts.items():
            assert facts.setdefault(meaning, number) == number, (slide.id, meaning)
            assert number in shown or meaning == "decisions", (slide.id, meaning, number)
    document = json.loads(told.findings.read_text(encoding="utf-8"))
    by_id = {finding["id"]: finding for finding in document["findings"]}
    assert facts.get("failures", "0") == str(by_id["outcome.ends"]["failures"])
    assert facts["counted"] == str(document["log"]["used"])


def test_no_text_gives_another_number_for_one_meaning(told):
    """Every number of slides, notes, summary and findings.json with its noun; a difference is said in one sentence."""
    numbers = numbers_said(told)
    assert len(numbers) > 25
    assert {said.meaning for said in numbers} >= {"failures", what_is_counted(told), "share that lasted"}
    assert contradictions(told, numbers) == []


def test_a_number_that_contradicts_another_is_found(talk_of):
    review = talk_of("plain")
    sent = next(claim for claim in review.claims if claim.id == "talk.sent")
    for wrong in ("81 deployments went out.", f"{sent.failures + 1} failures.", "12.5 % lasted 150 days."):
        claims = [replace(c, points=(*c.points, wrong)) if c is sent else c for c in review.claims]
        changed = replace(review, claims=tuple(claims))
        assert contradictions(changed, numbers_said(changed)), wrong


def test_what_a_headline_names_is_drawn(told):
    """The levels that stand out beside the main one, by name, are lines of the picture under the headline."""
    for slide in slides_of_talk(told):
        if slide.id == "talk.untold" and " out too" in slide.headline and "level" not in slide.headline:
            named = re.split(r", | and ", re.split(r" stands? out too", slide.headline)[0])
            drawn = [label.casefold() for label in slide.figure.result.columns["label"]]
            assert [name for name in named if name.casefold() not in drawn] == []


def test_no_line_ends_within_a_word_after_one_letter(told):
    page = told.html.read_text(encoding="utf-8")
    titles = re.findall(r"(?s)<h2.*?</h2>", page)
    titles += [slide.shapes.title.text_frame.text for slide in Presentation(str(told.pptx)).slides]

    assert not [title for title in titles if re.search(r"\bO-ring", title)]
    assert any("O\u2011ring" in title for title in titles) == any(
        "O-ring" in c.headline for c in told.claims if c.on_slide
    )


def test_numbers_of_counted_slides_stand_on_the_same_basis(told):
    """A slide on the whole fleet counts what the second slide says is counted."""
    document = json.loads(told.findings.read_text(encoding="utf-8"))
    whole = {s.id: s.units for s in slides_of_talk(told) if s.id in ("talk.sent", "talk.lasted", "talk.ended")}

    assert set(whole.values()) == {document["log"]["used"]}


def test_links_lead_from_the_talk_to_its_findings_and_back(told):
    page = told.html.read_text(encoding="utf-8")
    parts = re.findall(r'(?s)<section class="slide (talk|appendix)[^"]*" id="slide-(\d+)".*?</section>', page)
    bodies = re.findall(r'(?s)<section class="slide.*?</section>', page)
    leads = {
        int(n): [int(k) for k in re.findall(r'href="#slide-(\d+)"', b)] for (_, n), b in zip(parts, bodies, strict=True)
    }
    kinds = {int(n): kind for kind, n in parts}

    assert any(leads[n] for n, kind in kinds.items() if kind == "talk")
    for number, targets in leads.items():
        for target in targets:
            assert kinds[target] != kinds[number]
            assert number in leads[target]


def test_no_appendix_slide_holds_a_headline_alone_and_no_picture_comes_twice(told):
    page = without_links(told.html.read_text(encoding="utf-8"))
    pictures = [image["src"] for image in Slides(page).images]

    assert len(pictures) == len(set(pictures))
    for body in re.findall(r'(?s)<section class="slide appendix.*?</section>', page):
        content = re.search(r'(?s)<div class="content.*?</div>\s*<footer', body)[0]
        assert "<img" in content or re.sub(r"<[^>]+>|\s", "", content).removesuffix("<footer"), body[:300]


def test_the_summary_is_read_in_a_minute(told):
    page = told.summary.read_text(encoding="utf-8")
    body = re.sub(r"(?s)<style>.*?</style>|<[^>]+>", " ", page[page.index("<main>") :])

    assert len(body.split()) <= MOST_SUMMARY_WORDS
    assert page.count("<img") <= 1


def test_slides_to_edit_take_their_look_from_the_master(told):
    """Titles of 28 points, words of 18, nothing under 14 but the source line: sizes stand in the layouts alone."""
    deck = Presentation(str(told.pptx))
    layouts = {layout.name: layout for layout in deck.slide_layouts}
    for name in (PICTURE, TABLE):
        sizes = {
            shape.placeholder_format.idx: int(shape._element.xpath(".//a:lvl1pPr/a:defRPr/@sz")[0]) // 100
            for shape in layouts[name].placeholders
            if shape.placeholder_format.idx < 10
        }
        assert sizes[0] >= 28
        assert all(size >= 18 for place, size in sizes.items() if place and not (name == PICTURE and place == 1))
    talk = [slide for slide in deck.slides if slide.slide_layout.name in (PICTURE, TABLE)]
    assert len(talk) == len(told.headlines)
    for slide, claim in zip(talk, slides_of_talk(told), strict=True):
        assert claim.say in slide.notes_slide.notes_text_frame.text.replace("\u00a0", " ")
        own = [int(size) / 100 for size in slide._element.xpath(".//a:rPr/@sz")]
        assert all(size >= 14 for size in own), (claim.id, own)
        assert not slide.shapes.title._element.xpath(".//a:rPr/@sz")


ROW = {
    "choice": "lid_seal", "level": "o_ring", "base": "flat_gasket", "gain": 0.2, "grade": "clear", "base_units": 40,
}  # fmt: skip


class Row:
    def __init__(self, **more):
        self.__dict__.update(ROW | more)


@pytest.mark.parametrize(
    ("row", "answer"),
    [
        ({}, "O-ring instead of flat gasket"),
        ({"gain": -0.2}, "no change, those with O-ring lasted less long"),
        ({"grade": "unclear"}, "not yet, a fair trial first"),
        ({"choice": "vent"}, "not yet; lid seal could not be compared"),
    ],
)
def test_a_decision_without_an_answer_gets_what_the_findings_support(row, answer):
    ask = {"ask": "Fit O-rings?", "rests_on": "lid_seal", "due": "2020-01-01"}
    costs = {"lid_seal": {"cost": {"flat_gasket": 1.0, "o_ring": 3.0}}}
    data = season_of([9.0] * 80, [True] * 80, {"lid_seal": ["x"] * 80}, settings={"decision": [ask], "levels": costs})
    (decision,) = decisions_of(data, [Row(**row)], {})

    assert decision.answer == answer
    lacking = f"{answer[:1].upper()}{answer[1:]}"
    assert decision.shown_answer == (lacking if "could not be compared" in answer else f"Proposed: {answer}")
    assert decision.overdue and decision.shown_due == "2020-01-01, overdue"
    assert decision.cost == ("80 for 40 units" if answer.startswith("O-ring") else "")


def test_settings_that_ask_nothing_leave_the_two_questions_of_every_season():
    data = season_of([9.0] * 80, [True] * 80, {"lid_seal": ["x"] * 80})
    assert [d.ask for d in decisions_of(data, [Row()], {})] == ["Which lid seal next season?"]
    assert asks_nothing(data) and decisions_of(data, [], {}) == []
    asked = {"decision": [{"ask": "More visits?"}]}
    own = season_of([9.0] * 80, [True] * 80, {"lid_seal": ["x"] * 80}, settings=asked)
    assert [d.ask for d in decisions_of(own, [Row()], {})] == ["More visits?"] and not asks_nothing(own)


def test_a_typed_answer_is_no_proposal_and_is_never_overdue():
    ask = {"ask": "More visits?", "answer": "every three weeks", "due": "2020-01-01"}
    (decision,) = decisions_of(season_of([9.0], [True], {"a": ["x"]}, settings={"decision": [ask]}), [], {})

    assert decision.shown_answer == "Every three weeks"
    assert not decision.overdue


def test_an_action_is_done_when_the_log_shows_it_and_overdue_when_its_day_has_passed():
    data = season_of([9.0, 9.0], [True, False], {"vent": ["none", "membrane"]})
    late = {"choice": "vent", "to": "potting", "due": "2020-01-01"}

    assert action_state(data, {"choice": "vent", "to": "membrane", "due": "2020-01-01"}) == "seen in the log"
    assert action_state(data, late) == "overdue"
    assert action_state(replace(data, today=data.today.replace(year=2019)), late) == "due"


def test_a_talk_rests_on_no_ranking_that_was_withheld():
    withheld = Finding(id="ranking", kind="withheld", section="ranking", statement="Withheld.", method="Two differ.")
    told = Told(data=SimpleNamespace(ranking="a ranking", settings={}), findings={"ranking": withheld})

    assert told.rows == []
    assert [build(told) for build in (places_slide, steps_slide, untold_slide)] == [None] * 3


def test_the_talk_is_told_of_what_the_ranking_supports_best():
    rows = [
        Row(choice="vent", grade="unclear", level="a", gain=0.3),
        Row(choice="lid_seal", grade="likely", level="b", gain=0.1),
        Row(choice="lid_seal", grade="likely", level="c", gain=0.2),
        Row(choice="shade", grade="clear", level="d", gain=-0.1),
    ]
    asked = season_of([9.0], [True], {"a": ["x"]}, settings={"decision": [{"ask": "?", "rests_on": "vent"}]})

    assert main_row(asked, rows).level == "d"
    assert main_row(asked, rows[:3]).level == "c"
    assert main_row(asked, [Row(choice="lid_seal", grade="unclear", level="z"), rows[0]]).level == "a"
    assert main_row(asked, []) is None
    named = season_of([9.0], [True], {"a": ["x"]}, settings={"decision": [{"ask": "?", "rests_on": "lid_seal = b"}]})
    assert main_row(named, rows[:3]).level == "b"


SITES = pd.DataFrame(
    {"site": ["Moor", "Moor", "Weir"], "latitude": ["47.1", "47.1", "47.0"], "longitude": ["-33.0"] * 3}
)


def test_a_map_is_shown_only_where_positions_are_asked_for():
    plain = season_of([9.0, 9.0, 9.0], [True, False, False], {"site": SITES["site"]})
    plain.log.records = SITES
    slides = [where_slide(Told(data=replace(plain, locations=asked), findings={})) for asked in (False, True)]

    assert slides[0] is None
    assert slides[1].headline == "The largest share failed at Moor: 1 of 2"
    assert slides[1].figure.result.columns["units"].tolist() == [2, 1]
    plain.log.records = SITES.assign(latitude="47.1")
    assert where_slide(Told(data=replace(plain, locations=True), findings={})) is None


def test_positions_are_as_far_apart_as_on_the_sphere():
    """Against the great-circle distance by the haversine formula (R. W. Sinnott, Sky and Telescope 68, 1984, 159)."""
    places = SITES.assign(longitude=["-33.0", "-33.0", "-32.8"])
    (east, north), (other_east, other_north) = site_positions(
        SimpleNamespace(log=SimpleNamespace(records=places))
    ).values()
    first, second = np.radians([47.1, -33.0]), np.radians([47.0, -32.8])
    half = np.sin((second - first) / 2) ** 2
    sphere = 2 * 6371 * np.arcsin(np.sqrt(half[0] + np.cos(first[0]) * np.cos(second[0]) * half[1]))

    assert np.hypot(east - other_east, north - other_north) == pytest.approx(sphere, rel=2e-3)
    assert site_positions(SimpleNamespace(log=SimpleNamespace())) == {}


def test_a_decision_on_one_level_is_answered_for_that_level():
    ask = {"ask": "Fit O-rings?", "rests_on": "lid_seal = o_ring"}
    data = season_of([9.0], [True], {"a": ["x"]}, settings={"decision": [ask]})
    cord = Row(level="cord", gain=0.9)

    assert decisions_of(data, [cord, Row()], {})[0].answer == "yes, O-ring instead of flat gasket"
    assert decisions_of(data, [cord, Row(gain=-0.1)], {})[0].answer == "no, those with O-ring lasted less long"


@pytest.mark.parametrize(("gain", "point"), [(0.3, "Farm held 20 % of those"), (-0.3, "By place alone 18 % of those")])
def test_a_slide_on_places_does_not_argue_against_the_comparison_within_them(gain, point):
    """By shares of places `a` had the easier ones; where the comparison within places says the reverse, only where."""
    cells = [("a", "farm", 2, 1), ("a", "dunes", 8, 1), ("b", "farm", 8, 4), ("b", "dunes", 2, 0)]
    table = pd.DataFrame(cells, columns=["level", "value", "units", "failures"]).assign(choice="seal", place="site")
    row = SimpleNamespace(choice="seal", level="a", base="b", gain=gain, raw_gain=0.0, failures=2, units=10,
                          base_failures=4, base_units=10)  # fmt: skip
    data = SimpleNamespace(ranking=SimpleNamespace(overlap=SimpleNamespace(table=table)))
    told = SimpleNamespace(
        main=row, data=data, rows=[], name=lambda _, level: level, slide=lambda *_, points, **__: points
    )
    assert places_slide(told)[0].startswith(point)
