"""Notes: what do people in the field and at the bench scribble beside a row, typing errors and all?"""

import numpy as np

from workbench.scenario.world import Place, Spell, World

__all__ = ["remark"]

_GONE = {
    "swept": (
        "swept away in the high water?",
        "post leaning downstream, unit gone",
        "wrack up to the crossbar, no unit",
        "bank cut back, post and unit gone",
        "bracket bent downstream, empty",
    ),
    "storm": (
        "mast down after the storm, unit not found",
        "blown off? searched the lee side",
        "bracket torn out by the gale",
    ),
    "people": (
        "strap cut, unit gone",
        "tool marks on the bracket, unit gone",
        "lock cut, asked at the car park, nobody saw it",
        "post there, box not, fresh cigarette ends",
        "chain gone too",
    ),
    "": ("not found", "post there, unit not", "searched half an hour, not found", "GPS point checked twice, nothing"),
}
"""By what took it."""

_FAILED = {
    "lid_seal_leak": (
        "puddle under the board",
        "water ran out when the lid came off",
        "seal rolled at one corner",
        "grit across the gasket",
        "lid side wet all along",
        "two screws hardly tight",
    ),
    "gland_or_connector_leak": (
        "gland nut only finger tight",
        "water below the cable entry, lid side dry",
        "cable ran straight down into the gland",
        "trickle mark under gland 2",
        "connector cap left off",
    ),
    "immersion": (
        "went under in the flood",
        "silt inside, box was under water",
        "high water mark above the box",
        "full to the brim",
    ),
    "breathing_past_seal": (
        "water inside but no path found",
        "sucks air when it cools?",
        "a spoonful of clear water, seal looks fine",
    ),
    "vapour_condensation": (
        "fogged up inside",
        "drops under the lid, no leak found",
        "desiccant pink",
        "mist on the window since spring",
    ),
    "corrosion_contacts": (
        "green battery contacts",
        "terminals eaten away",
        "spring contact green, no reading",
        "crust on the minus pole",
    ),
    "battery_exhausted": (
        "cells flat",
        "0.9 V a cell, nothing else wrong",
        "voltage went down week by week",
        "cells low, all else fine",
    ),
    "component_failure": (
        "regulator dead, board dry",
        "no life with fresh cells",
        "3.3 V rail missing",
        "warm spot on the board",
    ),
    "firmware_fault": (
        "restarts every few minutes",
        "hung, ran again after reset",
        "file stops at a round size",
        "same fault as two others of the batch",
    ),
    "animal_bite": (
        "mouse ate the antenna cable",
        "cable chewed through",
        "tooth marks, sheep wool on the strap",
        "something gnawed the gland",
    ),
    "impact_or_crush": (
        "trodden on",
        "lid cracked, post knocked over",
        "fallen branch on it",
        "stone through the window",
    ),
    "wiring_or_joint_defect": (
        "never started, wire pinched under the lid",
        "cold joint at the battery lead",
        "dead from day one",
    ),
}
"""By mechanism, for failed units."""

_FIELD_FAILED = (
    "no blink",
    "does not answer",
    "no new data",
    "LED off, box looks fine",
    "silent since last visit",
    "will not wake with the magnet",
    "card read at base",
    "swapped, took it home",
)
"""For failed units that nobody opened."""

_ALIVE = (
    "battery cover stiff",
    "nest close by, approach from the east",
    "logger set to 10 min",
    "path overgrown",
    "cells changed",
    "lid wiped, seal greased",
    "spider in the sun shield",
    "post straightened",
    "photo taken",
    "desiccant swapped",
    "bramble cut back",
    "met the warden, all fine",
    "clock 4 min fast, set",
    "card changed",
    "screws retightened",
    "label faded",
)

_PLACES = {
    "tidal_marsh": ("came by boat, only at low water", "weed on the post"),
    "sea_cliff": ("salt crust on the lid outside", "rope needed for the last stretch"),
    "bog": ("boards rotten, knee deep", "sphagnum grown up the post"),
    "forest": ("deer path right beside it", "leaves on the panel"),
    "lake_shore": ("water level low", "otter prints"),
    "mountain": ("two hours' walk, wind", "snow patches still"),
    "river": ("water up to the second mark", "anglers' rubbish"),
    "dunes": ("half buried, dug out", "sand in the hinge"),
    "farmland": ("cattle in the next field", "gate was open"),
}

_TAILS = (
    "",
    "",
    "",
    "",
    ", see photo",
    " (again)",
    " - told the field lead",
    ", cells out",
    " !!",
    ", check next time",
)


def remark(spell: Spell, world: World, *, wet: bool | None, rng: np.random.Generator) -> str:
    """Return the note of one row; `wet` tells what the bench saw, None where nobody opened it."""
    site = world.sites[spell.unit["place"]]
    text = _text(spell, world, site, wet=wet, rng=rng)
    return _mistyped(text, rng) if text and rng.random() < world.season.typing_error_share else text


def _text(spell: Spell, world: World, site: Place, *, wet: bool | None, rng: np.random.Generator) -> str:
    if spell.doing == "refitted":
        return f"refit: {rng.choice(('O-ring fitted', 'new O-ring in, row closed', 'old seal out, O-ring in'))}"
    start = {"after_refit": "goes on after the refit", "again": "repaired and put out again"}.get(spell.doing, "")
    outcome = spell.ending.outcome
    share, pool = 0.25, (*_ALIVE, *_PLACES.get(site.environment, ()))
    if outcome == "missing":
        share, pool = 0.9, _GONE[_taken_by(spell, world, site, rng=rng)]
    elif outcome == "failed" and (wet is None or (spell.mechanism in _MOIST and not wet)):
        share, pool = 0.4, _FIELD_FAILED
    elif outcome == "failed":
        share, pool = 0.75, _FAILED[spell.mechanism]
    said = f"{rng.choice(pool)}{rng.choice(_TAILS)}" if rng.random() < share else ""
    return "; ".join(part for part in (start, said) if part)


_MOIST = ("lid_seal_leak", "gland_or_connector_leak", "immersion", "breathing_past_seal", "vapour_condensation")


def _taken_by(spell: Spell, world: World, site: Place, *, rng: np.random.Generator) -> str:
    """Guess as people do, from what the place and the weather allow."""
    day = spell.deployed + (spell.fate.lost if np.isfinite(spell.fate.lost) else spell.fate.dies)
    near = day - np.array([0, 1])
    if site.floods and np.isin(near, world.weather.floods[spell.unit["place"]]).any():
        return "swept"
    if np.isin(near, world.weather.storms).any():
        return "storm"
    return "people" if site.foot_traffic != "low" and rng.random() < 0.6 else ""


def _mistyped(text: str, rng: np.random.Generator) -> str:
    """Swap, drop or double one letter inside one of the longer words."""
    words = text.split(" ")
    long = [i for i, w in enumerate(words) if len(w) > 3 and w.isalpha()]
    if not long:
        return text
    i = int(rng.choice(long))
    word, at = words[i], int(rng.integers(1, len(words[i]) - 1))
    swapped = word[:at] + word[at + 1] + word[at] + word[at + 2 :]
    words[i] = (swapped, word[:at] + word[at + 1 :], word[:at] + word[at] + word[at:])[int(rng.integers(3))]
    return " ".join(words)
