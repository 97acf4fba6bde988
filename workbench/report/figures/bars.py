"""Bars: a few labelled values with limits, the one chart that the slide deck draws natively."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workbench.report.figures.labels import headings
from workbench.report.figures.style import INK, MUTED, figure_text, level_words
from workbench.results import Result
from workbench.wording import percent_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Bars", "draw_bars"]

BAR = "#0072B2"


@dataclass(frozen=True, kw_only=True, eq=False)
class Bars(Result):
    """Values by label; columns: label, value, and, where there are limits, lower and upper.

    Attributes
    ----------
    axis : str
        What the value is, with its unit.
    percent : bool
        Whether values are shares shown per cent.
    """

    axis: str
    percent: bool = False


def draw_bars(result: Bars, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw horizontal bars from the first label down, each value written at its end."""
    values = np.asarray(result.columns["value"], dtype=float)
    scale = 100.0 if result.percent else 1.0
    places = np.arange(len(values))
    ax.barh(places, scale * np.nan_to_num(values), color=BAR, height=0.62)
    ends = scale * np.nan_to_num(values)
    if "lower" in result.columns:
        low = scale * np.asarray(result.columns["lower"], dtype=float)
        high = scale * np.asarray(result.columns["upper"], dtype=float)
        known = np.isfinite(low) & np.isfinite(high)
        ax.hlines(places[known], low[known], high[known], color=INK, linewidth=1.6)
        ends = np.maximum(ends, np.where(known, high, 0.0))
    top = max(float(ends.max(initial=0.0)), 1e-9)
    for place, value, end in zip(range(len(values)), values, ends, strict=True):
        words = percent_text(value) if result.percent else "not known" if not np.isfinite(value) else f"{value:.3g}"
        ax.text(end + 0.012 * top, place, words, va="center", ha="left", fontsize=10.5, color=INK)
    names = [figure_text(level_words(label), width=26) for label in result.columns["label"]]
    ax.set_yticks(places, names)
    ax.set(ylim=(len(values) - 0.4, -0.6), xlim=(0, 1.14 * top), xlabel=result.axis)
    ax.grid(visible=False, axis="y")
    ax.tick_params(axis="y", length=0, labelcolor=INK)
    ax.spines["left"].set_color(MUTED)
    headings(ax, title, subtitle)
