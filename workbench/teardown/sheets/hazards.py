"""What can hurt whoever opens a unit? The caution box, as text and as HTML, from the one table of hazards."""

from collections.abc import Iterable, Mapping
from html import escape
from types import MappingProxyType

from workbench.log.dictionary import HEADLINE, Hazard, known_hazards

__all__ = ["CAUTIONS", "SOURCES", "caution_html", "caution_items", "caution_text"]

CAUTIONS: Mapping[str, str] = MappingProxyType({h.topic: h.caution for h in known_hazards()})
"""Topic and usual caution, what stops the work first."""

SOURCES: Mapping[str, str] = MappingProxyType({h.topic: h.source for h in known_hazards()})
"""Where each caution comes from."""


def caution_text() -> str:
    """Return the caution box as plain text for a terminal."""
    return "\n".join([f"CAUTION. {HEADLINE}", *(f"  ! {topic}: {line}" for topic, line in CAUTIONS.items())])


def caution_html() -> str:
    """Return the caution box as HTML."""
    items = caution_items(known_hazards())
    return f'<section class="caution" role="note"><h2>Caution</h2><p>{escape(HEADLINE)}</p><ul>{items}</ul></section>'


def caution_items(hazards: Iterable[Hazard]) -> str:
    """Return cautions as items of an HTML list."""
    return "".join(f"<li><b>{escape(h.topic)}:</b> {escape(h.caution)}</li>" for h in hazards)
