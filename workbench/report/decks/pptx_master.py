"""Master: an empty presentation of our own: one font, a cover, two layouts for the talk and one for the appendix.

Everything on a talk slide stands in a placeholder and takes size, place and colour from these layouts, so that whoever
restyles the master restyles the talk.
"""

import copy
from typing import Any

from workbench.report.figures import ACCENT as ACCENT_COLOUR
from workbench.report.figures import INK, MUTED, PANEL
from workbench.report.figures import PAPER as PAPER_COLOUR

__all__ = [
    "ACCENT",
    "APPENDIX",
    "COVER",
    "HEIGHT",
    "PICTURE",
    "SHADED",
    "TABLE",
    "TEXT",
    "TEXT_MUTED",
    "TITLE_POINTS",
    "WIDTH",
    "add_foot",
    "content_box",
    "plain_presentation",
]

WIDTH, HEIGHT = 13.333, 7.5
"""Slide size in inches."""

TEXT, TEXT_MUTED, ACCENT, PAPER, SHADED = (
    c.removeprefix("#") for c in (INK, MUTED, ACCENT_COLOUR, PAPER_COLOUR, PANEL)
)
BODY_FONT = "Arial"
"""Installed or replaced by something of its width nearly everywhere."""

COVER, PICTURE, TABLE, APPENDIX = "Cover", "Talk: picture and words", "Talk: table and words", "Appendix"
"""Names of the layouts."""

_LAYOUTS = {"Title Slide": COVER, "Picture with Caption": PICTURE, "Title and Content": TABLE, "Title Only": APPENDIX}
TITLE_POINTS = {COVER: 40, PICTURE: 28, TABLE: 28, APPENDIX: 20}
_BODY_POINTS = 18
_BOXES = {
    (COVER, 0): (0.6, 1.5, 12.1, 1.6),
    (COVER, 1): (0.6, 3.3, 12.1, 2.8),
    (PICTURE, 0): (0.6, 0.6, 12.1, 1.1),
    (PICTURE, 1): (0.6, 1.8, 8.2, 5.05),
    (PICTURE, 2): (9.0, 1.8, 3.75, 5.05),
    (TABLE, 0): (0.6, 0.6, 12.1, 1.1),
    (TABLE, 1): (0.6, 5.65, 12.1, 1.2),
    (APPENDIX, 0): (0.6, 0.55, 12.1, 1.0),
}
"""Place of each placeholder: left, top, width, height in inches."""

_FOOT_BOX, _NUMBER_BOX = (0.6, 6.95, 11.0, 0.4), (11.9, 6.95, 0.85, 0.4)

_THEME = "Field review"
_COLOURS = {
    "dk1": TEXT, "lt1": "FFFFFF", "dk2": ACCENT, "lt2": SHADED, "accent1": "0072B2", "accent2": "D55E00",
    "accent3": "009E73", "accent4": "E69F00", "accent5": "56B4E9", "accent6": "CC79A7", "hlink": ACCENT,
    "folHlink": TEXT_MUTED,
}  # fmt: skip


def plain_presentation(title: str) -> Any:
    """Return a presentation without slides, on a master made here."""
    import datetime as dt

    from pptx import Presentation
    from pptx.util import Inches

    deck = Presentation()
    deck.slide_width, deck.slide_height = Inches(WIDTH), Inches(HEIGHT)
    master = deck.slide_masters[0]
    for layout in list(master.slide_layouts):
        if layout.name in _LAYOUTS:
            layout.name = _LAYOUTS[layout.name]
            _restyle_layout(layout)
        else:
            master.slide_layouts.remove(layout)
    _restyle_master(master)
    _restyle_theme(master)
    _drop_leftovers(deck)
    properties = deck.core_properties
    properties.title, properties.author, properties.last_modified_by = title[:200], "workbench", "workbench"
    properties.created = properties.modified = dt.datetime(2000, 1, 1)
    properties.revision = 1
    return deck


def content_box(layout: str, place: int) -> tuple[float, float, float, float]:
    """Return where a placeholder of a layout stands: left, top, width, height in inches."""
    return _BOXES[layout, place]


def add_foot(page: Any, text: str) -> None:
    """Fill the footer and the slide number, which a new slide does not take over from its layout by itself."""
    for shape in page.slide_layout.placeholders:
        kind = str(shape.placeholder_format.type)
        if "FOOTER" in kind or "SLIDE_NUMBER" in kind:
            element = copy.deepcopy(shape._element)
            page.shapes._spTree.append(element)
            if "FOOTER" in kind:
                page.shapes[-1].text_frame.text = text


