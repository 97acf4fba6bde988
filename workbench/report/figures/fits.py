"""Fits: ratios of regression models as dots with limits, and fitted life distributions on probability paper."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.report.figures.labels import headings
from workbench.report.figures.palette import INK, MUTED
from workbench.report.figures.style import figure_text, level_words, looks_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_distribution", "draw_hazard_ratios", "draw_time_ratios"]


def draw_time_ratios(
    result: Any, ax: "Axes", *, title: str = "", subtitle: str = "", labels: Mapping[str, str] | None = None
) -> None:
    """Draw time ratios with limits; right of 1 means longer life than the reference."""
    _draw_ratios(result, ax, "time_ratio", axis="time ratio (above 1: lasts longer than the reference)", labels=labels)
    headings(ax, title, subtitle)


def draw_hazard_ratios(
    result: Any, ax: "Axes", *, title: str = "", subtitle: str = "", labels: Mapping[str, str] | None = None
) -> None:
    """Draw hazard ratios with limits; left of 1 means fewer failures a day than the reference."""
    _draw_ratios(
        result, ax, "hazard_ratio", axis="hazard ratio (below 1: fails less often than the reference)", labels=labels
    )
    headings(ax, title, subtitle)


def _draw_ratios(result: Any, ax: "Axes", column: str, *, axis: str, labels: Mapping[str, str] | None) -> None:
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    table = result.table
    estimate, low, high = (table[c].to_numpy(dtype=float) for c in (column, "lower", "upper"))
    terms = list(dict.fromkeys(table["term"]))
    looks = looks_of(terms)
    known = np.isfinite(estimate) & (estimate > 0)
    edges = np.concatenate([estimate[known], low[known], high[known], [0.8, 1.25]])
    edges = edges[np.isfinite(edges) & (edges > 0)]
    left, right = edges.min() / 1.15, edges.max() * 1.15
    ax.axvline(1.0, color=INK, linewidth=1.2)
    for place, row in enumerate(table.itertuples(index=False)):
        look = looks[row.term]
        if not known[place]:
            ax.annotate("not known", (1.0, place), va="center", xytext=(4, 0), textcoords="offset points", color=MUTED)
            continue
        ax.hlines(place, max(low[place], left), min(high[place], right), color=look.colour, linewidth=2.2)
        ax.plot(estimate[place], place, marker=look.marker, markersize=8, color=look.colour, zorder=3)
    names = []
    for term, level in zip(table["term"], table["level"], strict=True):
        shown = f"{level_words(term)}: {(labels or {}).get(level, level_words(level))}"
        names.append(figure_text(shown, width=34, lines=1))
    ax.set_yticks(range(len(table)), names)
    ax.set(ylim=(len(table) - 0.4, -0.6), xscale="log", xlim=(left, right), xlabel=axis)
    marks = [
        m for m in (0.01, 0.02, 0.05, 0.1, 0.2, 0.33, 0.5, 0.67, 1, 1.5, 2, 3, 5, 10, 20, 50, 100) if left <= m <= right
    ]
    ax.xaxis.set_major_locator(FixedLocator(marks))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.grid(visible=False, axis="y")


def draw_distribution(
    result: Any, ax: "Axes", *, title: str = "", subtitle: str = "", curve: Any = None, unit: str = "days"
) -> None:
    """Draw a fitted life distribution on Weibull paper, beside the step curve that assumes no form."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

    shares = np.array([0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.63, 0.75, 0.9, 0.95, 0.99])
    places = np.log(-np.log1p(-shares))
    rows = result.quantile(shares)
    time, low, high = (rows[c].to_numpy(dtype=float) for c in ("time", "lower", "upper"))
    banded = np.isfinite(low) & np.isfinite(high) & (low > 0)
    ax.fill_betweenx(places[banded], low[banded], high[banded], color="#0072B2", alpha=0.15, linewidth=0)
    drawn = np.isfinite(time) & (time > 0)
    ax.plot(time[drawn], places[drawn], color="#0072B2")
    if curve is not None:
        days = curve.columns["time" if "time" in curve.columns else "to"].astype(float)
        failed = 1 - curve.columns["survival"].astype(float)
        inside = (failed > 0) & (failed < 1) & np.isfinite(days) & (days > 0)
        ax.plot(days[inside], np.log(-np.log1p(-failed[inside])), linestyle="", marker="o", markersize=5, color=INK)
    shown = np.isin(shares, (0.01, 0.05, 0.1, 0.2, 0.5, 0.9, 0.99))
    ax.set_yticks(places[shown], [f"{100 * s:g}" for s in shares[shown]])
    ax.set_xscale("log")
    ax.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.set_xlabel(f"{unit} since deployment (log scale)")
    ax.set_ylabel("units failed (%), Weibull scale")
    line = "line and band: fitted form with limits" + ("; dots: curve without a form" if curve is not None else "")
    headings(ax, title, subtitle or line)
