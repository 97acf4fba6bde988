"""Summary: one printed page for those who will not read the deck: what happened, helps, is open, is asked."""

import html
from collections.abc import Sequence

from workbench.report.basis import Finding, SeasonData
from workbench.report.decks.deck_html import packaged, page_text
from workbench.report.words import first_sentence, shown_name, shown_text

__all__ = ["summary_html"]

MOST_LINES = 4
"""Sentences a block, so that the page stays one page."""


def summary_html(findings: Sequence[Finding], data: SeasonData) -> str:
    """Return the one-page summary."""
    by_id = {finding.id: finding for finding in findings}
    happened = [by_id[name] for name in ("outcome.ends", "outcome.lasting", "outcome.missing") if name in by_id]
    happened += [f for f in findings if f.section == "ends" and f.on_slide][:1]
    helps = [f for f in findings if f.section == "ranking" and f.grade in ("clear", "likely")]
    helps += [f for f in findings if f.section == "life" and f.on_slide]
    unknown = [f for f in findings if f.section == "apart" and f.on_slide]
    unknown += [f for f in findings if f.grade in ("unclear", "cannot be told apart") and f not in unknown]
    season = data.settings.get("season")
    title = f"Season {shown_name(season)} in one page" if season else "The season in one page"
    means = data.settings.get("failure_means")
    lead = f"A unit is asked to last {data.mission_text}."
    lead += f" Failure means: {shown_name(means, 160)}." if means else ""
    doubt = [_text(" ".join(data.last_good_said[:2]))] if data.last_good_said else []
    asked = [shown_name(line, 160) for line in data.settings.get("decisions") or ()]
    blocks = [
        ("What happened", [_line(f) for f in happened]),
        ("What goes with longer life", [_line(f) for f in helps] or ["Nothing could be shown this season."]),
        ("What we cannot tell", [*doubt, *(_line(f) for f in unknown)][: MOST_LINES - 1] + _always()),
        ("What we ask for", [_text(line) for line in asked] or ["No decision was typed in the settings."]),
    ]
    body = f"<main><h1>{_text(title)}</h1><p class='lead'>{_text(lead)}</p>"
    for heading, lines in blocks:
        body += f"<h2>{heading}</h2><ul>" + "".join(f"<li>{line}</li>" for line in lines[:MOST_LINES]) + "</ul>"
    return page_text(title, packaged("summary.css"), body + f"<footer>{_text(_foot(data))}</footer></main>")


def _always() -> list[str]:
    return ["Whether what goes together is cause and effect: units were not randomised."]


def _foot(data: SeasonData) -> str:
    files = ", ".join(shown_text(name, 60) for name, _ in data.log.files)
    return (
        f"From {files}: {data.log.used} of {data.log.rows} rows used. Limits, methods and cautions are in the review."
    )


def _line(finding: Finding) -> str:
    grade = f' <span class="grade">({_text(finding.grade)})</span>' if finding.grade else ""
    return f"{_text(first_sentence(finding.statement)[0])}{grade}"


def _text(value: str) -> str:
    return html.escape(value.replace(" %", "\u00a0%"), quote=True)
