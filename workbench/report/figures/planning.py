"""Figures of plans: units still alive by day for each build, and power of trials by size."""

from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.report.figures.labels import EndLabel, headings, label_ends
from workbench.report.figures.style import INK, MUTED, level_words, looks_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_plan", "draw_trial"]


def draw_plan(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
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
        words = f"{level_words(name)}: {alive[-1]:.0f} alive"
        ends.append(EndLabel(x=float(day[-1]), y=float(alive[-1]), text=words, colour=looks[name].colour))
    top = float(np.nanmax(fan["upper"], initial=1.0))
    ax.set(
        xlim=(0, result.mission),
        ylim=(0, 1.05 * top),
        xlabel=f"{result.unit} after being put out",
        ylabel="units alive",
    )
    label_ends(ax, ends)
    headings(ax, title, subtitle)


def draw_trial(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw the chance of a trial to see the stated difference against its number of units."""
    units, power = result.columns["units"], 100 * result.columns["power"]
    formula = 100 * result.columns["power_formula"]
    ax.plot(units, power, color=INK, marker="o")
    ax.vlines(units, 100 * result.columns["power_lower"], 100 * result.columns["power_upper"], color=INK, linewidth=1.4)
    ax.plot(units, formula, color=MUTED, linestyle=(0, (2, 2)), linewidth=1.6)
    ax.axhline(100 * result.wanted, color=MUTED, linewidth=1.0)
    ax.text(
        float(units[0]), 100 * result.wanted + 1.5, f"wanted: {100 * result.wanted:.0f} %", color=MUTED, fontsize=10
    )
    ax.set(
        xlim=(0, 1.02 * float(units[-1])),
        ylim=(0, 102),
        xlabel="units in the trial, both levels together",
        ylabel="chance to see the difference (%)",
    )
    label_ends(
        ax,
        [
            EndLabel(x=float(units[-1]), y=float(power[-1]), text="simulated seasons", colour=INK),
            EndLabel(x=float(units[-1]), y=float(formula[-1]), text="formula", colour=MUTED),
        ],
    )
    headings(ax, title, subtitle)
