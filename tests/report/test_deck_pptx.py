"""Slides for other programs: opened again part by part, nothing outside the page, described, without live formulas."""

import io
import re
import zipfile

import pytest
from pptx import Presentation
from pptx.util import Emu

from tests.report.test_assembly import numbers_of, text_of
from workbench.report.decks.deck_pptx import deck_pptx, fitting_size, same_bytes, text_height
from workbench.report.decks.pptx_table import legal_text
from workbench.report.decks.slides import Picture, Slide
from workbench.report.figures.dots import Dots

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module", params=["plain_review", "hostile_review"])
def written(request):
    return request.getfixturevalue(request.param)


@pytest.fixture(scope="module")
def deck(written):
    return Presentation(str(written.pptx))


def shapes_of(deck):
    return [(number, shape) for number, slide in enumerate(deck.slides, start=1) for shape in slide.shapes]


def test_there_are_as_many_slides_as_in_the_page(deck, written):
    assert len(deck.slides) == text_of(written.html).count('<section class="slide')


def test_nothing_stands_outside_the_slide(deck):
    for number, shape in shapes_of(deck):
        assert shape.left >= 0, number
        assert shape.top >= 0, number
        assert shape.left + shape.width <= deck.slide_width + Emu(10), (number, shape.name)
        assert shape.top + shape.height <= deck.slide_height + Emu(10), (number, shape.name)


def test_pictures_charts_and_tables_are_described(deck):
    described = 0
    for number, shape in shapes_of(deck):
        if hasattr(shape, "image") or shape.has_chart or shape.has_table:
            words = shape._element.xpath(".//p:cNvPr/@descr")[0]
            described += 1
            assert len(words.split()) >= 2, number
            assert not re.search(r"\.(png|jpe?g)$", words), number
    assert described > 5


def test_bars_are_native_and_tables_are_real(deck):
    shapes = [shape for _, shape in shapes_of(deck)]

    assert any(shape.has_chart for shape in shapes)
    assert any(shape.has_table for shape in shapes)


def test_curves_are_pictures_fit_for_a_projector(deck):
    """A slide of 13.3 inches across on 1,920 dots has 144 dots an inch; pictures have about as many."""
    pictures = [shape for _, shape in shapes_of(deck) if hasattr(shape, "image")]

    assert pictures
    for picture in pictures:
        assert picture.image.size[0] / (picture.width / 914400) >= 135


def test_every_slide_has_a_title_and_notes_with_its_source(deck):
    for slide in deck.slides:
        assert slide.shapes.title.text_frame.text.strip()
        assert "Source: " in slide.notes_slide.notes_text_frame.text


def test_every_number_of_titles_tables_and_notes_stands_in_findings_json(deck, written):
    known = numbers_of(text_of(written.findings))
    for number, shape in shapes_of(deck):
        texts = (
            [re.sub(r"(Behind this slide|In the talk): .*", "", shape.text_frame.text)] if shape.has_text_frame else []
        )
        if shape.has_table:
            texts += [cell.text for row in shape.table.rows for cell in row.cells]
        assert numbers_of(" ".join(texts)) <= known, number
    for slide in deck.slides:
        assert numbers_of(slide.notes_slide.notes_text_frame.text) <= known


def test_parts_are_plain_and_hold_no_link(written):
    with zipfile.ZipFile(written.pptx) as package:
        names = package.namelist()
        assert package.testzip() is None
        assert all(item.date_time == (1980, 1, 1, 0, 0, 0) for item in package.infolist())
        for name in names:
            if name.endswith((".xml", ".rels")):
                text = package.read(name).decode("utf-8")
                links = re.sub(r'(xmlns(:\w+)?|Type|uri)="http[^"]*"', "", text)
                assert "http" not in links, name
                assert 'TargetMode="External"' not in text, name
    assert not [n for n in names if "thumbnail" in n or "printerSettings" in n]
    assert len([n for n in names if re.fullmatch(r"ppt/slideLayouts/slideLayout\d+\.xml", n)]) == 4
    assert len(written.pptx.read_bytes()) < 3_000_000


def test_embedded_numbers_of_charts_hold_no_formula(written):
    with zipfile.ZipFile(written.pptx) as package:
        books = [n for n in package.namelist() if n.endswith(".xlsx")]
        assert books
        for name in books:
            with zipfile.ZipFile(io.BytesIO(package.read(name))) as book:
                sheet = book.read("xl/worksheets/sheet1.xml")
                assert b"<f>" not in sheet


def test_a_label_that_looks_like_a_formula_stays_a_label():
    chart = chart_of(dots(label=["=1+1", "@x"], value=[0.5, float("nan")]))

    assert [str(c) for c in chart.plots[0].categories] == [" =1+1", " @x"]
    assert chart.plots[0].series[0].values == (50.0, None)


def test_dots_keep_their_limits_as_error_bars_and_their_axis_holds_them():
    chart = chart_of(dots(label=["a", "b"], value=[0.5, 0.2], lower=[0.4, 0.1], upper=[0.75, 0.35]))
    lengths = {
        side: [float(v) for v in chart._chartSpace.xpath(f".//c:errBars/c:{side}//c:v/text()")]
        for side in ("plus", "minus")
    }

    assert lengths == {"plus": pytest.approx([25.0, 15.0]), "minus": pytest.approx([10.0, 10.0])}
    assert (chart.value_axis.minimum_scale, chart.value_axis.maximum_scale) == (0, 100)


def dots(**columns):
    return Dots(columns=columns, axis="share (%)", percent=True)


def chart_of(drawing):
    picture = Picture(data=b"", alt="Two dots for the share of units.", chart=drawing)
    slide = Slide(kind="talk", section="Life", title="A claim", picture=picture, source="life")
    deck = Presentation(io.BytesIO(deck_pptx([slide], "deck")))
    return next(shape.chart for shape in deck.slides[0].shapes if shape.has_chart)


def test_equal_slides_give_equal_bytes():
    slide = Slide(kind="table", section="Appendix", title="Numbers.", table={"a": ["1"]}, source="x")

    assert deck_pptx([slide], "t") == deck_pptx([slide], "t")


def test_stamps_inside_embedded_books_are_replaced():
    inner, outer = io.BytesIO(), io.BytesIO()
    with zipfile.ZipFile(inner, "w") as book:
        book.writestr("docProps/core.xml", "<created>2031-05-06T07:08:09Z</created>")
    with zipfile.ZipFile(outer, "w") as package:
        package.writestr("ppt/embeddings/a.xlsx", inner.getvalue())
    package = zipfile.ZipFile(io.BytesIO(same_bytes(outer.getvalue())))
    book = zipfile.ZipFile(io.BytesIO(package.read("ppt/embeddings/a.xlsx")))

    assert book.read("docProps/core.xml") == b"<created>2000-01-01T00:00:00Z</created>"


def test_text_is_sized_to_its_box():
    assert fitting_size("short", 5, 1, sizes=(24, 12)) == 24
    assert fitting_size("word " * 60, 5, 1, sizes=(24, 12)) == 12
    assert text_height(["x" * 100], 5, 12) > text_height(["x"], 5, 12)


def test_characters_that_xml_forbids_are_left_out():
    assert legal_text("a\x00\x0bb\ufffe😀") == "ab😀"
