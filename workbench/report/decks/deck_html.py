"""HTML deck: a list of slides in, one page that needs nothing from elsewhere out."""

import base64
import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from workbench.report.decks.pictures import Picture
from workbench.report.decks.slides import Slide
from workbench.report.figures import page_colours
from workbench.templating import packaged_text, rendered
from workbench.wording import Grade

__all__ = ["PACKAGE", "deck_html", "number_columns", "page_style", "picture_data", "table_view"]

PACKAGE = "workbench.report.decks"
GRADE_CLASS: dict[str, str] = {**{grade: grade.value for grade in Grade}, Grade.NOT_APART: "apart"}
TABLE_SIZES = (("", 17.2, 115), ("dense", 14.0, 140), ("denser", 11.2, 175))
"""Class, font size in points and characters across the slide, as the style sets them."""
TABLE_ROOM = 500
LONG_WORD = 18
"""Words longer than this may be broken in a table."""
NARROW = 40
"""Characters across up to which a table stands in the column beside its picture."""
SHORT_CELL = 10
"""Cells up to this many characters stay on one line."""
_NUMBER = re.compile(r"[<≥≤~]?\s*[+−±-]?[\d.,]+(\s*(%|days?|points?))?$")


def deck_html(slides: Sequence[Slide], title: str) -> str:
    """Return the deck as one HTML page: keyboard, speaker view, overview, print, readable without script."""
    return rendered(
        PACKAGE,
        "deck.html",
        title=title,
        slides=[_view(slide) for slide in slides],
        parts=_parts(slides),
        **page_style("deck.css"),
        script=packaged_text(PACKAGE, "deck.js"),
    )


def page_style(sheet: str) -> dict[str, Any]:
    """What a page of this room is styled by: the colours of the house and one style sheet."""
    return {"colours": page_colours(), "style": packaged_text(PACKAGE, sheet)}


def table_view(table: Mapping[str, Sequence[str]], size: str = "") -> dict[str, Any]:
    """Return a table as the template takes it: headings, and rows of cells with their kinds."""
    right = number_columns(table)
    rows = [[_cell(*pair) for pair in zip(cells, right, strict=True)] for cells in zip(*table.values(), strict=True)]
    return {"headings": list(table), "rows": rows, "size": size}


def picture_data(picture: bytes) -> str:
    """Return a picture as text for the src of an image."""
    data = base64.b64encode(picture).decode("ascii")
    data = re.sub(
        "http", lambda found: f"{found[0][0]}%{ord(found[0][1]):02X}{found[0][2:]}", data, flags=re.IGNORECASE
    )
    kind = "jpeg" if picture.startswith(b"\xff\xd8") else "png"
    return f"data:image/{kind};base64,{data}"


def number_columns(table: Mapping[str, Sequence[str]]) -> list[bool]:
    """Return which columns of a table are set like numbers: flush right.

    Examples
    --------
    >>> number_columns({"end": ["IP67", "IP66"], "units": ["12", "–"], "gain": ["reference", "+3 points"]})
    [False, True, True]
    """
    counted = [[cell for cell in cells if any(c.isdigit() for c in cell)] for cells in table.values()]
    return [bool(cells) and all(_NUMBER.match(cell) for cell in cells) for cells in counted]


def _parts(slides: Sequence[Slide]) -> list[dict[str, Any]]:
    """Where each section begins, and every slide of the talk."""
    parts, last = [], ""
    for slide in slides:
        if slide.in_talk or slide.section != last:
            name = slide.title if slide.kind == "cover" else slide.section
            parts.append({"number": slide.number, "name": name})
        last = slide.section
    return parts


def _cell(cell: str, number: bool) -> dict[str, str]:
    longest = max((len(word) for word in cell.split()), default=0)
    kind = "number" if number else "long" if longest > LONG_WORD else "short" if len(cell) <= SHORT_CELL else ""
    return {"text": cell, "kind": kind}


def _view(slide: Slide) -> dict[str, Any]:
    talk = slide.in_talk
    link_words = "Behind this slide:" if talk else "In the talk:"
    return {
        "number": slide.number,
        "kind": slide.kind,
        "part": "talk" if talk else "appendix",
        "section": slide.section,
        "title": slide.title,
        "length": "" if talk else "longer" if len(slide.title) > 230 else "long" if len(slide.title) > 130 else "",
        "grade": slide.grade,
        "grade_class": GRADE_CLASS.get(slide.grade, ""),
        "body": slide.body,
        "caveats": slide.caveats,
        "words": bool(slide.body or slide.caveats),
        "picture": None if slide.picture is None else _picture(slide.picture),
        "table": None if slide.table is None else table_view(slide.table, "" if talk else _table_size(slide)),
        "layout": _layout(slide),
        "size": "" if talk else _side_size(slide),
        "foot": slide.counts if slide.kind == "talk" else " ".join(filter(None, (slide.method, slide.counts))),
        "links": slide.links,
        "link_words": link_words,
        "notes": slide.notes,
    }


def _picture(picture: Picture) -> dict[str, str]:
    return {"data": picture_data(picture.data), "alt": picture.alt, "caption": picture.caption}


def _layout(slide: Slide) -> str:
    if slide.picture is None:
        return "plain"
    return "split" if slide.table is not None and _table_width(slide.table) > NARROW else ""


def _table_width(table: Mapping[str, Sequence[str]]) -> int:
    """Characters that the widest cells of a table take side by side."""
    return sum(max(len(heading), *map(len, cells), 1) for heading, cells in table.items())


def _side_size(slide: Slide) -> str:
    if slide.picture is None:
        return ""
    load = sum(len(line) for line in (*slide.body, *slide.caveats)) + 40 * len(slide.caveats)
    if slide.table:
        load += 75 * (1 + len(next(iter(slide.table.values()))))
    return "denser" if load > 1250 else "dense" if load > 620 else ""


def _table_size(slide: Slide) -> str:
    """The largest size at which a table fits under its text, on a slide of 1280 by 720 points."""
    if slide.picture is not None or slide.table is None:
        return ""
    said = sum(len(line) + 60 for line in (*slide.body, *slide.caveats)) + len(slide.title) + 150 * bool(slide.grade)
    lines = [tuple(slide.table), *zip(*slide.table.values(), strict=True)]
    widest = [max(3, *(len(cell) for cell in column)) for column in zip(*lines, strict=True)]
    room = TABLE_ROOM - 24 * said / 110
    for name, font, characters in TABLE_SIZES:
        fit = min(1.0, characters / (sum(widest) + 3 * len(widest)))
        rows = [max(math.ceil(len(c) / (fit * w)) for c, w in zip(line, widest, strict=True)) for line in lines]
        if sum(max(row, 1) * 1.35 * font + 0.65 * font for row in rows) <= room:
            return name
    return TABLE_SIZES[-1][0]
