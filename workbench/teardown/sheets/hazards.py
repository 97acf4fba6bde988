"""What can hurt whoever opens a unit? The cautions and their box for a terminal, from the one table of hazards."""

from collections.abc import Mapping
from types import MappingProxyType

from workbench.log.dictionary import HEADLINE, known_hazards

__all__ = ["CAUTIONS", "SOURCES", "caution_text"]

CAUTIONS: Mapping[str, str] = MappingProxyType({h.topic: h.caution for h in known_hazards()})
"""Topic and usual caution, what stops the work first."""

SOURCES: Mapping[str, str] = MappingProxyType({h.topic: h.source for h in known_hazards()})
"""Where each caution comes from."""


def caution_text() -> str:
    """Return the caution box as plain text for a terminal."""
    return "\n".join([f"CAUTION. {HEADLINE}", *(f"  ! {topic}: {line}" for topic, line in CAUTIONS.items())])
