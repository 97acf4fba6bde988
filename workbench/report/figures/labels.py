"""Labels: what is written on figures beside the lines: headings, direct labels at line ends, numbers at risk."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from workbench.report.figures.palette import INK, MUTED
from workbench.report.figures.style import figure_text, level_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["EndLabel", "headings", "label_ends", "risk_strip", "spread_apart"]


@dataclass(frozen=True)
class EndLabel:
    """A label for the end of a line: where the line ends (data coordinates), its text and its colour."""

    x: float
    y: float
    text: str
    colour: str


def headings(ax: "Axes", title: str = "", subtitle: str = "") -> None:
    """Write the finding as title and the counts under it, flush left."""
    both = [figure_text(title, width=84, lines=3) if title else "", figure_text(subtitle, width=96) if subtitle else ""]
    if both[1]:
        ax.set_title(both[1], loc="left", fontsize=11, color=MUTED)
    if both[0]:
        ax.annotate(
            both[0],
            (0, 1),
            xytext=(0, 8 + (16 * (1 + both[1].count("\n")) if both[1] else 0)),
            xycoords="axes fraction",
            textcoords="offset points",
            fontsize=13,
            fontweight="bold",
            va="bottom",
        )


def spread_apart(wanted: Sequence[float], gap: float, low: float, *, high: float) -> np.ndarray:
    """Return positions at least `gap` apart and as near to the wanted ones as squares allow.

    Shapes: wanted (n,), returns (n,).

    Examples
    --------
    >>> spread_apart([0.5, 0.5], 0.2, 0.0, high=1.0).round(3).tolist()
    [0.4, 0.6]
    """
    values = np.asarray(wanted, dtype=float)
    order = np.argsort(values, kind="stable")
    steps = gap * np.arange(len(values))
    blocks: list[list[float]] = []  # pooled neighbours: mean and size
    for value in np.clip(values[order], low, high) - steps:
        blocks.append([value, 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            mean, size = blocks.pop()
            blocks[-1] = [(blocks[-1][0] * blocks[-1][1] + mean * size) / (blocks[-1][1] + size), blocks[-1][1] + size]
    level = np.concatenate([np.full(int(size), mean) for mean, size in blocks]) if blocks else np.zeros(0)
    top = max(high - gap * (len(values) - 1), low)
    placed = np.empty(len(values))
    placed[order] = np.clip(level, low, top) + steps
    return placed


def label_ends(ax: "Axes", labels: Sequence[EndLabel], *, size: float = 10.5, below: float = 0.0) -> None:
    """Write each line's label to the right of the axes, at the height where the line ends, without overlap."""
    if not labels:
        return
    limits = ax.get_ylim()
    low, high = sorted(limits)
    texts = [figure_text(label.text, width=24) for label in labels]
    rows = max(text.count("\n") + 1 for text in texts)
    inches = ax.figure.get_figure(root=True).get_size_inches()[1] * 0.8 - below
    gap = (high - low) * 1.25 * size * rows / 72 / inches
    places = spread_apart([label.y for label in labels], gap, low + gap / 2, high=high - gap / 2)
    right = ax.get_xlim()[1]
    span = right - ax.get_xlim()[0]
    for label, text, place in zip(labels, texts, places, strict=True):
        ax.plot(
            [label.x, right + 0.015 * span, right + 0.03 * span],
            [label.y, place, place],
            color=label.colour,
            linewidth=1.0,
            alpha=0.75,
            clip_on=False,
            solid_capstyle="butt",
        )
        ax.annotate(
            text, (right + 0.035 * span, place), va="center", ha="left", fontsize=size, color=INK, annotation_clip=False
        )
    ax.set_xlim(right - span, right)
    ax.set_ylim(limits)


def risk_strip(
    ax: "Axes",
    times: Sequence[float],
    counts: Mapping[str, Sequence[str]],
    *,
    colours: Mapping[str, str],
    heading: str = "At risk at the start of the day",
) -> None:
    """Write the numbers at risk under the axes, one row a level, aligned with the ticks.

    Shapes: times (k,), counts (k,).
    """
    row_height, first = 15.0, -50.0
    side = ("data", "axes fraction")

    def write(
        x: float, dx: float, row: int, *, text: str, colour: str, align: Literal["left", "center", "right"]
    ) -> None:
        written = ax.annotate(
            text,
            (x, 0),
            xytext=(dx, first - row * row_height),
            xycoords=side,
            textcoords="offset points",
            ha=align,
            va="center",
            fontsize=9.5,
            color=colour,
            annotation_clip=False,
        )
        # the layout needs the outermost texts only; measuring every number would take most of the time
        written.set_in_layout(align == "right" or row == len(counts))

    left = ax.get_xlim()[0]
    write(left, -8, 0, text=heading, colour=MUTED, align="left")
    for row, (level, numbers) in enumerate(counts.items(), start=1):
        write(left, -36, row, text=figure_text(level_words(level), width=20, lines=1), colour=INK, align="right")
        write(left, -24, row, text="\u2501\u2501", colour=colours[level], align="center")
        for time, number in zip(times, numbers, strict=True):
            write(time, 0, row, text=number, colour=INK, align="center")
