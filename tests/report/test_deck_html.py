"""The page: contrast computed from its style, typed words, tables, and pictures that spell no link."""

import base64
import re

import pytest

from tests.report.seasons import SETTINGS
from tests.report.toys import season_of
from workbench.report.basis.finding import Finding
from workbench.report.decks.deck_html import deck_html, number_columns, packaged, picture_data, table_html
from workbench.report.decks.slides import Slide, slides_of
from workbench.report.decks.summary_html import summary_html
from workbench.report.decks.typed import CAUTION_LINES, caution_finding, cover_slide, mission_finding, typed_slides

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
    css = packaged(name)
    variables = dict(re.findall(r"--([\w-]+):\s*(#[0-9a-fA-F]{6})", css))

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

    assert "Fit O-rings to all units?" in page
    assert "What counts as failure: no usable record." in page
    assert "One decision is asked of this review." in page
    assert "bench" in page
    table = next(slide.table for slide in slides if slide.title == "Actions on the list.")
    assert (table["from"], table["to"]) == (["flat gasket"], ["O-ring"])
    assert all(caution[:40] in page for caution in CAUTION_LINES)
    assert page.index("decision is asked") < page.index("Settings this review was made with")


def test_without_typed_words_no_slide_stands_for_them():
    data = season_of([10.0], [True], {"lid_seal": ["a"]})
    page = deck_html([cover_slide(data), *typed_slides(data, VERSIONS)], "Season")

    assert "Decisions" not in page
    assert "What counts as failure: not typed." in page


def test_a_long_table_is_dealt_out_evenly():
    table = {"row": [f"{k}" for k in range(40)]}
    finding = Finding(id="a", kind="count", statement="Forty rows.", method="Counted.", section="appendix", table=table)
    slides = slides_of([finding], Slide(kind="cover", section="", title="Cover"))

    assert [len(slide.table["row"]) for slide in slides[1:]] == [13, 14, 13]
    assert slides[2].title == "In numbers: forty rows."


def test_cells_are_escaped_and_numbers_set_right():
    text = table_html({"<b>": ["<i>", "12 %"]})

    assert "&lt;b&gt;" in text
    assert "<i>" not in text
    assert '<td dir="auto" class="number">12\u00a0%</td>' in text


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


def test_the_summary_keeps_to_its_four_blocks():
    data = season_of([10.0], [True], {"lid_seal": ["a"]}, settings=SETTINGS)
    many = [
        Finding(id=f"life.{k}", kind="difference", statement=f"Claim {k}. More.", method="M.", section="life", order=k)
        for k in range(9)
    ]
    page = summary_html(many, data)

    assert page.count("<h2>") == 4
    assert "Claim 3." in page
    assert "Claim 4." not in page
    assert "More." not in page
