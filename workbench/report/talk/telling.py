"""Which slides does the talk of this season have?"""

from collections.abc import Callable, Sequence
from dataclasses import replace

from workbench.report.basis import Finding, SeasonData
from workbench.report.talk.fair_comparison import places_slide, steps_slide, untold_slide
from workbench.report.talk.next_season import decide_slide, next_slide, proof_slide, worked_slide
from workbench.report.talk.opened_evidence import inside_slide, signs_slide
from workbench.report.talk.opening import asked_slide, ended_slide, lasted_slide, sent_slide, where_slide
from workbench.report.talk.told import GRADE_WORDS, Told

__all__ = ["talk_findings"]

BUILDERS: tuple[Callable[[Told], Finding | None], ...] = (
    asked_slide,
    sent_slide,
    where_slide,
    lasted_slide,
    ended_slide,
    signs_slide,
    inside_slide,
    places_slide,
    steps_slide,
    untold_slide,
    worked_slide,
    next_slide,
    proof_slide,
    decide_slide,
)
"""In the order of the talk; a builder whose data are missing gives none."""


def talk_findings(data: SeasonData, findings: Sequence[Finding]) -> list[Finding]:
    """Return the slides of the talk, each resting on the findings given; a slide without its data is left out."""
    told = Told(data=data, findings={finding.id: finding for finding in findings})
    slides = [slide for builder in BUILDERS if (slide := builder(told)) is not None]
    return _with_grade_explained(slides)


def _with_grade_explained(slides: list[Finding]) -> list[Finding]:
    """Add the line that says what a grade means to the slide where the first one appears."""
    for place, slide in enumerate(slides):
        shown = [slide.grade] if slide.grade else list((slide.table or {}).get("how sure", ()))
        first = next((grade for grade in shown if grade in GRADE_WORDS), None)
        if first is not None:
            explained = replace(slide, points=(*slide.points, GRADE_WORDS[first]))
            return [*slides[:place], explained, *slides[place + 1 :]]
    return slides
