"""Mechanisms as words: the six families of ISO 14224 by name, what a seal can prevent, what is no mechanism at all."""

from collections.abc import Mapping
from types import MappingProxyType

__all__ = [
    "ABSENCE",
    "ACCEPTED_ANSWERS",
    "CAUSE_FAMILIES",
    "FAMILY_OF",
    "MODES",
    "NO_MECHANISM",
    "PARTS",
    "SEAL_PREVENTS",
    "family_of",
    "mechanism_words",
]

_BY_FAMILY = {
    "mechanical": (
        "lid_seal_leak gland_or_connector_leak vent_or_port_leak housing_crack_leak wicking_along_cable "
        "immersion_beyond_rating vibration_loosening"
    ),
    "material": (
        "corrosion_contacts galvanic_fastener salt_load overheat cold_limit uv_ageing solder_or_wire_fatigue "
        "impact_or_crush"
    ),
    "instrument": "firmware_or_clock storage_full",
    "electrical": "ecm_dendrite battery_exhausted battery_fault surge_lightning",
    "external influence": (
        "vapour_condensation animal_bite insect_or_nest fungus_biofilm sediment_burial theft_vandalism flood_swept"
    ),
    "miscellaneous": (
        "build_error install_or_service_error transport_or_teardown_damage no_cause_found unknown undetermined"
    ),
}

FAMILY_OF: Mapping[str, str] = MappingProxyType(
    {mechanism: family for family, names in _BY_FAMILY.items() for mechanism in names.split()}
)
"""Family of each mechanism: the six families of ISO 14224, by name only; the assignment is ours."""

SEAL_PREVENTS = (
    "lid_seal_leak",
    "gland_or_connector_leak",
    "vent_or_port_leak",
    "housing_crack_leak",
    "wicking_along_cable",
    "immersion_beyond_rating",
    "vapour_condensation",
    "ecm_dendrite",
    "corrosion_contacts",
    "salt_load",
    "fungus_biofilm",
    "water_ingress",
    "ingress",
    "condensation",
    "corrosion",
)
"""What a seal can prevent: ingress, condensation, corrosion, and plain words for them; common practice, no source."""

PARTS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        word: (
            "lid_seal_leak",
            "gland_or_connector_leak",
            "vent_or_port_leak",
            "housing_crack_leak",
            "immersion_beyond_rating",
        )
        for word in ("water_ingress", "ingress")
    }
    | {"condensation": ("vapour_condensation",), "corrosion": ("corrosion_contacts", "galvanic_fastener")}
)
"""Wider words that people use as a verdict, and the mechanisms of the evidence table that they cover."""

NO_MECHANISM = ("", "undetermined", "unknown", "no_cause_found")
"""Answers that name no mechanism; honest, allowed, and never suggested."""

ABSENCE = ("theft_vandalism", "flood_swept")
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

CAUSE_FAMILIES = ("design", "fabrication_or_installation", "operation_or_maintenance", "management", "miscellaneous")
"""Families of causes after ISO 14224 by name, from memory: the circumstance that let the mechanism act."""

ACCEPTED_ANSWERS = tuple(sorted({*FAMILY_OF, *SEAL_PREVENTS}))
"""Words known as a verdict; other words are taken as they are."""


def family_of(mechanism: str) -> str:
    """Return the family of a mechanism.

    References
    ----------
    ISO 14224:2016, table B.2: names of the families of failure mechanisms; classes 3 to 6 from memory.

    Examples
    --------
    >>> family_of("battery_exhausted"), family_of("something_new")
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
    special = {"ecm_dendrite": "electrochemical migration", "uv_ageing": "UV ageing"}
    return special.get(name, str(name).replace("_", " "))
