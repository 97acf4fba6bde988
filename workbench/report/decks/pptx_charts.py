"""Native charts: values as dots that keep their limits, and counts as stacked bars."""

import math
from typing import Any

import numpy as np

from workbench.report.decks.pptx_master import TEXT
from workbench.report.decks.pptx_table import legal_text
from workbench.report.figures import MUTED, Dots, Stacks, level_words, part_colour
from workbench.report.words import shown_name, unbroken

__all__ = ["MOST_LABELS", "add_chart", "can_be_native"]

MOST_LABELS, LONGEST_LABEL = 6, 34
"""Dots of a native chart and letters of a label: more would overlap under it."""
CHART_POINTS = 14


def can_be_native(chart: Dots | Stacks) -> bool:
    """Return whether a drawing can be a native chart that says as much: few dots with short labels, or any bars."""
    if isinstance(chart, Stacks):
        return True
    labels = chart.words("label")
    return len(labels) <= MOST_LABELS and all(len(label) <= LONGEST_LABEL for label in labels)


def add_chart(page: Any, chart: Dots | Stacks, box: tuple[float, float, float, float]) -> Any:
    """Add a native chart to a slide."""
    return _add_dots(page, chart, box) if isinstance(chart, Dots) else _add_stacks(page, chart, box)


def _safe(label: str) -> str:
    """A label that no spreadsheet behind the chart runs as a formula."""
    text = unbroken(shown_name(level_words(label), 60))
    return f" {text}" if text[0] in "=+-@" else legal_text(text)


def _add_dots(page: Any, dots: Dots, box: tuple[float, float, float, float]) -> Any:
    from pptx.chart.data import CategoryChartData
    from pptx.dml.color import RGBColor
    from pptx.enum.chart import XL_CHART_TYPE, XL_MARKER_STYLE, XL_TICK_LABEL_POSITION
    from pptx.util import Inches, Pt

    value, low, high = (dots.shown(name) for name in ("value", "lower", "upper"))
    data = CategoryChartData(number_format="General")
    notes = dots.words("note")
    data.categories = [
        _safe(f"{label}: {note}" if note else label) for label, note in zip(dots.words("label"), notes, strict=True)
    ]
    data.add_series(legal_text(dots.axis), [None if not np.isfinite(v) else float(f"{v:.3g}") for v in value])
    frame = page.shapes.add_chart(XL_CHART_TYPE.LINE_MARKERS, *(Inches(v) for v in box), data)
    chart = frame.chart
    _plain(chart, dots.axis)
    series = chart.plots[0].series[0]
    series.smooth = False
    series.format.line.fill.background()
    series.marker.style, series.marker.size = XL_MARKER_STYLE.CIRCLE, 12
    series.marker.format.fill.solid()
    series.marker.format.fill.fore_color.rgb = RGBColor.from_string(TEXT)
    _add_limits(series, value - low, high - value)
    ends = dots.axis_limits if dots.reference is not None or not dots.percent else (0.0, 100.0)
    chart.value_axis.minimum_scale, chart.value_axis.maximum_scale = _round_ends(*ends)
    chart.category_axis.tick_label_position = XL_TICK_LABEL_POSITION.LOW
    _level_labels(chart.category_axis)
    chart.value_axis.has_major_gridlines = True
    chart.value_axis.major_gridlines.format.line.width = Pt(0.5)
    chart.value_axis.major_gridlines.format.line.color.rgb = RGBColor.from_string("D5DADE")
    return frame


def _round_ends(low: float, high: float) -> tuple[float, float]:
    """Ends of an axis moved outwards to a multiple of ten, or of a tenth of the span where that is small."""
    step = 10.0 if high - low > 30 else 1.0 if high - low > 3 else 0.1
    return math.floor(low / step) * step, math.ceil(high / step) * step


def _level_labels(axis: Any) -> None:
    """Keep the labels under a chart level, on several lines where they are long; the library has no public way."""
    from pptx.oxml.ns import qn

    axis.tick_labels.font.bold = False  # makes the element that holds the turn
    body = axis._element.find(qn("c:txPr")).find(qn("a:bodyPr"))
    body.set("rot", "0")
    body.set("vert", "horz")


