"""Table: headings and cells in, a real table on a slide out, at the largest size that fits its box."""

import re
from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from typing import Any

import numpy as np

from workbench.report.decks.deck_html import number_columns
from workbench.report.decks.pptx_master import ACCENT, SHADED, TEXT
from workbench.report.words import shown_name

__all__ = ["add_table", "describe", "legal_text"]

SIZES = (13, 12, 11, 10, 9, 8, 7, 6)
BOLD = 1.15
CHARACTER = 0.55
"""Width of a character, in font sizes: on the safe side for the font of the master."""


@dataclass(frozen=True)
class _Look:
    """How a cell looks: size of its words in points, whether it heads a column, is shaded, and flush right."""

    size: float
    head: bool
    shaded: bool
    right: bool


def legal_text(text: str) -> str:
    """Return a text without the characters that XML forbids."""
    text = text.replace(" %", "\u00a0%")  # a per cent sign never starts a line
    return re.sub("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "", text)


def describe(frame: Any, words: str) -> None:
    """Give a picture, chart or table its description for those who cannot see it."""
    properties = next(e for e in frame._element.iter() if e.tag.endswith("}cNvPr"))
    properties.set("descr", legal_text(words))


def add_table(
    page: Any,
    table: Mapping[str, Sequence[str]],
    left: float,
    *,
    top: float,
    width: float,
    height: float,
    sizes: Sequence[int] = SIZES,
) -> None:
    """Add a table to a slide at the largest of the sizes that fits."""
    from pptx.util import Inches

    lines = [tuple(table), *zip(*table.values(), strict=True)]
    for size in sizes:
        widths = _widths(lines, width, size)
        heights = [
            max(_height(text, inches, size) for text, inches in zip(line, widths, strict=True)) for line in lines
        ]
        if sum(heights) <= height and sum(_longest_words(lines, size)) <= width:
            break
    box = (Inches(v) for v in (left, top, sum(widths), min(sum(heights), height)))
    frame = page.shapes.add_table(len(lines), len(table), *box)
    for number, inches in enumerate(widths):
        frame.table.columns[number].width = Inches(inches)
    for number, inches in enumerate(heights):
        frame.table.rows[number].height = Inches(inches)
    right = number_columns(table)
    drawn: dict[_Look, Any] = {}
    for number, (row, line) in enumerate(zip(frame.table.rows, lines, strict=True)):
        for cell, text, flush in zip(list(row.cells), line, right, strict=True):
            look = _Look(size=size, head=number == 0, shaded=number % 2 == 0, right=flush and number > 0)
            _fill(cell, text, look, drawn=drawn)
    describe(frame, "Table: " + "; ".join(shown_name(heading) for heading in table))


def _widths(lines: Sequence[Sequence[str]], width: float, size: float) -> list[float]:
    """Inches of each column: as wide as its longest cell where all fit, else shared beyond the longest words."""
    letter = CHARACTER * size / 72
    cells = list(zip(*lines, strict=True))
    longest = np.array([max(len(column[0]) * BOLD, *map(len, column[1:]), 1) for column in cells]) * letter + 0.2
    words = _longest_words(lines, size)
    least = words if words.sum() <= width else words * width / words.sum()
    if longest.sum() <= width:
        return [float(v) for v in longest]
    spare = width - least.sum()
    wanted = np.maximum(longest - least, 0)
    return [float(v) for v in least + spare * wanted / max(wanted.sum(), 1e-9)]


def _longest_words(lines: Sequence[Sequence[str]], size: float) -> np.ndarray:
    """Inches that the longest word of each column takes."""
    longest = [max(len(w) for c in column for w in c.split() or [""]) for column in zip(*lines, strict=True)]
    return np.array(longest) * BOLD * CHARACTER * size / 72 + 0.2


def _height(text: str, width: float, size: float) -> float:
    per_line = max(1.0, (width - 0.14) * 72 / (CHARACTER * size))
    return float(np.ceil(max(len(text), 1) / per_line)) * size * 1.25 / 72 + 0.08


def _fill(cell: Any, text: str, look: _Look, *, drawn: dict[_Look, Any]) -> None:
    """Write a cell; one that looks as an earlier one is a copy of it with other words, which is three times as fast."""
    if look in drawn:
        element = deepcopy(drawn[look])
        cell._tc.getparent().replace(cell._tc, element)
        type(cell)(element, cell._parent).text_frame.paragraphs[0].runs[0].text = legal_text(text)
        return
    _draw(cell, look)
    cell.text_frame.paragraphs[0].runs[0].text = legal_text(text)
    drawn[look] = cell._tc


def _draw(cell: Any, look: _Look) -> None:
    """Give a cell its margins, colours and a run for its words."""
    from pptx.dml.color import RGBColor
    from pptx.enum.text import PP_ALIGN
    from pptx.util import Inches, Pt

    cell.margin_left = cell.margin_right = Inches(0.06)
    cell.margin_top = cell.margin_bottom = Inches(0.03)
    cell.fill.solid()
    cell.fill.fore_color.rgb = RGBColor.from_string(ACCENT if look.head else SHADED if look.shaded else "FFFFFF")
    paragraph = cell.text_frame.paragraphs[0]
    paragraph.alignment = PP_ALIGN.RIGHT if look.right else PP_ALIGN.LEFT
    run = paragraph.add_run()
    run.font.size, run.font.bold = Pt(look.size), look.head
    run.font.color.rgb = RGBColor.from_string("FFFFFF" if look.head else TEXT)
