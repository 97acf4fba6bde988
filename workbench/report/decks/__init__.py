"""How do findings become slides and pages?"""

from workbench.report.decks.deck_html import deck_html
from workbench.report.decks.deck_pptx import deck_pptx
from workbench.report.decks.slides import slides_of
from workbench.report.decks.summary_html import summary_html
from workbench.report.decks.typed import caution_finding, cover_slide, mission_finding, typed_slides

__all__ = [
    "caution_finding",
    "cover_slide",
    "deck_html",
    "deck_pptx",
    "mission_finding",
    "slides_of",
    "summary_html",
    "typed_slides",
]
