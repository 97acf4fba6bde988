"""Timeline: when each unit was out, what became of it, and between which days it failed."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workbench.report.figures.labels import EndLabel, headings, label_ends
from workbench.report.figures.palette import FAILED, INK, LOST, MUTED, WORKING
from workbench.results import Result
from workbench.wording import count_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["OUTCOMES", "Timeline", "draw_timeline"]

OUTCOMES = ("failed", "missing", "withdrawn", "working")
"""In the order in which the groups stand, from the top."""

MOST_LINES = 1500
"""Deployments that are drawn, about as many as a picture has rows of dots; of more, every second, third and so on."""

COLOURS = {"failed": FAILED, "missing": LOST, "withdrawn": INK, "working": WORKING}
WORDS = {"failed": "failed", "missing": "missing", "withdrawn": "taken out", "working": "working"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Timeline(Result):
    """One row a deployment; columns unit, outcome, start, seen_from, last_good, end.

    Dates are datetime64[D]. `seen_from` is later than `start` where a unit came under observation late; between
    `last_good` and `end` a failed unit failed; for the others `end` equals `last_good`.
    """


def draw_timeline(result: Timeline, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw a line a deployment over the calendar, failures as thick spans between the days that bound them."""
    outcome = np.array([str(o) for o in result.columns["outcome"]])
    place = {o: n for n, o in enumerate(OUTCOMES)}
    rank = np.array([place.get(o, len(OUTCOMES)) for o in outcome])
    dates = {k: result.columns[k].astype("datetime64[D]").astype(float) for k in ("start", "seen_from", "last_good")}
    end = result.columns["end"].astype("datetime64[D]").astype(float)
    order = np.lexsort((np.array([str(u) for u in result.columns["unit"]]), end, rank))
    row = np.empty(len(order))
    row[order] = np.arange(len(order)) + 3.0 * rank[order]
    height = float(row.max(initial=0.0)) + 1
    step = -(-len(order) // MOST_LINES) or 1
    shown = np.zeros(len(order), dtype=bool)
    for name in dict.fromkeys(outcome):
        shown[order[outcome[order] == name][::step]] = True
    thin = float(np.clip(190 / max(height, 1), 0.5, 3.0))
    begin, seen, good = (dates[k][shown] for k in ("start", "seen_from", "last_good"))
    ax.hlines(row[shown], begin, seen, color=MUTED, linewidth=thin, linestyle=(0, (1, 1.5)))
    ax.hlines(row[shown], seen, good, color="#9fb3c8", linewidth=thin)
    labels = []
    last = float(end.max(initial=0.0))
    for name in dict.fromkeys(outcome[order]):
        every = outcome == name
        own = every & shown
        colour = COLOURS.get(name, INK)
        if name == "failed":
            ax.hlines(row[own], dates["last_good"][own], end[own], color=colour, linewidth=1.8 * thin)
        marker = {"failed": "s", "missing": "x", "withdrawn": "|", "working": "o"}.get(name, "o")
        ax.plot(end[own], row[own], linestyle="", marker=marker, markersize=min(1.6 + thin, 4.5), color=colour)
        text = f"{WORDS.get(name, name)}: {count_of(int(every.sum()), 'deployment')}"
        labels.append(EndLabel(last, float(row[every].mean()), text, colour))
    first = float(dates["start"].min(initial=last))
    margin = max(0.01 * (last - first), 1.0)
    ax.set(xlim=(first - margin, last + margin), ylim=(height + 1, -2))
    _date_axis(ax, first, last, drawn=f"; one in {step} drawn" if step > 1 else "")
    ax.set_yticks([])
    ax.grid(visible=False, axis="y")
    ax.spines["left"].set_visible(False)
    label_ends(ax, labels)
    headings(ax, title, subtitle)


def _date_axis(ax: "Axes", first: float, last: float, *, drawn: str) -> None:
    step = next((m for m in (1, 2, 3, 6, 12) if (last - first) / (30.4 * m) <= 9), 24)
    start = np.datetime64(int(first), "D").astype("datetime64[M]") + 1
    months = [start + np.timedelta64(int(m), "M") for m in np.arange(0, (last - first) / 30.4 + 1, step)]
    days = np.array([m.astype("datetime64[D]").astype(float) for m in months])
    keep = days <= last
    ax.set_xticks(days[keep], [str(m) for m, k in zip(months, keep, strict=True) if k])
    ax.set_xlabel(f"month (thin line: known to work; thick end: failed somewhere in this span{drawn})")
