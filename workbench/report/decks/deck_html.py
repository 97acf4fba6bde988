"""HTML deck: a list of slides in, one page that needs nothing from elsewhere out."""

import base64
import html
import math
import re
from collections.abc import Mapping, Sequence
from importlib.resources import files

from workbench.report.decks.slides import Picture, Slide

__all__ = ["deck_html", "number_columns", "packaged", "page_text", "picture_data", "table_html"]

GRADE_CLASS = {"clear": "clear", "likely": "likely", "unclear": "unclear", "cannot be told apart": "apart"}
TABLE_SIZES = (("", 17.2, 115), ("dense", 14.0, 140), ("denser", 11.2, 175))
"""Class, font size in points and characters across the slide, as the style sets them."""
TABLE_ROOM = 500
LONG_WORD = 18
"""Words longer than this may be broken in a table."""
SHORT_CELL = 10
"""Cells up to this many characters stay on one line."""
_NUMBER = re.compile(r"[<≥≤~]?\s*[+−±-]?[\d.,]+(\s*(%|days?|points?))?$")


def deck_html(slides: Sequence[Slide], title: str) -> str:
    """Return the deck as one HTML page: keyboard, touch, overview, print style, readable in sequence without script."""
    sections = "\n".join(_slide(slide, number) for number, slide in enumerate(slides, start=1))
    bar = (
        '<nav class="bar" aria-label="slides"><button type="button" data-do="back" aria-label="back">‹</button>'
        '<button type="button" data-do="next" aria-label="next">›</button>'
        '<button type="button" data-do="all" title="all slides (key o)">all</button></nav>'
    )
    return page_text(title, packaged("deck.css"), f"{bar}\n<main>\n{sections}\n</main>", script=packaged("deck.js"))


def page_text(title: str, css: str, body: str, *, script: str = "") -> str:
    """Return a whole page around a body."""
    end = f"<script>\n{script}</script>\n" if script else ""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_text(title)}</title>\n<style>\n{css}</style>\n</head>\n<body>\n{body}\n{end}</body>\n</html>\n"
    )


def table_html(table: Mapping[str, Sequence[str]], css_class: str = "") -> str:
    """Return a real table; columns of numbers are set flush right."""
    head = "".join(f'<th scope="col">{_text(heading)}</th>' for heading in table)
    right = number_columns(table)
    rows = "".join(
        "<tr>" + "".join(_cell(*pair) for pair in zip(cells, right, strict=True)) + "</tr>"
        for cells in zip(*table.values(), strict=True)
    )
    name = f' class="{css_class}"' if css_class else ""
    return f'<div class="wide"><table{name}><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div>'


def picture_data(png: bytes) -> str:
    """Return a picture as text for the src of an image."""
    data = base64.b64encode(png).decode("ascii")
    data = re.sub(
        "http", lambda found: f"{found[0][0]}%{ord(found[0][1]):02X}{found[0][2:]}", data, flags=re.IGNORECASE
    )
    return f"data:image/png;base64,{data}"


def number_columns(table: Mapping[str, Sequence[str]]) -> list[bool]:
    """Return which columns of a table are set like numbers: flush right.

    Examples
    --------
    >>> number_columns({"end": ["IP67", "IP66"], "units": ["12", "–"], "gain": ["reference", "+3 points"]})
    [False, True, True]
    """
    counted = [[cell for cell in cells if any(c.isdigit() for c in cell)] for cells in table.values()]
    return [bool(cells) and all(_NUMBER.match(cell) for cell in cells) for cells in counted]


def packaged(name: str) -> str:
    """Return a text file that belongs to this package."""
    return files("workbench.report.decks").joinpath(name).read_text(encoding="utf-8")


def _text(value: str) -> str:
    return html.escape(value.replace(" %", "\u00a0%"), quote=True)  # a per cent sign never starts a line


