"""Slides: findings and typed settings laid out as one list of slides, which both decks and nobody else renders."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from workbench.report.basis import SECTIONS, Finding, in_slide_order
from workbench.report.figures import Bars, draw, figure_png, new_axes, theme
from workbench.report.words import first_sentence

__all__ = ["Picture", "Slide", "slides_of"]

SIDE_ROWS, SIDE_COLUMNS = 7, 4
"""A table up to this size stands beside its figure; a larger one gets a slide of its own."""

SIDE_CHARACTERS = 420
"""Beside more text than this a table would be set too small to read."""

PAGE_ROWS = 15
"""Rows of a table on one slide; a longer one is dealt out evenly."""

FIGURE_INCHES = (8.0, 5.2)


@dataclass(frozen=True, kw_only=True, eq=False)
class Picture:
    """A drawn figure: PNG bytes with words for those who cannot see it; `bars` when it can be a native chart."""

    png: bytes
    alt: str
    caption: str = ""
    bars: Bars | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Slide:
    """What one slide shows.

    Attributes
    ----------
    kind : str
        "cover", "finding" or "table".
    section : str
        Heading of its section.
    title : str
        The claim.
    body : tuple of str
        Further sentences.
    caveats : tuple of str
        Shown on the slide.
    grade : str
        How far to rely on it, or "".
    picture : Picture or None
        The figure.
    table : mapping of heading to cells, or None
        A real table.
    method : str
        How it was found, with counts.
    source : str
        Id of the finding, or where the words were typed.
    """

    kind: str
    section: str
    title: str
    body: tuple[str, ...] = ()
    caveats: tuple[str, ...] = ()
    grade: str = ""
    picture: Picture | None = None
    table: Mapping[str, Sequence[str]] | None = None
    method: str = ""
    source: str = ""
    extra: Mapping[str, Any] = field(default_factory=dict)


def slides_of(findings: Sequence[Finding], cover: Slide, typed: Sequence[Slide] = ()) -> list[Slide]:
    """Lay findings out as slides; every figure is drawn here, once."""
    shown = [f for f in in_slide_order(findings) if f.on_slide]
    drawn: dict[tuple[int, str], bytes] = {}
    slides = [cover]
    for section, heading in SECTIONS.items():
        slides += [page for slide in typed if slide.section == heading for page in _pages_of_typed(slide)]
        for finding in shown:
            if finding.section == section:
                slides += _slides_of_finding(finding, heading, drawn)
    return slides


def _slides_of_finding(finding: Finding, heading: str, drawn: dict[tuple[int, str], bytes]) -> Iterator[Slide]:
    title, rest = first_sentence(finding.statement)
    method = " ".join([finding.method, _counts(finding)]).strip()
    picture = _picture(finding, drawn)
    table = finding.table
    words = sum(len(line) for line in (rest, *finding.caveats))
    beside = table is not None and (picture is None or (_fits_beside(table) and words <= SIDE_CHARACTERS))
    pages = list(_pages(table, PAGE_ROWS if picture is None else SIDE_ROWS)) if table is not None and beside else [None]
    yield Slide(
        kind="finding",
        section=heading,
        title=title,
        body=(rest,) if rest else (),
        caveats=finding.caveats,
        grade=finding.grade or "",
        picture=picture,
        table=pages[0],
        method=method,
        source=finding.id,
    )
    more = pages[1:] if beside else list(_pages(table, PAGE_ROWS)) if table is not None else []
    for page in more:
        yield Slide(
            kind="table",
            section=heading,
            title=_numbers_title(title),
            table=page,
            method=method,
            source=finding.id,
        )


def _numbers_title(title: str) -> str:
    """Title of a table's own slide: the subject alone where the claim names one first."""
    subject, colon, _ = title.partition(": ")
    if colon and len(subject) <= 40:
        title = f"{subject}."
    return f"In numbers: {title[0].lower() + title[1:] if title[1:2].islower() else title}"


def _pages_of_typed(slide: Slide) -> Iterator[Slide]:
    if slide.table is None:
        yield slide
        return
    for page in _pages(slide.table, PAGE_ROWS):
        yield replace(slide, table=page)


def _fits_beside(table: Mapping[str, Sequence[str]]) -> bool:
    rows = len(next(iter(table.values()), ()))
    longest = max((len(cell) for cells in table.values() for cell in cells), default=0)
    return rows <= SIDE_ROWS and len(table) <= SIDE_COLUMNS and longest <= 28


def _pages(table: Mapping[str, Sequence[str]], rows: int) -> Iterator[dict[str, Sequence[str]]]:
    total = len(next(iter(table.values()), ()))
    pages = max(1, -(-total // rows))
    ends = [round(total * page / pages) for page in range(pages + 1)]
    for start, end in pairwise(ends):
        yield {heading: cells[start:end] for heading, cells in table.items()}


def _counts(finding: Finding) -> str:
    if finding.units is None:
        return ""
    failures = "" if finding.failures is None else f", {finding.failures} failures"
    return f"Counts: {finding.units} units{failures}."


def _picture(finding: Finding, drawn: dict[tuple[int, str], bytes]) -> Picture | None:
    drawing = finding.figure
    if drawing is None:
        return None
    if isinstance(drawing.result, bytes):
        return Picture(png=drawing.result, alt=drawing.alt, caption=drawing.caption)
    key = (id(drawing.result), repr(sorted(drawing.options.items())))
    if key not in drawn:
        with theme():
            ax = new_axes(*FIGURE_INCHES)
            draw(drawing.result, ax, **drawing.options)
            drawn[key] = figure_png(ax.figure.get_figure(root=True))
    bars = drawing.result if isinstance(drawing.result, Bars) else None
    return Picture(png=drawn[key], alt=drawing.alt, caption=drawing.caption, bars=bars)
