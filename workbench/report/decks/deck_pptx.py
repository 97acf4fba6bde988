"""PPTX deck: the same list of slides in, a presentation with real tables, native bars and pictures out."""

import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from workbench.report.decks.pptx_master import ACCENT, HEIGHT, TEXT, TEXT_MUTED, WIDTH, plain_presentation
from workbench.report.decks.pptx_table import add_table, describe, legal_text
from workbench.report.decks.slides import Picture, Slide
from workbench.report.figures import Bars, level_words
from workbench.report.words import shown_name

__all__ = ["deck_pptx", "fitting_size", "same_bytes", "text_height"]

LEFT, TOP, BOTTOM = 0.6, 1.95, 0.45
"""Margins of the content in inches."""

CAUTION, CAUTION_PAPER = "7A3E00", "FFF4E0"
STAMP = (1980, 1, 1, 0, 0, 0)


def deck_pptx(slides: Sequence[Slide], title: str) -> bytes:
    """Return the deck as a presentation."""
    deck = plain_presentation(legal_text(title))
    layout = deck.slide_layouts[0]
    for slide in slides:
        _add(deck.slides.add_slide(layout), slide)
    target = io.BytesIO()
    deck.save(target)
    return same_bytes(target.getvalue())


def same_bytes(package: bytes) -> bytes:
    """Return a zip package with every stamp of time replaced, inside embedded workbooks too."""
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(package)) as source, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as copy:
        for item in source.infolist():
            data = source.read(item)
            if item.filename.endswith(".xlsx"):
                data = same_bytes(data)
            if item.filename == "docProps/core.xml":
                data = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2000-01-01T00:00:00Z", data)
            entry = zipfile.ZipInfo(item.filename, STAMP)
            entry.compress_type = zipfile.ZIP_DEFLATED
            copy.writestr(entry, data)
    return target.getvalue()


def _add(page: Any, slide: Slide) -> None:
    from pptx.dml.color import RGBColor

    _title(page, slide)
    cover = slide.kind == "cover"
    if cover:
        page.background.fill.solid()
        page.background.fill.fore_color.rgb = RGBColor.from_string(ACCENT)
    _text(
        page,
        (LEFT, 0.25, 8.0, 0.35),
        [slide.section],
        look=_Look(size=11, colour="FFFFFF" if cover else ACCENT, bold=True),
    )
    if slide.kind == "cover":
        _text(page, (LEFT, 3.4, WIDTH - 2 * LEFT, 2.6), slide.body, look=_Look(size=18, colour="FFFFFF", gap=10))
    elif slide.picture is None:
        _without_picture(page, slide)
    else:
        _with_picture(page, slide)
    notes = [slide.method, *slide.caveats, f"Source: {slide.source}." if slide.source else ""]
    page.notes_slide.notes_text_frame.text = legal_text("\n".join(line for line in notes if line))


def _title(page: Any, slide: Slide) -> None:
    from pptx.dml.color import RGBColor
    from pptx.enum.text import MSO_ANCHOR, MSO_AUTO_SIZE, PP_ALIGN
    from pptx.util import Inches, Pt

    shape = page.shapes.title
    if slide.kind == "cover":
        shape.left, shape.top, shape.width, shape.height = (Inches(v) for v in (LEFT, 1.6, WIDTH - 2 * LEFT, 1.5))
    frame = shape.text_frame
    frame.text = legal_text(slide.title)
    frame.word_wrap, frame.auto_size, frame.vertical_anchor = True, MSO_AUTO_SIZE.NONE, MSO_ANCHOR.TOP
    size = (
        36 if slide.kind == "cover" else fitting_size(slide.title, WIDTH - 2 * LEFT, 1.15, sizes=(24, 20, 17, 14, 12))
    )
    for paragraph in frame.paragraphs:
        paragraph.alignment = PP_ALIGN.LEFT
        paragraph.font.size, paragraph.font.bold = Pt(size), True
        paragraph.font.color.rgb = RGBColor.from_string("FFFFFF" if slide.kind == "cover" else TEXT)


def fitting_size(text: str, width: float, height: float, *, sizes: Sequence[int]) -> int:
    """Return the largest font size at which a text surely fits a box."""
    return next((size for size in sizes if text_height([text], width, size) <= height), sizes[-1])


def text_height(lines: Sequence[str], width: float, size: float) -> float:
    """Return the height that paragraphs take, estimated on the safe side for a wide font."""
    per_line = max(1.0, (width - 0.2) * 72 / (0.6 * size))
    return float(sum(np.ceil(max(len(line), 1) / per_line) for line in lines) * size * 1.28 / 72 + 0.1)


@dataclass(frozen=True)
class _Look:
    """Size in points, colours as six hex digits, and the gap after a paragraph in points."""

    size: float
    colour: str
    bold: bool = False
    gap: float = 4
    fill: str = ""


def _text(page: Any, box: tuple[float, float, float, float], lines: Sequence[str], *, look: _Look) -> None:
    from pptx.dml.color import RGBColor
    from pptx.enum.text import MSO_AUTO_SIZE
    from pptx.util import Inches, Pt

    shape = page.shapes.add_textbox(*(Inches(v) for v in box))
    frame = shape.text_frame
    frame.word_wrap, frame.auto_size = True, MSO_AUTO_SIZE.NONE
    if look.fill:
        shape.fill.solid()
        shape.fill.fore_color.rgb = RGBColor.from_string(look.fill)
    for number, line in enumerate(lines):
        paragraph = frame.paragraphs[0] if number == 0 else frame.add_paragraph()
        run = paragraph.add_run()
        run.text = legal_text(line)
        run.font.size, run.font.bold = Pt(look.size), look.bold
        run.font.color.rgb = RGBColor.from_string(look.colour)
        paragraph.space_after = Pt(look.gap)