def _cell(cell: str, number: bool) -> str:
    longest = max((len(word) for word in cell.split()), default=0)
    kind = "number" if number else "long" if longest > LONG_WORD else "short" if len(cell) <= SHORT_CELL else ""
    name = f' class="{kind}"' if kind else ""
    return f'<td dir="auto"{name}>{_text(cell)}</td>'


def _slide(slide: Slide, number: int) -> str:
    name = f"slide-{number}"
    if slide.kind == "cover":
        lines = "".join(f"<p>{_text(line)}</p>" for line in slide.body)
        return (
            f'<section class="slide cover" id="{name}" data-place="{number}" tabindex="-1"'
            f' aria-labelledby="{name}-title"><p class="section">{_text(slide.section)}</p><h1'
            f' id="{name}-title">{_text(slide.title)}</h1>{lines}<footer>{_text(slide.method)}</footer></section>'
        )
    length = "longer" if len(slide.title) > 230 else "long" if len(slide.title) > 130 else ""
    grade = f'<p class="grade {GRADE_CLASS[slide.grade]}">{_text(slide.grade)}</p>' if slide.grade else ""
    return (
        f'<section class="slide" id="{name}" data-place="{number}" tabindex="-1" aria-labelledby="{name}-title">'
        f'<p class="section">{_text(slide.section)}</p>'
        f'<h2 id="{name}-title"{f" class={length!r}" if length else ""} dir="auto">{_text(slide.title)}</h2>{grade}'
        f"{_content(slide)}"
        f"<footer>{_text(slide.method)}</footer></section>"
    )


def _content(slide: Slide) -> str:
    words = _words(slide)
    if slide.picture is None:
        said = (
            sum(len(line) + 60 for line in (*slide.body, *slide.caveats)) + len(slide.title) + 150 * bool(slide.grade)
        )
        table = table_html(slide.table, _density(slide.table, said)) if slide.table else ""
        return f'<div class="content plain">{words}{table}</div>'
    table = table_html(slide.table) if slide.table else ""
    if not words and not table:
        return f'<div class="content">{_figure(slide.picture)}</div>'
    size = _side_size(slide)
    return f'<div class="content">{_figure(slide.picture)}<div class="side {size}">{words}{table}</div></div>'


def _words(slide: Slide) -> str:
    if len(slide.body) > 1:
        body = '<ul class="lines">' + "".join(f"<li>{_text(line)}</li>" for line in slide.body) + "</ul>"
    else:
        body = "".join(f"<p>{_text(line)}</p>" for line in slide.body)
    if slide.caveats:
        body += '<ul class="caveats">' + "".join(f"<li>{_text(line)}</li>" for line in slide.caveats) + "</ul>"
    return body


def _side_size(slide: Slide) -> str:
    load = sum(len(line) for line in (*slide.body, *slide.caveats)) + 40 * len(slide.caveats)
    if slide.table:
        load += 75 * (1 + len(next(iter(slide.table.values()))))
    return "denser" if load > 1250 else "dense" if load > 620 else ""


def _density(table: Mapping[str, Sequence[str]], said: int) -> str:
    """The largest size at which a table fits under so many characters of text, on a slide of 1280 by 720 points."""
    lines = [tuple(table), *zip(*table.values(), strict=True)]
    widest = [max(3, *(len(cell) for cell in column)) for column in zip(*lines, strict=True)]
    room = TABLE_ROOM - 24 * said / 110
    for name, font, characters in TABLE_SIZES:
        fit = min(1.0, characters / (sum(widest) + 3 * len(widest)))
        rows = [max(math.ceil(len(c) / (fit * w)) for c, w in zip(line, widest, strict=True)) for line in lines]
        if sum(max(row, 1) * 1.35 * font + 0.65 * font for row in rows) <= room:
            return name
    return TABLE_SIZES[-1][0]


def _figure(picture: Picture) -> str:
    data = picture_data(picture.png)
    caption = f"<figcaption>{_text(picture.caption)}</figcaption>" if picture.caption else ""
    return f'<figure><img src="{data}" alt="{_text(picture.alt)}">{caption}</figure>'
