"""Dots: a few labelled values with their limits, each row's counts written beside it."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workbench.report.figures.labels import headings
from workbench.report.figures.palette import FAILED, INK, MUTED, RULE, WORKING
from workbench.report.figures.style import figure_text, level_words
from workbench.results import Result
from workbench.wording import percent_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["Dots", "draw_dots"]

LOOKS = {"": (INK, "o"), "failed": (FAILED, "o"), "working": (WORKING, "s"), "other": (MUTED, "D")}
"""Colour and marker of a row by its kind."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Dots(Result):
    """Values by label; columns: label, value and, where there are limits, lower and upper; note and kind as wanted.

    Attributes
    ----------
    axis : str
        What the value is, with its unit.
    percent : bool
        Whether values are shares shown per cent.
    reference : float or None
        Where a line stands that the values are read against, in the unit of the values.
    """

    axis: str
    percent: bool = False
    reference: float | None = None

    @property
    def scale(self) -> float:
        """What values are multiplied by when they are shown."""
        return 100.0 if self.percent else 1.0

    @property
    def axis_limits(self) -> tuple[float, float]:
        """Ends of the axis: the values with a margin and the line they are read against; a share keeps to 0 and 100."""
        return _limits(self)

    def shown(self, name: str) -> np.ndarray:
        """A column of numbers as shown; NaN where the column is not there."""
        if name not in self.columns:
            return np.full(len(self.columns["value"]), np.nan)
        return self.scale * np.asarray(self.columns[name], dtype=float)

    def words(self, name: str) -> list[str]:
        """A column of texts; empty where the column is not there."""
        return [str(v) for v in self.columns.get(name, [""] * len(self.columns["value"]))]


def draw_dots(result: Dots, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw values as dots with limits from the first label down, value or note written at the right."""
    value, low, high = (result.shown(name) for name in ("value", "lower", "upper"))
    notes = [
        note or _words(v, result.percent)
        for note, v in zip(result.words("note"), np.asarray(result.columns["value"], dtype=float), strict=True)
    ]
    if result.reference is not None:
        ax.axvline(result.scale * result.reference, color=INK, linewidth=1.2)
    places = np.arange(len(value))
    for place, kind in enumerate(result.words("kind")):
        colour, marker = LOOKS.get(kind, LOOKS[""])
        if np.isfinite([low[place], high[place]]).all():
            ax.hlines(place, low[place], high[place], color=colour, linewidth=2.6)
        ax.plot(value[place], place, marker, color=colour, markersize=10, markeredgecolor="white", zorder=3)
        words = figure_text(notes[place], width=24, lines=3)
        ax.annotate(words, (1.02, place), xycoords=("axes fraction", "data"), va="center", annotation_clip=False)
    names = [figure_text(level_words(label), width=24, lines=3) for label in result.words("label")]
    ax.set_yticks(places, names)
    ax.set(ylim=(len(value) - 0.4, -0.6), xlim=result.axis_limits, xlabel=result.axis)
    ax.grid(visible=False, axis="y")
    ax.hlines(places[:-1] + 0.5, *ax.get_xlim(), color=RULE, linewidth=0.6, zorder=0)
    ax.tick_params(axis="y", length=0, labelcolor=INK)
    headings(ax, title, subtitle)


def _words(value: float, percent: bool) -> str:
    return percent_text(value) if percent else "not known" if not np.isfinite(value) else f"{value:.3g}"


def _limits(result: Dots) -> tuple[float, float]:
    known = [*result.shown("value"), *result.shown("lower"), *result.shown("upper")]
    if result.reference is not None:
        known.append(result.scale * result.reference)
    finite = [v for v in known if np.isfinite(v)] or [0.0, 1.0]
    low, high = min(finite), max(finite)
    margin = 0.06 * max(high - low, 1e-9 + 0.1 * abs(high))
    low, high = low - margin, high + margin
    if result.percent and result.reference is None:
        low, high = max(low, 0.0) if low > 15 else 0.0, min(high, 100.0)
    elif result.reference is None and 0 <= min(finite) < 0.35 * high:
        low = 0.0
    return (low, high) if high > low else (low, low + 1.0)
