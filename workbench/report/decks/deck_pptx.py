"""PPTX deck: the same list of slides in, a presentation with real tables, native charts and pictures out."""

import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from workbench.report.decks.pictures import Picture
from workbench.report.decks.pptx_charts import add_chart, can_be_native
from workbench.report.decks.pptx_master import (
    ACCENT,
    APPENDIX,
    COVER,
    HEIGHT,
    PICTURE,
    TABLE,
    TEXT,
    TITLE_POINTS,
    WIDTH,
    add_foot,
    content_box,
    plain_presentation,
)
from workbench.report.decks.pptx_table import add_table, describe, legal_text
from workbench.report.decks.slides import Slide
from workbench.report.figures import CAUTION as CAUTION_COLOUR
from workbench.report.figures import CAUTION_PAPER as CAUTION_PAPER_COLOUR

__all__ = ["deck_pptx", "fitting_size", "same_bytes", "text_height"]

LEFT, TOP, BOTTOM = 0.6, 1.6, 0.6
"""Margins of an appendix slide's content in inches."""
TOPIC_BOX = (0.6, 0.22, 9.0, 0.35)
TALK_TABLE_POINTS = (18, 17, 16, 15, 14)

CAUTION, CAUTION_PAPER = CAUTION_COLOUR.removeprefix("#"), CAUTION_PAPER_COLOUR.removeprefix("#")
STAMP = (1980, 1, 1, 0, 0, 0)


def deck_pptx(slides: Sequence[Slide], title: str) -> bytes:
    """Return the deck as a presentation."""
    deck = plain_presentation(legal_text(title))
    layouts = {layout.name: layout for layout in deck.slide_layouts}
    for slide in slides:
        _add(deck.slides.add_slide(layouts[_layout_of(slide)]), slide)
    target = io.BytesIO()
    deck.save(target)
    return same_bytes(target.getvalue())


def _layout_of(slide: Slide) -> str:
    if slide.kind == "cover":
        return COVER
    if slide.kind == "talk":
        return TABLE if slide.picture is None else PICTURE
    return APPENDIX


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
    page.shapes.title.text_frame.text = legal_text(slide.title)
    if slide.kind == "cover":
        _fill(page.placeholders[1], slide.body)
    else:
        _text(page, TOPIC_BOX, [slide.section], look=_Look(size=14, colour=ACCENT, bold=True))
    if slide.kind == "talk":
        _talk(page, slide)
    elif slide.kind != "cover":
        _appendix(page, slide)
    words = "Behind this slide:" if slide.in_talk else "In the talk:"
    links = f"{words} {', '.join(map(str, slide.links))}" if slide.links else ""
    add_foot(page, legal_text(" ".join(filter(None, (slide.counts, links)))))
    notes = [*slide.notes, f"Source: {slide.source}." if slide.source else ""]
    page.notes_slide.notes_text_frame.text = legal_text("\n".join(line for line in notes if line))


def _fill(holder: Any, lines: Sequence[str]) -> None:
    """Write lines into a placeholder, in whatever size and colour its layout gives."""
    frame = holder.text_frame
    for number, line in enumerate(lines):
        paragraph = frame.paragraphs[0] if number == 0 else frame.add_paragraph()
        paragraph.add_run().text = legal_text(line)


def _drop(holder: Any) -> None:
    holder._element.getparent().remove(holder._element)


def _talk(page: Any, slide: Slide) -> None:
    """Fill the placeholders of a talk slide: a picture or chart and words beside it, or a table and words under it."""
    if slide.picture is None:
        left, top, width, _ = content_box(TABLE, 1)
        if slide.table is not None:
            start = content_box(PICTURE, 1)[1]
            add_table(
                page, slide.table, left, top=start, width=width, height=top - start - 0.2, sizes=TALK_TABLE_POINTS
            )
        if slide.body:
            _fill(page.placeholders[1], slide.body)
        else:
            _drop(page.placeholders[1])
        return
    chart = slide.picture.chart
    if chart is not None and can_be_native(chart):
        _drop(page.placeholders[1])
        frame = add_chart(page, chart, content_box(PICTURE, 1))
        describe(frame, slide.picture.alt)
    else:
        _fit_picture(page.placeholders[1], slide.picture)
    if slide.body:
        _fill(page.placeholders[2], slide.body)
    else:
        _drop(page.placeholders[2])


def _fit_picture(holder: Any, picture: Picture) -> None:
    """Put a picture into its placeholder, whole and as large as it fits."""
    from pptx.util import Inches

    left, top, width, height = (Inches(v) for v in content_box(PICTURE, 1))
    shape = holder.insert_picture(io.BytesIO(picture.data))
    shape.crop_left = shape.crop_right = shape.crop_top = shape.crop_bottom = 0
    across, down = shape.image.size
    scale = min(width / across, height / down)
    shape.left, shape.top = left, top
    shape.width, shape.height = int(across * scale), int(down * scale)
    describe(shape, picture.alt)


def _appendix(page: Any, slide: Slide) -> None:
    from pptx.util import Pt

    box = content_box(APPENDIX, 0)
    size = fitting_size(slide.title, box[2], box[3], sizes=(TITLE_POINTS[APPENDIX], 17, 14, 12))
    if size != TITLE_POINTS[APPENDIX]:
        for paragraph in page.shapes.title.text_frame.paragraphs:
            paragraph.font.size = Pt(size)
    if slide.picture is None:
        _without_picture(page, slide)
    else:
        _with_picture(page, slide)


def fitting_size(text: str, width: float, height: float, *, sizes: Sequence[int]) -> int:
    """Return the largest font size at which a text surely fits a box."""
    return next((size for size in sizes if text_height([text], width, size) <= height), sizes[-1])


def text_height(lines: Sequence[str], width: float, size: float) -> float:
    """Return the height that paragraphs take, estimated on the safe side."""
    per_line = max(1.0, (width - 0.2) * 72 / (0.55 * size))
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
    wide = slide.table is not None and len(slide.table) > 3
    width = WIDTH - 2 * LEFT if not side else 5.4 if wide else 7.3
    _picture(page, slide.picture, LEFT, top=TOP, width=width, height=end - TOP)
    if not side:
        return
    left = LEFT + width + 0.25
    room = WIDTH - 0.4 - left
    rows = 0 if slide.table is None else len(next(iter(slide.table.values()))) + 1
    share = min(0.42 * rows, 0.6 * (end - TOP))
    top = _blocks(page, slide, left, width=room, top=TOP, height=end - TOP - share)
    if slide.table is not None:
        add_table(page, slide.table, left, top=top + 0.05, width=room, height=end - top - 0.1)


def _picture(page: Any, picture: Picture, left: float, *, top: float, width: float, height: float) -> None:
    from pptx.util import Inches

    room = height - (0.35 if picture.caption else 0.0)
    frame = page.shapes.add_picture(io.BytesIO(picture.data), Inches(left), Inches(top), width=Inches(width))
    if frame.height > Inches(room):
        scale = Inches(room) / frame.height
        frame.width, frame.height = int(frame.width * scale), Inches(room)
    describe(frame, picture.alt)
    if picture.caption:
        bottom = top + frame.height / Inches(1)
        _text(page, (left, bottom, width, 0.35), [picture.caption], look=_Look(size=11, colour=TEXT))
