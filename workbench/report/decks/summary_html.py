"""Summary: one page to be read in a minute: what we ask, what happened, why, what helps, what is open, next season."""

from collections.abc import Sequence
from typing import Any

from workbench.log.season_log import coloured_aside
from workbench.report.basis import Finding, SeasonData
from workbench.report.decks.deck_html import PACKAGE, page_style, picture_data
from workbench.report.decks.pictures import drawn_picture
from workbench.report.words import shown_name, shown_text, unbroken
from workbench.templating import rendered

__all__ = ["MOST_SUMMARY_WORDS", "summary_html"]

MOST_SUMMARY_WORDS = 200
"""Words on the page, so that it is read."""

ASKED, MOST_ASKED = "What we ask", 4
PICTURE_INCHES = (7.2, 2.3)

BLOCKS = (
    ("What happened", ("sent", "lasted")),
    ("Why", ("ended", "signs", "places")),
    ("What helps, and how sure", ("steps", "worked")),
    ("What stays open", ("untold",)),
    ("Next season", ("next", "proof")),
)
"""Heading and the talk slides whose headlines stand under it; the first block is what we ask."""


def summary_html(findings: Sequence[Finding], data: SeasonData) -> str:
    """Return the one-page summary: the talk's headlines in their order, its answers, and the picture of next season."""
    told = {finding.id.removeprefix("talk."): finding for finding in findings if finding.section == "talk"}
    season = data.settings.get("season")
    title = f"Season {shown_name(season)} in one page" if season else "The season in one page"
    asked = _asked(told.get("asked"))
    blocks = [{"heading": ASKED, "lines": asked}] if asked else []
    doubt = [] if data.last_good_doubt is None else [data.last_good_doubt.in_short]
    for heading, keys in BLOCKS:
        lines = [_line(told[key]) for key in keys if key in told]
        if heading == "What stays open":
            compared = [] if "steps" in told else ["Which protection choice helps could not be compared."]
            lines = [*doubt, *compared, *lines, "What goes together need not be cause and effect."]
        if lines:
            blocks.append({"heading": heading, "lines": lines})
    drawing = told["next"].figure if "next" in told else None
    shown = None
    if drawing is not None:
        drawn = drawn_picture(drawing, PICTURE_INCHES)
        shown = {"data": picture_data(drawn.data), "alt": drawn.alt, "caption": ""}
    return rendered(
        PACKAGE,
        "summary.html",
        title=title,
        blocks=[
            block | {"lines": [*map(unbroken, block["lines"])]} for block in _within(blocks, MOST_SUMMARY_WORDS - 40)
        ],
        shown=shown,
        foot=_foot(data),
        **page_style("summary.css"),
        script="",
    )


def _asked(asked: Finding | None) -> list[str]:
    """Each question with its answer and grade."""
    if asked is None or asked.table is None:
        return []
    columns = list(asked.table.values())
    grades = asked.table.get("how sure", [""] * len(columns[0]))
    lines = [
        f"{ask} {answer}{f' ({grade})' if grade else ''}."
        for ask, answer, grade in zip(columns[0], columns[1], grades, strict=True)
    ]
    return lines[:MOST_ASKED]


def _line(finding: Finding) -> str:
    return f"{finding.headline.rstrip('.')}{f' ({finding.grade})' if finding.grade else ''}."


def _within(blocks: list[dict[str, Any]], words: int) -> list[dict[str, Any]]:
    """The blocks without last lines, the longest cut first and what we ask last, until the page keeps to its words."""

    def weight(block: dict[str, Any]) -> tuple[bool, bool, int]:
        return len(block["lines"]) > 1, block["heading"] != ASKED, sum(len(line.split()) for line in block["lines"])

    while sum(len(line.split()) for block in blocks for line in block["lines"]) > words:
        longest = max(blocks, key=weight)
        if len(longest["lines"]) == 1:
            break
        longest["lines"] = longest["lines"][:-1]
    return blocks


def _foot(data: SeasonData) -> str:
    files = ", ".join(shown_text(name, 40) for name, _ in data.log.files[:1])
    used = f"From {files}: {data.log.used} of {data.log.rows} rows used."
    return " ".join([used, *coloured_aside(data.log), "Limits and methods are in the review."])
