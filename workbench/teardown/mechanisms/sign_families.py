"""Mechanisms as words: the six families of ISO 14224 by name, what moisture does, what is no mechanism at all."""

from collections.abc import Mapping
from types import MappingProxyType

from workbench.log.dictionary import answers_without_mechanism, known_mechanisms, known_signs

__all__ = [
    "ABSENCE",
    "ACCEPTED_ANSWERS",
    "FAMILY_OF",
    "LEAKS",
    "MODES",
    "MOISTURE_RELATED",
    "NO_MECHANISM",
    "PARTS",
    "mechanism_words",
    "sign_family_of",
]

_KNOWN = known_mechanisms()

FAMILY_OF: Mapping[str, str] = MappingProxyType({m.mechanism: m.family for m in _KNOWN} | {"unknown": "miscellaneous"})
"""Family of each mechanism: the six families of ISO 14224, by name only; the assignment is ours."""

LEAKS = tuple(m.mechanism for m in _KNOWN if m.moisture == "leak")
"""What a seal or an entry can prevent: water that comes in past it; common practice, no source."""

MOISTURE_RELATED = tuple(m.mechanism for m in _KNOWN if m.moisture)
"""Moisture-related: leaks, vapour that no seal holds back, and what moisture does once inside."""

PARTS: Mapping[str, tuple[str, ...]] = MappingProxyType({m.mechanism: m.covers for m in _KNOWN if m.covers})
"""Wider words that people use as a verdict, and the mechanisms of the evidence table that they cover."""

NO_MECHANISM = tuple(sorted({*answers_without_mechanism(), "unknown"}))
"""Answers that name no mechanism; honest, allowed, and never suggested."""

ABSENCE = tuple(m.mechanism for m in _KNOWN if m.kind == "absence")
"""What takes a unit away; judged on units that are missing, never suggested for one that came back."""

MODES = (
    "no_data",
    "short_record",
    "drift",
    "wrong_values",
    "will_not_wake",
    "no_telemetry",
    "gaps",
    "dead",
    "wet",
)
"""Failure modes: how it failed as seen from outside; common practice, no source. A mode is no mechanism."""

ACCEPTED_ANSWERS = tuple(sorted({*FAMILY_OF, *MOISTURE_RELATED}))
"""Words known as a verdict; other words are taken as they are."""


_LABELS = {sign.sign: sign.label for sign in known_signs()} | {m.mechanism: m.label for m in _KNOWN}


def sign_family_of(mechanism: str) -> str:
    """Return the family of a mechanism.

    References
    ----------
    ISO 14224:2016, table B.2: names of the families of failure mechanisms; classes 3 to 6 from memory.

    Examples
    --------
    >>> sign_family_of("battery_exhausted"), sign_family_of("something_new")
    ('electrical', 'miscellaneous')
    """
    return FAMILY_OF.get(str(mechanism), "miscellaneous")


def mechanism_words(name: str) -> str:
    """Return a mechanism, sign or level as plain words.

    Examples
    --------
    >>> mechanism_words("lid_seal_leak"), mechanism_words("ecm_dendrite")
    ('lid seal leak', 'electrochemical migration')
    """
    return _LABELS.get(str(name), str(name).replace("_", " "))
