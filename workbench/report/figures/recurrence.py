"""Repeated events and proportionality: mean counts as steps with bands, and what each failure says of a ratio."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.report.figures.labels import headings
from workbench.report.figures.palette import INK, MUTED, PALETTE
from workbench.report.figures.style import figure_text, level_words, looks_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_mean_count", "draw_proportionality"]

NEIGHBOURS = 0.4
"""Share of the failures that the smooth line averages over."""


def draw_mean_count(
    result: Any,
    ax: "Axes",
    *,
    title: str = "",
    subtitle: str = "",
    labels: Mapping[str, str] | None = None,
    unit: str = "days",
) -> None:
    """Draw the mean number of events per unit as steps with their limits."""
    table, looks = result.table, looks_of(result.labels)
    for label in result.labels:
        part, look = table[table["group"] == label], looks[label]
        time = np.append(0.0, part["time"])
        mean = np.append(0.0, part["mean_count"])
        ax.step(time, mean, where="post", color=look.colour, linestyle=look.line, linewidth=2.2)
        known = part[np.isfinite(part["lower"]) & np.isfinite(part["upper"]) & (part["mean_count"] > 0)]
        ax.fill_between(known["time"], known["lower"], known["upper"], step="post", color=look.colour, alpha=0.15, lw=0)
        name = figure_text((labels or {}).get(label, level_words(label)), width=24, lines=1)
        ax.annotate(
            name, (time[-1], mean[-1]), xytext=(5, 0), textcoords="offset points", va="center", color=look.colour
        )
    ax.set(xlabel=f"time since deployment ({unit})", ylabel="mean events per unit", xlim=(0, None), ylim=(0, None))
    headings(ax, title, subtitle)


def draw_proportionality(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "", row: int = 0) -> None:
    """Draw what each failure says of one log hazard ratio over time; a level line means the ratio stays the same."""
    estimates, residuals = result.estimate_columns, result.residuals
    term, level = estimates["term"][row], estimates["level"][row]
    mine = residuals[(residuals["term"] == term) & (residuals["level"] == level)]
    time, value, weight = (mine[name].to_numpy(dtype=float) for name in ("time", "log_hazard_ratio", "failures"))
    ax.scatter(time, value, s=14 + 6 * weight, color=MUTED, alpha=0.6, linewidths=0)
    ax.plot(time, _smooth(value, weight), color=PALETTE[5], linewidth=2.4)
    constant = float(estimates["log_hazard_ratio"][row])
    ax.axhline(constant, color=INK, linewidth=1.2, linestyle="--")
    name = level_words(term) if level == "+1" else f"{level_words(term)}: {level_words(level)}"
    ax.annotate(
        "same all along", (1.0, constant), xycoords=("axes fraction", "data"), ha="right", va="bottom", color=INK
    )
    ax.set(xlabel=f"time since deployment ({result.unit})", ylabel=figure_text(f"log hazard ratio, {name}", width=40))
    headings(ax, title, subtitle)


def _smooth(value: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Weighted mean over the nearest share of the failures, by rank."""
    size = max(int(NEIGHBOURS * value.size), 1)
    first = np.clip(np.arange(value.size) - size // 2, 0, value.size - size)
    sums, counts = np.append(0.0, np.cumsum(value * weight)), np.append(0.0, np.cumsum(weight))
    return np.asarray((sums[first + size] - sums[first]) / (counts[first + size] - counts[first]))