def _add_limits(series: Any, below: np.ndarray, above: np.ndarray) -> None:
    """Error bars of each dot's own length; the library has no public way to set them."""
    from lxml import etree
    from pptx.oxml.ns import qn

    bars = etree.Element(qn("c:errBars"))
    for name, value in (("errDir", "y"), ("errBarType", "both"), ("errValType", "cust"), ("noEndCap", "1")):
        etree.SubElement(bars, qn(f"c:{name}"), val=value)
    for name, lengths in (("plus", above), ("minus", below)):
        literal = etree.SubElement(etree.SubElement(bars, qn(f"c:{name}")), qn("c:numLit"))
        etree.SubElement(literal, qn("c:formatCode")).text = "General"
        etree.SubElement(literal, qn("c:ptCount"), val=str(len(lengths)))
        for place, length in enumerate(lengths):
            if np.isfinite(length):
                point = etree.SubElement(literal, qn("c:pt"), idx=str(place))
                etree.SubElement(point, qn("c:v")).text = f"{max(length, 0.0):.4g}"
    line = etree.SubElement(etree.SubElement(bars, qn("c:spPr")), qn("a:ln"), w="34925")
    etree.SubElement(etree.SubElement(line, qn("a:solidFill")), qn("a:srgbClr"), val=TEXT)
    series._element.find(qn("c:cat")).addprevious(bars)


def _add_stacks(page: Any, stacks: Stacks, box: tuple[float, float, float, float]) -> Any:
    from pptx.chart.data import CategoryChartData
    from pptx.dml.color import RGBColor
    from pptx.enum.chart import XL_CHART_TYPE, XL_LEGEND_POSITION
    from pptx.util import Inches

    data = CategoryChartData(number_format="0")
    labels = [str(v) for v in stacks.columns["label"]]
    notes = [str(v) for v in stacks.columns.get("note", [""] * len(labels))]
    # bars are drawn from the bottom up, so the first label comes last
    data.categories = [_safe(f"{x}: {n}" if n else x) for x, n in zip(labels, notes, strict=True)][::-1]
    for part in stacks.parts:
        counts = [float(v) if v else None for v in stacks.columns[part]][::-1]
        data.add_series(legal_text(stacks.words.get(part, stacks.axis)), counts)
    frame = page.shapes.add_chart(XL_CHART_TYPE.BAR_STACKED, *(Inches(v) for v in box), data)
    chart = frame.chart
    _plain(chart, stacks.axis)
    plot = chart.plots[0]
    plot.gap_width, plot.overlap = 40, 100
    for part, series in zip(stacks.parts, plot.series, strict=True):
        series.format.fill.solid()
        series.format.fill.fore_color.rgb = RGBColor.from_string(part_colour(part).removeprefix("#"))
        for place, is_open in enumerate(stacks.is_open[::-1]):
            if is_open:
                fill = series.points[place].format.fill
                fill.solid()
                fill.fore_color.rgb = RGBColor.from_string(MUTED.removeprefix("#"))
        labels_of = series.data_labels
        labels_of.show_value = True
        labels_of.font.color.rgb = RGBColor.from_string(TEXT if part == "withdrawn" else "FFFFFF")
    if stacks.words:
        chart.has_legend = True
        chart.legend.position, chart.legend.include_in_layout = XL_LEGEND_POSITION.TOP, False
    return frame


def _plain(chart: Any, axis: str) -> None:
    from pptx.util import Pt

    chart.has_legend, chart.has_title = False, False
    chart.font.size = Pt(CHART_POINTS)
    chart.value_axis.has_major_gridlines = False
    chart.value_axis.has_title = True
    chart.value_axis.axis_title.text_frame.text = legal_text(unbroken(axis))
    chart.value_axis.axis_title.text_frame.paragraphs[0].runs[0].font.size = Pt(CHART_POINTS)
