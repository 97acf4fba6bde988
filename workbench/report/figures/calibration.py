"""Calibration: what the classifier predicted for units it had not seen against what happened, in wide bins."""

from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.report.figures.labels import headings
from workbench.report.figures.palette import FAILED, INK, MUTED
from workbench.wording import count_of, percent_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from workbench.ranking.mission import MissionSkill

__all__ = ["draw_mission_skill"]


def draw_mission_skill(result: "MissionSkill", ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw predicted against observed failure by the mission, with limits, the plain share and the line of truth."""
    skill, bins = result.skill, result.calibration_columns
    predicted, observed, low, high = (
        100 * np.asarray(bins[n], dtype=float) for n in ("predicted", "observed", "lower", "upper")
    )
    base = 100 * skill["base_rate"]
    ax.plot([0, 100], [0, 100], color=MUTED, linewidth=1.2)
    ax.annotate(
        "predicted = happened",
        (92, 92),
        xytext=(-16, 4),
        textcoords="offset points",
        ha="right",
        va="center",
        color=MUTED,
    )
    ax.axhline(base, color=MUTED, linewidth=1.2, linestyle=(0, (4, 3)))
    ax.annotate(
        f"all units: {percent_text(base / 100)}",
        (99, base),
        xytext=(0, 4),
        textcoords="offset points",
        ha="right",
        color=MUTED,
    )
    if predicted.size:
        ax.vlines(predicted, low, high, color=INK, linewidth=1.6)
        ax.plot(predicted, observed, linestyle="none", marker="o", markersize=9, color=FAILED, markeredgecolor="white")
        for x, top, units in zip(predicted, high, bins["units"], strict=True):
            ax.annotate(
                count_of(int(units), "unit"),
                (x, top),
                xytext=(0, 4),
                textcoords="offset points",
                ha="center",
                fontsize=10,
            )
    else:
        ax.text(50, 50, result.why_not, ha="center", va="center", color=INK, wrap=True)
    days = f"day {result.mission:g}"
    ax.set(
        xlim=(0, 100),
        ylim=(0, 104),
        xlabel=f"Predicted: failed by {days} (% of units)",
        ylabel=f"Happened: failed by {days} (% of units)",
    )
    headings(ax, title or _verdict(skill), subtitle or _counts(skill))


def _verdict(skill: dict[str, Any]) -> str:
    if skill["verdict"] == "skill":
        return "The choices help to predict which units fail"
    if skill["verdict"] == "no skill":
        return "The choices do not help to predict which units fail"
    return "Whether the choices help to predict failure cannot be shown"


def _counts(skill: dict[str, Any]) -> str:
    known = f"{count_of(skill['units'], 'unit')}, {skill['failures']} known to have failed by then"
    if not np.isfinite(skill["skill"]):
        return known
    side = "better" if skill["skill"] >= 0 else "worse"
    limits = f"{100 * skill['lower']:.0f} to {100 * skill['upper']:.0f} %".replace("-", "−")
    return (
        f"Brier score {100 * abs(skill['skill']):.0f} % {side} than by the plain share (95 % limits {limits}); {known}"
    )
