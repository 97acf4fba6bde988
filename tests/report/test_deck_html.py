"""The page: contrast computed from its style, typed words, tables, and pictures that spell no link."""

import base64
import re

import pytest
from jinja2 import UndefinedError

from tests.report.seasons import SETTINGS
from tests.report.toys import season_of
from workbench.report.basis.finding import Finding
from workbench.report.decks.deck_html import PACKAGE, deck_html, number_columns, picture_data
from workbench.report.decks.slides import MOST_PAGES, Slide, slides_of
from workbench.report.decks.summary_html import MOST_SUMMARY_WORDS, summary_html
from workbench.report.decks.typed import CAUTION_LINES, caution_finding, cover_slide, mission_finding, typed_slides
from workbench.report.figures import page_colours
from workbench.templating import packaged_text, rendered

VERSIONS = {"workbench": "0.1.0"}


def luminance(colour):
    """Relative luminance by WCAG 2.1 (W3C Recommendation 5 June 2018), "relative luminance"."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a, b):
    """Contrast ratio by WCAG 2.1; 4.5:1 is asked of normal text (success criterion 1.4.3)."""
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_of_known_pairs():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("name", ["deck.css", "summary.css"])
def test_every_text_colour_of_the_style_can_be_read_on_its_paper(name):
    css, variables = packaged_text(PACKAGE, name), page_colours()

    def colour(value):
        found = re.fullmatch(r"var\(--([\w-]+)\)|(#[0-9a-fA-F]{6})", value.strip())
        return variables[found[1]] if found[1] else found[2]

    papers = {"": variables["paper"], ".cover": variables.get("accent"), "nav.bar": "#ffffff"}
    checked = 0
    for selector, body in re.findall(r"([^{}]+)\{([^{}]*)\}", css):
        words = dict(p.split(":", 1) for p in body.split(";") if ":" in p)
        words = {k.strip(): v for k, v in words.items()}
        if "color" not in words:
            continue
        own = words.get("background")
        place = ".cover" if ".cover" in selector else "nav.bar" if "nav.bar" in selector else ""
        paper = colour(own) if (own and "var" in own) or (own and "#" in own) else papers[place]
        assert contrast(colour(words["color"]), paper) >= 4.5, (selector.strip(), words["color"], paper)
        checked += 1
    assert checked >= 5


def test_typed_words_appear_and_nothing_else_is_made_up():
    action = {"what": "Cord", "choice": "lid_seal", "from": "flat_gasket", "to": "o_ring", "owner": "bench"}
    levels = {"lid_seal": {"labels": {"o_ring": "O-ring"}}}
    settings = {**SETTINGS, "action": [action], "levels": levels}
    data = season_of([10.0], [True], {"lid_seal": ["a"]}, settings=settings)
    slides = slides_of([mission_finding(data), caution_finding(data)], cover_slide(data), typed_slides(data, VERSIONS))
    page = deck_html(slides, "Season")

    assert "What counts as failure: no usable record." in page
    assert "bench" in page
    table = next(slide.table for slide in slides if slide.title == "Actions on the list.")
    assert (table["from"], table["to"]) == (["flat gasket"], ["O\u2011ring"])
    assert all(caution[:40] in page for caution in CAUTION_LINES)
    assert page.index("Actions on the list") < page.index("Settings this review was made with")


def test_without_typed_words_no_slide_stands_for_them():
    data = season_of([10.0], [True], {"lid_seal": ["a"]})
    page = deck_html([cover_slide(data), *typed_slides(data, VERSIONS)], "Season")

    assert "Decisions" not in page
    assert "What counts as failure: not said in the settings." in page


def test_a_long_table_is_dealt_out_evenly():
    table = {"row": [f"{k}" for k in range(40)]}
    finding = Finding(id="a", kind="count", statement="Forty rows.", method="Counted.", section="appendix", table=table)
    slides = slides_of([finding], Slide(kind="cover", section="", title="Cover"))

    assert [len(slide.table["row"]) for slide in slides[1:]] == [13, 14, 13]
    assert [slide.number for slide in slides] == [1, 2, 3, 4]
    assert slides[2].title == "Forty rows, continued"


def test_a_table_of_very_many_rows_ends_with_a_word_on_the_others():
    table = {"row": [f"{k}" for k in range(40_000)]}
    finding = Finding(id="a", kind="count", statement="Many rows.", method="Counted.", section="appendix", table=table)
    slides = slides_of([finding], Slide(kind="cover", section="", title="Cover"))[1:]

    assert [cell for slide in slides for cell in slide.table["row"]] == table["row"][:280]
    assert len(slides) == MOST_PAGES == 20 and not any(slide.body for slide in slides[1:-1])
    assert slides[-1].body == ("39,720 more rows: findings.json.",)
    assert "39,720 more rows" in deck_html(slides, "deck")


def test_cells_are_escaped_and_numbers_set_right():
    slide = Slide(kind="finding", section="s", title="t", table={"<b>": ["<i>", "12 %"]}, number=1)
    text = deck_html([slide], "deck")

    assert "&lt;b&gt;" in text
    assert "<i>" not in text
    assert '<td dir="auto" class="number">12\u00a0%</td>' in text


def test_a_template_without_one_of_its_values_is_an_error():
    with pytest.raises(UndefinedError, match="title"):
        rendered(PACKAGE, "deck.html")


@pytest.mark.parametrize(
    ("cells", "number"),
    [
        (["12"], True),
        (["+3 points", "not reached"], True),
        (["−1.5 %", "–"], True),
        (["–"], False),
        (["IP67", "12"], False),
        (["3 of 4"], False),
        ([""], False),
        (["2025", "screws = 0"], False),
    ],
)
def test_columns_of_numbers_are_known(cells, number):
    assert number_columns({"heading": cells}) == [number]


def test_a_picture_never_spells_a_link():
    raw = base64.b64decode("aaaahttpbbbbHTTPcccc")
    data = picture_data(raw)

    assert "http" not in data.lower()
    coded = data.split(",", 1)[1]
    plain = re.sub("%([0-9A-F]{2})", lambda m: chr(int(m[1], 16)), coded)
    assert base64.b64decode(plain) == raw


def test_the_summary_keeps_to_its_order_and_its_words():
    data = season_of([10.0], [True], {"lid_seal": ["a"]}, settings=SETTINGS)
    talk = [
        Finding(
            id=f"talk.{key}", kind="talk", section="talk", order=k, method="M.", statement="S.",
            headline=f"Claim {key} " + "word " * 11,
        )
        for k, key in enumerate(("sent", "lasted", "ended", "signs", "places", "steps", "worked", "untold", "proof"))
    ]  # fmt: skip
    asked = Finding(
        id="talk.asked", kind="talk", section="talk", method="M.", statement="S.", headline="We ask",
        table={"we ask": ["Fit it?"] * 4, "answer": ["Proposed: yes, if it is done soon and well"] * 4},
    )  # fmt: skip
    page = summary_html([asked, *talk], data)
    body = re.sub(r"(?s)<style>.*?</style>|<[^>]+>", " ", page[page.index("<main>") :])

    assert re.findall(r"<h2>([^<]*)</h2>", page) == [
        "What we ask", "What happened", "Why", "What helps, and how sure", "What stays open", "Next season",
    ]  # fmt: skip
    assert len(body.split()) <= MOST_SUMMARY_WORDS
    assert "Fit it? Proposed: yes" in page
