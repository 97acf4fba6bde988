"""Labels: what is written on figures beside the lines: headings, direct labels at line ends, numbers at risk."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workbench.report.figures.style import INK, MUTED, figure_text, level_words

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
    """Write the finding as title and the counts under it, flush left.

    Parameters
    ----------
    ax : matplotlib Axes
        Where.
    title : str
        The finding; wrapped.
    subtitle : str
        The counts.

    Returns
    -------
    None

    Raises
    ------
    Nothing.
    """
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


def spread_apart(wanted: Sequence[float], gap: float, low: float, high: float) -> np.ndarray:
    """Return positions at least `gap` apart and as near to the wanted ones as squares allow.

    Parameters
    ----------
    wanted : sequence of float, shape (n,)
        Where the labels would like to stand.
    gap : float
        Least distance of neighbours.
    low, high : float
        Range that the positions keep to when it is wide enough.

    Returns
    -------
    np.ndarray of float, shape (n,)
        In the order given.

    Raises
    ------
    Nothing.

    Examples
    --------
    >>> spread_apart([0.5, 0.5], 0.2, 0.0, 1.0).round(3).tolist()
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


def label_ends(ax: "Axes", labels: Sequence[EndLabel], *, size: float = 10.5) -> None:
    """Write each line's label to the right of the axes, at the height where the line ends, without overlap.

    Parameters
    ----------
    ax : matplotlib Axes
        Its limits must be final.
    labels : sequence of EndLabel
        One a line.
    size : float
        Font size in points.

    Returns
    -------
    None

    Raises
    ------
    Nothing.
    """
    if not labels:
        return
    low, high = ax.get_ylim()
    texts = [figure_text(label.text, width=24) for label in labels]
    rows = max(text.count("\n") + 1 for text in texts)
    inches = ax.figure.get_figure(root=True).get_size_inches()[1] * 0.62
    gap = (high - low) * 1.25 * size * rows / 72 / inches
    places = spread_apart([label.y for label in labels], gap, low + gap / 2, high - gap / 2)
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
    ax.set_ylim(low, high)


def risk_strip(
    ax: "Axes",
    times: Sequence[float],
    counts: Mapping[str, Sequence[str]],
    colours: Mapping[str, str],
    heading: str = "At risk at the start of the day",
) -> None:
    """Write the numbers at risk under the axes, one row a level, aligned with the ticks.

    Parameters
    ----------
    ax : matplotlib Axes
        Its x limits must be final.
    times : sequence of float, shape (k,)
        Where counts stand.
    counts : mapping of str to sequence of str, shape (k,)
        Per level.
    colours : mapping of str to colour
        Per level.
    heading : str
        What the numbers count.

    Returns
    -------
    None

    Raises
    ------
    Nothing.
    """
    height = 0.065 * (len(counts) + 1)
    strip = ax.inset_axes((0.0, -0.17 - height, 1.0, height))
    strip.set(xlim=ax.get_xlim(), ylim=(len(counts) + 0.5, -0.5))
    strip.set_axis_off()
    strip.set_in_layout(True)
    left = ax.get_xlim()[0] - 0.035 * (ax.get_xlim()[1] - ax.get_xlim()[0])
    strip.text(ax.get_xlim()[0], 0, heading, ha="left", va="center", fontsize=9.5, color=MUTED)
    for row, (level, numbers) in enumerate(counts.items(), start=1):
        name = figure_text(level_words(level), width=18, lines=1)
        strip.text(left, row, name, ha="right", va="center", fontsize=9.5, color=INK)
        strip.plot(
            [left + 0.005 * (ax.get_xlim()[1] - left), left + 0.02 * (ax.get_xlim()[1] - left)],
            [row, row],
            color=colours[level],
            linewidth=3,
            clip_on=False,
        )
        for time, number in zip(times, numbers, strict=True):
            strip.text(time, row, number, ha="center", va="center", fontsize=9.5, color=INK)
