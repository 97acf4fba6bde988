"""Slides: the talk, then its appendix, laid out as one list that both decks and nobody else renders."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from workbench.report.basis import SECTIONS, Drawing, Finding, in_slide_order
from workbench.report.decks.pictures import Job, Picture, drawn_pictures
from workbench.report.talk import TOPICS
from workbench.report.words import counts_text, first_sentence, unbroken
from workbench.wording import count_of

__all__ = ["Slide", "slides_of"]

PAGE_ROWS = 14
"""Rows of a table on one slide; a longer one is dealt out evenly."""

MOST_PAGES = 20
"""Slides of one table; nobody turns more, and what is left out is told."""

TITLES: Mapping[str, str] = {
    "not known": "Not known this season",
    "withheld": "Withheld: two programs disagree",
    "plan": "Next season could not be planned",
}
"""Titles of findings that have no claim of their own."""

APPENDIX_INCHES, TALK_INCHES = (8.0, 5.2), (6.2, 4.1)
"""Sizes at which figures are drawn: on a talk slide the smaller one is shown larger, so that its words can be read."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Slide:
    """What one slide shows.

    Attributes
    ----------
    kind : str
        "cover", "talk", "finding", "table" or "typed".
    section : str
        Heading of its section, or topic of a talk slide.
    title : str
        The claim.
    body : tuple of str
        Further sentences, or the points of a talk slide.
    caveats : tuple of str
        Shown on the slide.
    grade : str
        How far to rely on it, or "".
    picture : Picture or None
        The figure.
    table : mapping of heading to cells, or None
        A real table.
    method : str
        How it was found.
    counts : str
        Counts behind it.
    say : str
        What is spoken to it.
    source : str
        Id of the finding, or where the words were typed.
    behind : tuple of str
        Ids of the findings that a talk slide rests on.
    number : int
        Place in the deck, from 1.
    links : tuple of int
        Numbers of the appendix slides behind a talk slide, or of the talk slides before an appendix slide.
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
    counts: str = ""
    say: str = ""
    source: str = ""
    behind: tuple[str, ...] = ()
    number: int = 0
    links: tuple[int, ...] = ()

    @property
    def in_talk(self) -> bool:
        """Whether it is shown in the talk and not in the appendix."""
        return self.kind in ("cover", "talk")

    @property
    def notes(self) -> tuple[str, ...]:
        """What the speaker sees: words to say, then how it was found."""
        lines = (self.say, self.method, *((self.counts,) if self.in_talk else self.caveats))
        return tuple(line for line in lines if line)


def slides_of(
    findings: Sequence[Finding],
    cover: Slide,
    typed: Sequence[Slide] = (),
    *,
    counts: Callable[[int, int | None], str] = counts_text,
) -> list[Slide]:
    """Lay findings out as slides, the talk first, each with its counts in words; every figure is drawn here, once."""
    shown = [f for f in in_slide_order(findings) if f.on_slide]
    pictures = drawn_pictures(_drawings(shown))
    slides = [cover]
    for section, heading in SECTIONS.items():
        slides += [page for slide in typed if slide.section == heading for page in _pages_of_typed(slide)]
        for finding in shown:
            if finding.section == "talk":
                slides += [_talk_slide(finding, pictures, _counts(finding, counts))] if section == "talk" else []
            elif finding.section == section:
                slides += _slides_of_finding(finding, heading, pictures, counts=_counts(finding, counts))
    return _linked([_numbered(slide, number) for number, slide in enumerate(slides, start=1)])


def _numbered(slide: Slide, number: int) -> Slide:
    """A slide in its place, its words held together where a line must not end within them."""
    table = slide.table and {
        unbroken(heading): [unbroken(cell) if isinstance(cell, str) else cell for cell in cells]
        for heading, cells in slide.table.items()
    }
    return replace(
        slide, number=number, title=unbroken(slide.title), body=tuple(map(unbroken, slide.body)),
        caveats=tuple(map(unbroken, slide.caveats)), table=table,
    )  # fmt: skip


def _drawings(shown: Sequence[Finding]) -> dict[str, Job]:
    """What is to be drawn for which finding: each talk slide its own, in the appendix each figure once."""
    jobs: dict[str, Job] = {}
    seen: set[tuple[int, str]] = set()
    for finding in shown:
        if finding.figure is None or (finding.section != "talk" and _key(finding.figure) in seen):
            continue
        if finding.section != "talk":
            seen.add(_key(finding.figure))
        jobs[finding.id] = (finding.figure, TALK_INCHES if finding.section == "talk" else APPENDIX_INCHES)
    return jobs


def _linked(slides: list[Slide]) -> list[Slide]:
    """Tell each talk slide where its findings stand in the appendix, and these which talk slides rest on them."""
    place: dict[str, int] = {}
    for slide in slides:
        if not slide.in_talk:
            place.setdefault(slide.source, slide.number)
    back: dict[int, list[int]] = {}
    for slide in slides:
        for name in slide.behind:
            if name in place:
                back.setdefault(place[name], []).append(slide.number)
    linked = []
    for slide in slides:
        links = [place[name] for name in slide.behind if name in place] if slide.in_talk else back.get(slide.number, [])
        linked.append(replace(slide, links=tuple(sorted(set(links)))))
    return linked


def _talk_slide(finding: Finding, pictures: Mapping[str, Picture], counts: str) -> Slide:
    return Slide(
        kind="talk",
        section=TOPICS[finding.id.removeprefix("talk.")],
        title=finding.headline,
        body=finding.points,
        picture=pictures.get(finding.id),
        table=finding.table,
        method=finding.method,
        counts=counts,
        say=finding.say,
        source=finding.id,
        behind=finding.behind,
    )


def _slides_of_finding(
    finding: Finding, heading: str, pictures: Mapping[str, Picture], *, counts: str
) -> Iterator[Slide]:
    title, rest = finding.headline or TITLES.get(finding.kind, ""), finding.statement
    if not title:
        title, rest = first_sentence(finding.statement)
    table, beyond = _first_rows(finding.table or {}, MOST_PAGES * PAGE_ROWS)
    pages: list[Mapping[str, Sequence[str]] | None] = (
        [*_pages(table, PAGE_ROWS)] if finding.table is not None else [None]
    )
    first = Slide(
        kind="finding",
        section=heading,
        title=title,
        body=(rest,) if rest else (),
        caveats=finding.caveats,
        grade=finding.grade or "",
        picture=pictures.get(finding.id),
        table=pages[0],
        method=finding.method,
        counts=counts,
        say=finding.say,
        source=finding.id,
    )
    yield first
    for number, page in enumerate(pages[1:], start=2):
        left_out = (f"{count_of(beyond, 'more row')}: findings.json.",) if beyond and number == len(pages) else ()
        yield replace(
            first, kind="table", title=f"{title.rstrip('.')}, continued", body=left_out, caveats=(), grade="",
            picture=None, table=page, say="",
        )  # fmt: skip


def _first_rows(table: Mapping[str, Sequence[str]], most: int) -> tuple[dict[str, Sequence[str]], int]:
    """The first rows of a table, and how many are left out."""
    total = len(next(iter(table.values()), ()))
    return {heading: cells[:most] for heading, cells in table.items()}, max(total - most, 0)


def _pages_of_typed(slide: Slide) -> Iterator[Slide]:
    if slide.table is None:
        yield slide
        return
    for page in _pages(slide.table, PAGE_ROWS):
        yield replace(slide, table=page)


def _pages(table: Mapping[str, Sequence[str]], rows: int) -> Iterator[dict[str, Sequence[str]]]:
    total = len(next(iter(table.values()), ()))
    pages = max(1, -(-total // rows))
    ends = [round(total * page / pages) for page in range(pages + 1)]
    for start, end in pairwise(ends):
        yield {heading: cells[start:end] for heading, cells in table.items()}


def _counts(finding: Finding, counts: Callable[[int, int | None], str]) -> str:
    return "" if finding.units is None else f"{counts(finding.units, finding.failures)}."


def _key(drawing: Drawing) -> tuple[int, str]:
    return id(drawing.result), repr(sorted(drawing.options.items()))
