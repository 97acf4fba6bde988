"""Master: an empty presentation with one plain master of our own: one font, one title layout, nothing inherited."""

from typing import Any

from workbench.report.figures import INK, MUTED

__all__ = ["ACCENT", "BODY_FONT", "HEIGHT", "PAPER", "TEXT", "TEXT_MUTED", "WIDTH", "plain_presentation"]

WIDTH, HEIGHT = 13.333, 7.5
"""Slide size in inches."""

TEXT, TEXT_MUTED = INK.removeprefix("#"), MUTED.removeprefix("#")
PAPER, ACCENT = "FDFCF9", "14505C"
BODY_FONT = "Verdana"
"""Installed or replaced by something alike nearly everywhere; text is laid out with room to spare."""

_COLOURS = {
    "dk1": TEXT, "lt1": "FFFFFF", "dk2": ACCENT, "lt2": "F1EFE8", "accent1": "0072B2", "accent2": "D55E00",
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
    layouts = list(master.slide_layouts)
    kept = next(layout for layout in layouts if layout.name == "Title Only")
    for layout in layouts:
        if layout is not kept:
            master.slide_layouts.remove(layout)
    _restyle_theme(master)
    _restyle_shapes(master, kept)
    _drop_leftovers(deck)
    properties = deck.core_properties
    properties.title, properties.author, properties.last_modified_by = title[:200], "workbench", "workbench"
    properties.created = properties.modified = dt.datetime(2000, 1, 1)
    properties.revision = 1
    return deck


def _restyle_theme(master: Any) -> None:
    from pptx.opc.constants import RELATIONSHIP_TYPE

    part = master.part.part_related_by(RELATIONSHIP_TYPE.THEME)
    text = part.blob.decode("utf-8")
    colours = "".join(f'<a:{name}><a:srgbClr val="{value}"/></a:{name}>' for name, value in _COLOURS.items())
    faces = "".join(
        f'<a:{kind}><a:latin typeface="{BODY_FONT}"/><a:ea typeface=""/><a:cs typeface=""/></a:{kind}>'
        for kind in ("majorFont", "minorFont")
    )
    text = _between(
        text, "<a:clrScheme", "</a:clrScheme>", new=f'<a:clrScheme name="Field review">{colours}</a:clrScheme>'
    )
    text = _between(
        text, "<a:fontScheme", "</a:fontScheme>", new=f'<a:fontScheme name="Field review">{faces}</a:fontScheme>'
    )
    start = text.index(' name="', text.index("<a:theme")) + len(' name="')
    text = text[:start] + "Field review" + text[text.index('"', start) :]
    part._blob = text.encode("utf-8")  # the library has no public way to set a theme


def _between(text: str, start: str, end: str, *, new: str) -> str:
    first = text.index(start)
    last = text.index(end, first) + len(end)
    return text[:first] + new + text[last:]


def _restyle_shapes(master: Any, layout: Any) -> None:
    from pptx.util import Inches

    for holder in (master, layout):
        for shape in list(holder.placeholders):
            if shape.placeholder_format.type is not None and shape.placeholder_format.idx == 0:
                shape.left, shape.top = Inches(0.6), Inches(0.55)
                shape.width, shape.height = Inches(WIDTH - 1.2), Inches(1.15)
            else:
                shape._element.getparent().remove(shape._element)
    fill = master.background.fill
    fill.solid()
    from pptx.dml.color import RGBColor

    fill.fore_color.rgb = RGBColor.from_string(PAPER)


def _drop_leftovers(deck: Any) -> None:
    """Leave out the thumbnail and the printer settings that the library's own template brings along."""
    package = deck.part.package
    for holder in (package, deck.part):
        relations = holder._rels if hasattr(holder, "_rels") else holder.rels
        for name, relation in list(relations.items()):
            if relation.reltype.endswith(("/thumbnail", "/printerSettings")):
                relations.pop(name)