def _restyle_layout(layout: Any) -> None:
    from pptx.dml.color import RGBColor

    for shape in list(layout.placeholders):
        kind = str(shape.placeholder_format.type)
        if "DATE" in kind:
            shape._element.getparent().remove(shape._element)
        elif "FOOTER" in kind or "SLIDE_NUMBER" in kind:
            _place(shape, _FOOT_BOX if "FOOTER" in kind else _NUMBER_BOX)
            _text_style(shape, 11, colour="FFFFFF" if layout.name == COVER else TEXT_MUTED)
        else:
            index = shape.placeholder_format.idx
            _place(shape, _BOXES[layout.name, index])
            points = TITLE_POINTS[layout.name] if index == 0 else _BODY_POINTS
            colour = "FFFFFF" if layout.name == COVER else TEXT
            _text_style(shape, points, colour=colour, bold=index == 0)
    if layout.name == COVER:
        layout.background.fill.solid()
        layout.background.fill.fore_color.rgb = RGBColor.from_string(ACCENT)


def _place(shape: Any, box: tuple[float, float, float, float]) -> None:
    from pptx.util import Inches

    shape.left, shape.top, shape.width, shape.height = (Inches(v) for v in box)


def _text_style(shape: Any, points: int, *, colour: str, bold: bool = False) -> None:
    """Write size and colour of a placeholder's text into its own list style, without bullets."""
    from lxml import etree
    from pptx.oxml.ns import qn

    body = shape.text_frame._txBody
    properties = body.find(qn("a:bodyPr"))
    for child in list(properties):
        properties.remove(child)
    properties.set("anchor", "t")
    style = body.find(qn("a:lstStyle"))
    if style is None:
        style = etree.SubElement(body, qn("a:lstStyle"))
        body.insert(1, style)
    for child in list(style):
        style.remove(child)
    level = etree.SubElement(style, qn("a:lvl1pPr"), marL="0", indent="0", algn="l")
    space = etree.SubElement(etree.SubElement(level, qn("a:spcBef")), qn("a:spcPts"))
    space.set("val", "0")
    after = etree.SubElement(etree.SubElement(level, qn("a:spcAft")), qn("a:spcPts"))
    after.set("val", "0" if bold else "900")
    etree.SubElement(level, qn("a:buNone"))
    run = etree.SubElement(level, qn("a:defRPr"), sz=str(100 * points), b="1" if bold else "0")
    fill = etree.SubElement(etree.SubElement(run, qn("a:solidFill")), qn("a:srgbClr"))
    fill.set("val", colour)


def _restyle_master(master: Any) -> None:
    from pptx.dml.color import RGBColor

    for shape in list(master.placeholders):
        if "DATE" in str(shape.placeholder_format.type):
            shape._element.getparent().remove(shape._element)
        elif shape.placeholder_format.idx == 0:
            _place(shape, _BOXES[PICTURE, 0])
        elif "BODY" in str(shape.placeholder_format.type):
            _place(shape, (0.6, 1.8, 12.1, 5.05))
    fill = master.background.fill
    fill.solid()
    fill.fore_color.rgb = RGBColor.from_string(PAPER)


def _restyle_theme(master: Any) -> None:
    from lxml import etree
    from pptx.opc.constants import RELATIONSHIP_TYPE
    from pptx.oxml import parse_xml
    from pptx.oxml.ns import qn

    part = master.part.part_related_by(RELATIONSHIP_TYPE.THEME)
    theme = parse_xml(part.blob)
    theme.set("name", _THEME)
    colours, fonts = (theme.find(f".//{qn(name)}") for name in ("a:clrScheme", "a:fontScheme"))
    for scheme in (colours, fonts):
        scheme.clear()
        scheme.set("name", _THEME)
    for name, value in _COLOURS.items():
        etree.SubElement(etree.SubElement(colours, qn(f"a:{name}")), qn("a:srgbClr"), val=value)
    for kind in ("a:majorFont", "a:minorFont"):
        faces = etree.SubElement(fonts, qn(kind))
        for script, face in (("a:latin", BODY_FONT), ("a:ea", ""), ("a:cs", "")):
            etree.SubElement(faces, qn(script), typeface=face)
    # the library has no public way to set a theme
    part._blob = etree.tostring(theme, xml_declaration=True, encoding="UTF-8", standalone=True)


def _drop_leftovers(deck: Any) -> None:
    """Leave out the thumbnail and the printer settings that the library's own template brings along."""
    package = deck.part.package
    for holder in (package, deck.part):
        relations = holder._rels if hasattr(holder, "_rels") else holder.rels
        for name, relation in list(relations.items()):
            if relation.reltype.endswith(("/thumbnail", "/printerSettings")):
                relations.pop(name)
