"""Choices: the protection choices of the invented units: levels from plain to best, shares, costs, true effects."""

from collections.abc import Mapping
from dataclasses import dataclass

from workbench.checks import check_columns
from workbench.errors import UsageError

__all__ = ["CHOICES", "KITS", "Choice", "complete_effects", "default_effects", "level_names"]

LID = ("lid_seal_leak", "breathing_past_seal")
ENTRY = ("gland_or_connector_leak",)
AIR = ("breathing_past_seal", "vapour_condensation")


@dataclass(frozen=True, kw_only=True)
class Choice:
    """One protection choice.

    Attributes
    ----------
    levels : mapping of str to (share of units, effect on log time, extra cost)
        From plain to best; the first has no effect.
    prevents : tuple of str
        Mechanisms whose time it can stretch.
    """

    levels: Mapping[str, tuple[float, float, float]]
    prevents: tuple[str, ...]


CHOICES: dict[str, Choice] = {
    "enclosure_rating": Choice(
        levels={"IP65": (0.35, 0.0, 0.0), "IP66": (0.35, 0.0, 3.1), "IP67": (0.30, 0.30, 6.4)}, prevents=("immersion",)
    ),
    "lid_seal": Choice(
        levels={"flat_gasket": (0.40, 0.0, 0.0), "cord": (0.30, 0.25, 0.9), "o_ring": (0.30, 0.55, 2.4)}, prevents=LID
    ),
    "seal_material": Choice(levels={"epdm": (0.6, 0.0, 0.0), "silicone": (0.4, 0.0, 0.3)}, prevents=LID),
    "seal_bonded": Choice(levels={"no": (0.55, 0.0, 0.0), "yes": (0.45, 0.20, 0.6)}, prevents=LID),
    "fasteners": Choice(
        levels={"zinc_plated": (0.3, 0.0, 0.0), "a2": (0.4, 0.10, 0.8), "a4": (0.3, 0.15, 1.7)},
        prevents=("lid_seal_leak",),
    ),
    "closure": Choice(levels={"screws": (0.65, 0.0, 0.0), "latches": (0.35, 0.0, 1.2)}, prevents=("lid_seal_leak",)),
    "vent": Choice(levels={"none": (0.5, 0.0, 0.0), "membrane": (0.5, 0.20, 3.8)}, prevents=(*LID, *ENTRY)),
    "board_protection": Choice(
        levels={"none": (0.35, 0.0, 0.0), "varnish": (0.40, 0.15, 1.1), "potting": (0.25, 0.40, 4.5)},
        prevents=("lid_seal_leak", *ENTRY, *AIR),
    ),
    "desiccant": Choice(levels={"none": (0.4, 0.0, 0.0), "silica_gel": (0.6, 0.05, 0.7)}, prevents=AIR),
    "cable_entry": Choice(levels={"side": (0.4, 0.0, 0.0), "bottom": (0.6, 0.20, 0.0)}, prevents=ENTRY),
    "drip_loop": Choice(levels={"no": (0.5, 0.0, 0.0), "yes": (0.5, 0.20, 0.2)}, prevents=ENTRY),
    "shade": Choice(levels={"no": (0.6, 0.0, 0.0), "yes": (0.4, 0.0, 2.2)}, prevents=AIR),
    "animal_guard": Choice(levels={"no": (0.7, 0.0, 0.0), "yes": (0.3, 0.50, 3.0)}, prevents=("animal_bite",)),
    "battery_chemistry": Choice(
        levels={"alkaline": (0.6, 0.0, 0.0), "lithium_iron_disulfide": (0.4, 0.20, 7.5)},
        prevents=("battery_exhausted",),
    ),
    "leak_test": Choice(levels={"not_tested": (0.6, 0.0, 0.0), "passed": (0.4, 0.15, 1.5)}, prevents=(*LID, *ENTRY)),
}
"""The choices in the order of the log's columns. Effects are invented: they are the truth that a test can recover."""


KITS: dict[str, tuple[float, dict[str, str]]] = {
    "plain": (0.4, {name: next(iter(choice.levels)) for name, choice in CHOICES.items()}),
    "standard": (
        0.35,
        {
            "enclosure_rating": "IP66", "lid_seal": "cord", "seal_material": "epdm", "seal_bonded": "yes",
            "fasteners": "a2", "closure": "screws", "vent": "none", "board_protection": "varnish",
            "desiccant": "silica_gel", "cable_entry": "bottom", "drip_loop": "yes", "shade": "no",
            "animal_guard": "no", "battery_chemistry": "alkaline", "leak_test": "not_tested",
        },
    ),
    "coast": (
        0.25,
        {
            "enclosure_rating": "IP67", "lid_seal": "o_ring", "seal_material": "silicone", "seal_bonded": "no",
            "fasteners": "a4", "closure": "latches", "vent": "membrane", "board_protection": "potting",
            "desiccant": "silica_gel", "cable_entry": "bottom", "drip_loop": "yes", "shade": "yes",
            "animal_guard": "yes", "battery_chemistry": "lithium_iron_disulfide", "leak_test": "passed",
        },
    ),
}  # fmt: skip
"""Kits that the bench builds: share of the units, and the level of every choice."""


def level_names() -> dict[str, tuple[str, ...]]:
    """Return the levels of every choice, from plain to best."""
    return {name: tuple(choice.levels) for name, choice in CHOICES.items()}


def default_effects() -> dict[str, dict[str, float]]:
    """Return the effects on log time that hold when none are given.

    Examples
    --------
    >>> default_effects()["lid_seal"]
    {'flat_gasket': 0.0, 'cord': 0.25, 'o_ring': 0.55}
    """
    return {name: {level: row[1] for level, row in choice.levels.items()} for name, choice in CHOICES.items()}


def complete_effects(effects: Mapping[str, Mapping[str, float]] | None) -> dict[str, dict[str, float]]:
    """Return an effect for every choice and level."""
    if effects is None:
        return default_effects()
    if not isinstance(effects, Mapping) or not all(isinstance(levels, Mapping) for levels in effects.values()):
        raise UsageError(f'effects must look like {{"lid_seal": {{"o_ring": 0.5}}}}; got {effects!r}')
    check_columns(list(effects), list(CHOICES), "choice")
    complete = {name: dict.fromkeys(choice.levels, 0.0) for name, choice in CHOICES.items()}
    for name, levels in effects.items():
        check_columns(list(levels), list(CHOICES[name].levels), f"level of {name}")
        for level, effect in levels.items():
            if isinstance(effect, bool) or not isinstance(effect, int | float) or not abs(effect) <= 10:
                raise UsageError(f"the effect of {name} = {level} must be a number between -10 and 10; got {effect!r}")
            complete[name][level] = float(effect)
    return complete
