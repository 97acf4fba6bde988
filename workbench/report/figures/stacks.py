"""Stacks and places: how many of each kind stand under each label, as bars, or at each place, on a map."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from workbench.report.figures.labels import headings
from workbench.report.figures.palette import INK, MUTED, OUTCOME_COLOURS, WORKING
from workbench.report.figures.style import figure_text, level_words
from workbench.results import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Places", "Stacks", "draw_places", "draw_stacks", "part_colour"]

HATCHED = ("missing",)
WIDE_ENOUGH = 0.035
"""Share of the axis from which a part holds its own number."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Stacks(Result):
    """Counts by label; columns: label, one column of counts per part in the order of stacking, note and kind as wanted.

    A label of kind "open" is one of which nothing more is known, and grey.

    Attributes
    ----------
    axis : str
        What is counted.
    words : mapping of str to str
        Part to the words that it is shown by; empty where there is but one kind.
    """

    axis: str
    words: Mapping[str, str] = field(default_factory=dict)

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the columns of counts."""
        return tuple(name for name in self.columns if name not in ("label", "note", "kind"))

    @property
    def is_open(self) -> tuple[bool, ...]:
        """Which labels are of what nobody knows."""
        kinds = self.columns.get("kind", [""] * len(self.columns["label"]))
        return tuple(str(kind) == "open" for kind in kinds)


@dataclass(frozen=True, kw_only=True, eq=False)
class Places(Result):
    """How many failed of those put out at each place; columns label, east and north in kilometres, units, failures."""


def part_colour(part: str) -> str:
    """Return the colour of a part: that of the outcome it is named for, else blue."""
    return OUTCOME_COLOURS.get(part, WORKING)


def draw_stacks(result: Stacks, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw bars from the first label down, numbers in their parts, the words of the parts above in their colours."""
    from matplotlib.ticker import MaxNLocator

    labels = [figure_text(level_words(str(v)), width=24, lines=2) for v in result.columns["label"]]
    places, base = np.arange(len(labels)), np.zeros(len(labels))
    total = np.sum([np.asarray(result.columns[p], dtype=float) for p in result.parts], axis=0)
    top = max(float(total.max(initial=0.0)), 1.0)
    for part in result.parts:
        count = np.asarray(result.columns[part], dtype=float)
        colour = part_colour(part)
        hatch = "///" if part in HATCHED else ""
        fills = [MUTED if is_open else colour for is_open in result.is_open]
        ax.barh(places, count, left=base, height=0.72, color=fills, edgecolor="white", hatch=hatch, linewidth=0.8)
        for place, number in enumerate(count):
            if result.words and number >= WIDE_ENOUGH * top:
                _number(ax, (base[place] + number / 2, place), number, dark=part == "withdrawn", plain=not hatch)
        base += count
    for place, note in enumerate(result.columns.get("note", [""] * len(labels))):
        words = figure_text(str(note), width=26) if note else f"{total[place]:,.0f}" if result.words else ""
        ax.text(total[place] + 0.012 * top, place, words, va="center", color=INK)
    ax.set_yticks(places, labels)
    ax.set(ylim=(len(labels) - 0.4, -0.6), xlim=(0, 1.02 * top), xlabel=result.axis)
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.grid(visible=False, axis="y")
    ax.tick_params(axis="y", length=0, labelcolor=INK)
    ax.spines["left"].set_color(MUTED)
    _key(ax, result)
    headings(ax, title, subtitle)


def _number(ax: "Axes", place: tuple[float, float], number: float, *, dark: bool, plain: bool) -> None:
    box = None if plain else {"facecolor": part_colour("missing"), "edgecolor": "none", "pad": 1.0}
    ax.text(*place, f"{number:,.0f}", ha="center", va="center", color=INK if dark else "white", bbox=box)


def _key(ax: "Axes", result: Stacks) -> None:
    from matplotlib.patches import Patch

    if not result.words:
        return
    handles = [
        Patch(facecolor=part_colour(p), edgecolor="white", hatch="///" if p in HATCHED else "", label=w)
        for p, w in result.words.items()
        if p in result.parts
    ]
    ax.legend(
        handles=handles, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=len(handles), frameon=False,
        handlelength=1.0, handletextpad=0.4, columnspacing=0.9, borderpad=0.1, fontsize=10.5,
    )  # fmt: skip


def draw_places(result: Places, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw each place as a disc as large as what stood there, its failed share filled from the bottom, and named."""
    east, north = (np.asarray(result.columns[name], dtype=float) for name in ("east", "north"))
    units, failures = (np.asarray(result.columns[name], dtype=float) for name in ("units", "failures"))
    span = max(float(np.ptp(east)), float(np.ptp(north)), 0.1)
    ax.set(
        xlim=(east.min() - 0.14 * span, east.max() + 0.14 * span),
        ylim=(north.min() - 0.14 * span, north.max() + 0.14 * span),
        aspect="equal",
        xlabel="kilometres east",
        ylabel="kilometres north",
    )
    for x, y, put_out, failed in zip(east, north, units, failures, strict=True):
        radius = 0.05 * span * math.sqrt(put_out / max(float(units.max(initial=1.0)), 1.0))
        _disc(ax, (x, y), radius=radius, share=failed / max(put_out, 1.0))
    labels = [
        f"{figure_text(str(name), width=18, lines=2)}\n{failed:.0f} of {put_out:.0f}"
        for name, put_out, failed in zip(result.columns["label"], units, failures, strict=True)
    ]
    for x, y, text in zip(*_free_places(east, north, labels, span=span), labels, strict=True):
        ax.text(x, y, text, ha="center", va="center", fontsize=9.5)
    headings(ax, title, subtitle)


def _disc(ax: "Axes", centre: tuple[float, float], *, radius: float, share: float) -> None:
    from matplotlib.patches import Circle, Rectangle

    whole = Circle(centre, radius, facecolor=part_colour("working"), edgecolor="white", linewidth=1.0, zorder=3)
    ax.add_patch(whole)
    left, bottom = centre[0] - radius, centre[1] - radius
    filled = Rectangle((left, bottom), 2 * radius, 2 * radius * share, facecolor=part_colour("failed"), zorder=4)
    ax.add_patch(filled)
    filled.set_clip_path(whole)


def _free_places(
    east: np.ndarray, north: np.ndarray, labels: Sequence[str], *, span: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return where the words of each place are centred: under, beside or above it, clear of discs and other words.

    Shapes: east, north (n,), returns two of (n,).
    """
    discs = [(x, y, 0.05 * span, 0.05 * span) for x, y in zip(east, north, strict=True)]
    taken, found = list(discs), []
    for (x, y, _, _), text in zip(discs, labels, strict=True):
        wide, tall = 0.011 * span * max(map(len, text.split("\n"))), 0.045 * span
        aside, below, step = 0.06 * span + wide, 0.06 * span + tall, 0.05 * span
        beside = [(side, height) for height in (0.0, -step, step) for side in (aside, -aside)]
        offsets = [(0.0, -below), *beside, (0.0, below)]
        boxes = [(x + dx, y + dy, wide, tall) for dx, dy in offsets]
        free = [box for box in boxes if not any(_meet(box, other) for other in taken)]
        taken.append((free or boxes)[0])
        found.append((free or boxes)[0][:2])
    middles = np.array(found).reshape(-1, 2)
    return middles[:, 0], middles[:, 1]


def _meet(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    """Whether two boxes overlap, each given by its middle and half its width and height."""
    return abs(one[0] - other[0]) < one[2] + other[2] and abs(one[1] - other[1]) < one[3] + other[3]