def _blocks(
    page: Any, slide: Slide, left: float, *, width: float, top: float, height: float, grade: bool = True
) -> float:
    """Write grade, sentences and caveats one under the other; return where they end."""
    parts: list[tuple[list[str], str, str, bool]] = []
    if slide.grade and grade:
        parts.append(([f"Grade: {slide.grade}"], ACCENT, "", True))
    if slide.body:
        parts.append((list(slide.body), TEXT, "", False))
    if slide.caveats:
        parts.append((list(slide.caveats), CAUTION, CAUTION_PAPER, False))
    for size in (14, 13, 12, 11, 10, 9, 8, 7):
        heights = [text_height(lines, width, size) + 0.07 * len(lines) for lines, _, _, _ in parts]
        if sum(heights) + 0.1 * len(parts) <= height:
            break
    for (lines, colour, fill, bold), tall in zip(parts, heights if parts else [], strict=True):
        _text(page, (left, top, width, tall), lines, look=_Look(size=size, colour=colour, bold=bold, fill=fill))
        top += tall + 0.1
    return top


def _without_picture(page: Any, slide: Slide) -> None:
    width, end = WIDTH - 2 * LEFT, HEIGHT - BOTTOM
    if slide.table is None:
        _blocks(page, slide, LEFT, width=width, top=TOP, height=end - TOP)
        return
    words = bool(slide.body or slide.caveats or slide.grade)
    rows = len(next(iter(slide.table.values()), ())) + 1
    share = min(0.34 * rows + 0.3, 0.62 * (end - TOP))
    top = _blocks(page, slide, LEFT, width=width, top=TOP, height=end - TOP - share) if words else TOP
    add_table(page, slide.table, LEFT, top=top + 0.05, width=width, height=end - top - 0.1)


def _with_picture(page: Any, slide: Slide) -> None:
    assert slide.picture is not None
    end = HEIGHT - BOTTOM
    side = bool(slide.body or slide.caveats or slide.grade or slide.table)
    width = 7.5 if side else WIDTH - 2 * LEFT
    _picture(page, slide.picture, LEFT, top=TOP, width=width, height=end - TOP)
    if not side:
        return
    left = LEFT + width + 0.25
    room = WIDTH - 0.4 - left
    share = 0.0 if slide.table is None else min(0.5 * (len(next(iter(slide.table.values()))) + 1), 2.6)
    top = _blocks(page, slide, left, width=room, top=TOP, height=end - TOP - share)
    if slide.table is not None:
        add_table(page, slide.table, left, top=top + 0.05, width=room, height=end - top - 0.1)


def _picture(page: Any, picture: Picture, left: float, *, top: float, width: float, height: float) -> None:
    from pptx.util import Inches

    room = height - (0.35 if picture.caption else 0.0)
    if picture.bars is not None:
        frame = _bars(page, picture.bars, left, top=top, width=width, height=room)
        bottom = top + room
    else:
        frame = page.shapes.add_picture(io.BytesIO(picture.png), Inches(left), Inches(top), width=Inches(width))
        if frame.height > Inches(room):
            scale = Inches(room) / frame.height
            frame.width, frame.height = int(frame.width * scale), Inches(room)
        bottom = top + frame.height / Inches(1)
    describe(frame, picture.alt)
    if picture.caption:
        _text(page, (left, bottom, width, 0.35), [picture.caption], look=_Look(size=10, colour=TEXT_MUTED))


def _bars(page: Any, bars: Bars, left: float, *, top: float, width: float, height: float) -> Any:
    from pptx.chart.data import CategoryChartData
    from pptx.enum.chart import XL_CHART_TYPE
    from pptx.util import Inches, Pt

    data = CategoryChartData(number_format="0" if bars.percent else "General")
    # bars are drawn from the bottom up, so the first label comes last
    labels = [shown_name(level_words(label)) for label in bars.columns["label"]][::-1]
    data.categories = [f" {label}" if label[0] in "=+-@" else legal_text(label) for label in labels]
    scale = 100.0 if bars.percent else 1.0
    numbers = bars.columns["value"].astype(float)[::-1]
    values = [None if not np.isfinite(v) else float(f"{scale * v:.3g}") for v in numbers]
    data.add_series(legal_text(bars.axis), values)
    frame = page.shapes.add_chart(XL_CHART_TYPE.BAR_CLUSTERED, *(Inches(v) for v in (left, top, width, height)), data)
    chart = frame.chart
    chart.has_legend = False
    chart.has_title = False
    chart.font.size = Pt(12)
    plot = chart.plots[0]
    plot.gap_width, plot.has_data_labels = 60, True
    chart.category_axis.format.line.width = Pt(1)
    chart.value_axis.minimum_scale = 0
    chart.value_axis.has_major_gridlines = False
    chart.value_axis.has_title = True
    chart.value_axis.axis_title.text_frame.text = legal_text(bars.axis)
    return frame
