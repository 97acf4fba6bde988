"""The caution box: what can hurt whoever opens a unit, one line each, as data; heads every output that invites it."""

from collections.abc import Mapping
from html import escape
from types import MappingProxyType

__all__ = ["CAUTIONS", "HEADLINE", "SOURCES", "caution_html", "caution_text"]

HEADLINE = (
    "Before anything is opened. This is a reminder and no safety advice: local codes, site rules, the maker's safety "
    "sheet and qualified people come first."
)
"""The sentence above the lines."""

CAUTIONS: Mapping[str, str] = MappingProxyType(
    {
        "Wet, hot, dented, swollen or leaking cells": (
            "stop: do not charge, discharge, squeeze, puncture or carry indoors; set apart outdoors on sand, clear of "
            "anything that burns; hissing or smoke: leave and call the fire service; salt-wet packs can ignite later."
        ),
        "Lithium primary, lead-acid, alkaline": (
            "leaks are caustic or acid, gases can burn or poison: gloves, goggles, air; no water-soaking; damaged "
            "lithium cells are shipped only as the carrier's and the authority's terms allow, never by air at risk."
        ),
        "Pressure": "a box can hold gas or trapped water: loosen it bit by bit, away from the face, goggles on.",
        "Solvents": "vapours burn and dull the mind: extraction, no flame or spark, closed bins.",
        "Varnish, potting, isocyanates, epoxy": (
            "they can make lungs and skin allergic for life: no spraying, heating or sanding without proper "
            "extraction, breathing protection and nitrile gloves."
        ),
        "Indicating desiccant": (
            "blue gel holds cobalt chloride (may cause cancer when breathed in): no crushing, no dust, no food oven."
        ),
        "Mould": "bag it, open it outdoors or with mask and gloves; sensitive people keep away.",
        "Droppings and urine": (
            "rodents and birds carry disease: air the room for 30 minutes, wet with disinfectant, never sweep or "
            "vacuum, gloves, wash."
        ),
        "Stings and bites": "look and tap before reaching in; gloves; step back; have a plan for allergies.",
        "Flood water, broken plastic, glass fibre": "cover cuts, gloves and glasses, mask for dust, wash.",
        "Solar panels and mains": (
            "panels are live in light: cover, isolate, prove dead; mains is for an electrician alone."
        ),
    }
)
"""Topic and usual caution, wet and swollen cells first."""

SOURCES: Mapping[str, str] = MappingProxyType(
    {
        "Wet, hot, dented, swollen or leaking cells": (
            "public pages: swollen-cell disposal notice; emergency page on lithium-ion cells after a flood"
        ),
        "Lithium primary, lead-acid, alkaline": "public pages on shipping damaged cells; the rest from memory",
        "Pressure": "common practice, no source",
        "Solvents": "from memory",
        "Varnish, potting, isocyanates, epoxy": "public pages of a safety authority on isocyanates; epoxy from memory",
        "Indicating desiccant": "public pages on indicator gel labelling and handling",
        "Mould": "from memory",
        "Droppings and urine": "public health guidance on cleaning up after rodents, 2002 and 2008; birds from memory",
        "Stings and bites": "common practice, no source",
        "Flood water, broken plastic, glass fibre": "common practice, no source",
        "Solar panels and mains": "from memory",
    }
)
"""Where each caution comes from."""


def caution_text() -> str:
    """Return the caution box as plain text for a terminal."""
    return "\n".join([f"CAUTION. {HEADLINE}", *(f"  ! {topic}: {line}" for topic, line in CAUTIONS.items())])


def caution_html() -> str:
    """Return the caution box as HTML."""
    items = "".join(f"<li><b>{escape(topic)}:</b> {escape(line)}</li>" for topic, line in CAUTIONS.items())
    return f'<section class="caution" role="note"><h2>Caution</h2><p>{escape(HEADLINE)}</p><ul>{items}</ul></section>'
