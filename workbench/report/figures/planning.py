"""Figures of plans: units still alive by day for each build, and power of trials by size."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.report.figures.labels import EndLabel, headings, label_ends
from workbench.report.figures.palette import INK, MUTED, WORKING
from workbench.report.figures.style import level_words, looks_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_plan", "draw_trial"]


def draw_plan(
    result: Any, ax: "Axes", *, title: str = "", subtitle: str = "", labels: Mapping[str, str] | None = None
) -> None:
    """Draw units still alive by day for each build, with the band of the stated confidence."""
    fan = result.fan
    names = [str(n) for n in dict.fromkeys(fan["build"].tolist())]
    looks, ends = looks_of(names), []
    for name in names:
        rows = (fan["build"] == name) & np.isfinite(fan["alive"])
        if not rows.any():
            continue
        day, alive = fan["day"][rows], fan["alive"][rows]
        ax.fill_between(day, fan["lower"][rows], fan["upper"][rows], color=looks[name].colour, alpha=0.15, linewidth=0)
        ax.plot(day, alive, color=looks[name].colour, linestyle=looks[name].line)
        words = f"{(labels or {}).get(name, level_words(name))}: {alive[-1]:.0f} alive"
        ends.append(EndLabel(x=float(day[-1]), y=float(alive[-1]), text=words, colour=looks[name].colour))
    top = float(np.nanmax(fan["upper"], initial=1.0))
    ax.set(
        xlim=(0, result.mission),
        ylim=(0, 1.02 * top),
        xlabel=f"{result.unit} after being put out",
        ylabel="units alive",
    )
    label_ends(ax, ends)
    headings(ax, title, subtitle)


def draw_trial(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "", fleet: float | None = None) -> None:
    """Draw the chance of a trial to see the stated difference against its number of units; a mark for the fleet."""
    units, power = result.columns["units"], 100 * result.columns["power"]
    ax.axhline(100 * result.wanted, color=MUTED, linewidth=1.0)
    ax.plot(units, power, color=INK, marker="o", markersize=8)
    ax.vlines(units, 100 * result.columns["power_lower"], 100 * result.columns["power_upper"], color=INK, linewidth=2.0)
    top = 1.02 * float(units[-1])
    at_end = float(power[-1]) > 100 * result.wanted + 8
    ax.text(
        (0.99 if at_end else 0.6) * top, 100 * result.wanted - 1.5, f"wanted: {100 * result.wanted:.0f} %", color=MUTED,
        ha="right", va="top",
    )  # fmt: skip
    if fleet is not None and fleet <= top:
        ax.axvline(fleet, color=WORKING, linewidth=2.0, linestyle=(0, (4, 3)))
        side = "left" if fleet < 0.6 * top else "right"
        height = 96 if float(np.interp(fleet, units, power)) < 50 else 4  # away from the line of the power
        ax.annotate(
            f"this fleet: {fleet:.0f}", (fleet, height), xytext=(6 if side == "left" else -6, 0),
            textcoords="offset points", ha=side, va="center", color=WORKING,
        )  # fmt: skip
    ax.set(
        xlim=(0, top),
        ylim=(0, 102),
        xlabel="units in the trial, half with each level",
        ylabel="chance to see the difference (%)",
    )
    headings(ax, title, subtitle)
