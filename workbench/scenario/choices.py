"""Choices: the protection choices of the invented units: levels from plain to best, shares, costs, true effects."""

from collections.abc import Mapping
from dataclasses import dataclass

from workbench.checks import check_columns
from workbench.errors import UsageError

__all__ = ["CHOICES", "Choice", "complete_effects", "default_effects", "level_names"]

WATER = ("lid_seal_leak", "gland_or_connector_leak", "vapour_condensation")
METAL = ("corrosion_contacts",)


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
    prevents: tuple[str, ...] = WATER + METAL


CHOICES: dict[str, Choice] = {
    "enclosure_rating": Choice(
        levels={"IP65": (0.35, 0.0, 0.0), "IP66": (0.35, 0.0, 3.1), "IP67": (0.30, 0.05, 6.4)}, prevents=WATER
    ),
    "lid_seal": Choice(
        levels={"flat_gasket": (0.40, 0.0, 0.0), "cord": (0.30, 0.25, 0.9), "o_ring": (0.30, 0.55, 2.4)},
        prevents=(*WATER, *METAL),
    ),
    "seal_material": Choice(levels={"epdm": (0.6, 0.0, 0.0), "silicone": (0.4, 0.0, 0.3)}, prevents=WATER),
    "seal_bonded": Choice(levels={"no": (0.55, 0.0, 0.0), "yes": (0.45, 0.20, 0.6)}, prevents=WATER),
    "fasteners": Choice(
        levels={"zinc_plated": (0.3, 0.0, 0.0), "a2": (0.4, 0.10, 0.8), "a4": (0.3, 0.15, 1.7)}, prevents=METAL
    ),
    "closure": Choice(levels={"screws": (0.65, 0.0, 0.0), "latches": (0.35, 0.0, 1.2)}, prevents=WATER),
    "vent": Choice(
        levels={"none": (0.5, 0.0, 0.0), "membrane": (0.5, 0.20, 3.8)},
        prevents=("lid_seal_leak", "vapour_condensation"),
    ),
    "board_protection": Choice(
        levels={"none": (0.35, 0.0, 0.0), "varnish": (0.40, 0.15, 1.1), "potting": (0.25, 0.40, 4.5)},
        prevents=(*WATER, *METAL),
    ),
    "desiccant": Choice(
        levels={"none": (0.4, 0.0, 0.0), "silica_gel": (0.6, 0.05, 0.7)}, prevents=("vapour_condensation",)
    ),
    "cable_entry": Choice(
        levels={"side": (0.4, 0.0, 0.0), "bottom": (0.6, 0.20, 0.0)}, prevents=("gland_or_connector_leak",)
    ),
    "shade": Choice(levels={"no": (0.6, 0.0, 0.0), "yes": (0.4, 0.0, 2.2)}, prevents=("vapour_condensation",)),
}
"""The choices in the order of the log's columns. Effects are invented: they are the truth that a test can recover."""


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
