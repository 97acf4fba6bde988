"""Stacks: how many of each kind stand under each label, as bars whose parts add up."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from workbench.report.figures.labels import headings
from workbench.report.figures.palette import INK, MUTED, OUTCOME_COLOURS, WORKING
from workbench.report.figures.style import figure_text, level_words
from workbench.results import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Stacks", "draw_stacks", "part_colour"]

HATCHED = ("missing",)
WIDE_ENOUGH = 0.035
"""Share of the axis from which a part holds its own number."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Stacks(Result):
    """Counts by label; columns: label and one column of counts per part, in the order in which they are stacked.

    Attributes
    ----------
    axis : str
        What is counted.
    words : mapping of str to str
        Part to the words that it is shown by; a single part needs none.
    """

    axis: str
    words: Mapping[str, str] = field(default_factory=dict)

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the columns of counts."""
        return tuple(name for name in self.columns if name not in ("label", "note"))


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
        ax.barh(places, count, left=base, height=0.72, color=colour, edgecolor="white", hatch=hatch, linewidth=0.8)
        for place, number in enumerate(count):
            if len(result.parts) > 1 and number >= WIDE_ENOUGH * top:
                _number(ax, (base[place] + number / 2, place), number, dark=part == "withdrawn", plain=not hatch)
        base += count
    for place, note in enumerate(result.columns.get("note", [""] * len(labels))):
        words = figure_text(str(note), width=26) if note else f"{total[place]:,.0f}" if len(result.parts) > 1 else ""
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

    if len(result.parts) < 2:
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
