"""Teardown figures: incidence stacked to one with survival, what ended units, and the evidence matrix."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.lives import UNDETERMINED
from workbench.report.figures.labels import EndLabel, headings, label_ends
from workbench.report.figures.palette import FAILED, INK, LOST, MUTED, PALETTE, WORKING
from workbench.report.figures.style import figure_text, level_words, small_multiples
from workbench.teardown.mechanisms import mechanism_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_ends", "draw_evidence", "draw_incidence"]

MOST_CAUSES = 6
"""So many mechanisms get an area of their own; the rest is drawn as one."""

MOST_SIGNS, MOST_GROUPS = 8, 7
"""Rows and columns of the evidence that can be read from the back of a room."""

HATCHES = ("", "///", "..", "\\\\\\", "xx", "//", "\\\\")
SURVIVING = "#e9eef2"
OTHER = "other mechanisms"
ENDS_KEY = "per cent   (bar: of lost unit-days; \u25c7 of all units; \u25cf of failures)"


def draw_incidence(
    result: Any,
    ax: "Axes",
    *,
    title: str = "",
    subtitle: str = "",
    group: str | None = None,
    mission: float | None = None,
    naive: Mapping[str, Any] | None = None,
) -> None:
    """Draw the incidence of every cause stacked to one with the share surviving."""
    if group is None and len(result.labels) > 1:
        _draw_groups(result, ax, mission=mission)
        headings(ax, title, subtitle)
        return
    label = group or result.labels[0]
    times, shares = _shares_of(result, label, mission)
    end = float(times[-1])
    (naive_cause, alone_curve), *_ = (naive or {"": None}).items()
    layers = _layers(shares, naive_cause)
    base = _fill(ax, times, layers)
    labels, low = [], 0.0
    for name, share in layers:
        height = float(np.nan_to_num(share[-1]))
        words = f"{_percent(share[-1])} {figure_text(mechanism_words(name), width=40, lines=1)}"
        labels.append(EndLabel(end, low + height / 2, words, INK))
        low += height
    labels.append(EndLabel(end, float((base[-1] + 1) / 2), f"{_percent(1 - base[-1])} working", INK))
    if alone_curve is not None:
        alone = 1 - alone_curve.at(times, limits=False)["survival"].to_numpy(dtype=float)
        ax.plot(times, alone, color=INK, linestyle=(0, (5, 3)), linewidth=2.0)
        known = np.flatnonzero(np.isfinite(alone))
        ax.annotate(
            f"dashed: {mechanism_words(naive_cause)} with the others ignored;\nit overstates, do not add it up",
            (times[known[-1]], alone[known[-1]]),
            xytext=(0.03, 0.93),
            textcoords="axes fraction",
            va="top",
            fontsize=9.5,
            color=INK,
            arrowprops={"arrowstyle": "-", "color": MUTED, "linewidth": 0.8},
        )
    if mission is not None and mission <= end:
        ax.axvline(mission, color=INK, linewidth=1.0, linestyle=(0, (1, 2)))
    ax.set(xlim=(0, end), ylim=(0, 1), xlabel=f"age in {result.unit}", ylabel="share of units")
    ax.set_yticks(np.linspace(0, 1, 6), [f"{v} %" for v in range(0, 101, 20)])
    ax.grid(visible=False)
    label_ends(ax, labels)
    headings(ax, title, subtitle)


def _shares_of(result: Any, label: str, mission: float | None) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Days from the start to the mission or to what is known, and each cause's share lost by them in a group."""
    end = float(result.known_to[result.labels.index(label)])
    if mission is not None:
        end = min(end, mission)  # so that shares written beside the areas are those of the mission
    times = np.linspace(0.0, end, 400)
    steps = result.at(times, limits=False)
    own = steps[steps["group"] == label]
    return times, {c: own.loc[own["cause"] == c, "incidence"].to_numpy(dtype=float) for c in result.causes}


def _fill(ax: "Axes", times: np.ndarray, layers: Sequence[tuple[str, np.ndarray]]) -> np.ndarray:
    """Fill the areas of the causes from the bottom, the share working above them; return the height of the causes."""
    base = np.zeros_like(times)
    for (_, share), (colour, hatch) in zip(layers, _patterns(layers), strict=True):
        top = base + np.nan_to_num(share)
        ax.fill_between(times, base, top, facecolor=colour, edgecolor="white", hatch=hatch, linewidth=0.4)
        ax.plot(times, top, color=INK, linewidth=0.8)
        base = top
    ax.fill_between(times, base, 1.0, facecolor=SURVIVING, edgecolor="none")
    return base


def _patterns(layers: Sequence[tuple[str, np.ndarray]]) -> list[tuple[str, str]]:
    """Colour and hatch of each layer."""
    colours = [LOST if n == UNDETERMINED else PALETTE[1:][k % (len(PALETTE) - 1)] for k, (n, _) in enumerate(layers)]
    return [(colour, HATCHES[k % len(HATCHES)]) for k, colour in enumerate(colours)]


def _draw_groups(result: Any, ax: "Axes", *, mission: float | None) -> None:
    """Draw every group in small axes of its own, the causes in one order and one set of colours."""
    from matplotlib.patches import Patch

    drawn = {label: _shares_of(result, label, mission) for label in result.labels}
    whole = {c: np.sum([np.nan_to_num(shares[c][-1:]) for _, shares in drawn.values()], axis=0) for c in result.causes}
    order = [name for name, _ in _layers(whole, "")]
    last = max(float(times[-1]) for times, _ in drawn.values())
    for panel, label in zip(small_multiples(ax, [level_words(v) for v in result.labels]), result.labels, strict=True):
        times, shares = drawn[label]
        rest = np.sum([np.nan_to_num(v) for c, v in shares.items() if c not in order] or [np.zeros_like(times)], axis=0)
        _fill(panel, times, [(name, shares.get(name, rest)) for name in order])
        panel.set(xlim=(0, last), ylim=(0, 1))
        panel.set_yticks([0, 0.5, 1], ["0 %", "50 %", "100 %"])
        panel.grid(visible=False)
    looks = _patterns([(name, np.zeros(1)) for name in order])
    handles = [
        Patch(facecolor=colour, edgecolor="white", hatch=hatch, label=figure_text(mechanism_words(name), width=22))
        for name, (colour, hatch) in zip(order, looks, strict=True)
    ]
    handles.append(Patch(facecolor=SURVIVING, label="working"))
    ax.legend(handles=handles[::-1], loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=10)
    ax.set(xlabel=f"age in {result.unit}", ylabel="share of units")


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.095 or share == 0 else f"{100 * share:.1f} %"


def _layers(shares: dict[str, np.ndarray], first: str) -> list[tuple[str, np.ndarray]]:
    """Causes from the bottom: the one compared, the commonest, the rest as one, undetermined last."""
    named = sorted((c for c in shares if c != UNDETERMINED), key=lambda c: (c != first, -shares[c][-1], c))
    kept = named if len(named) <= MOST_CAUSES else named[: MOST_CAUSES - 1]
    layers = [(cause, shares[cause]) for cause in kept]
    rest = named[len(kept) :]
    if rest:
        layers.append((OTHER, np.sum([shares[c] for c in rest], axis=0)))
    if UNDETERMINED in shares:
        layers.append((UNDETERMINED, shares[UNDETERMINED]))
    return layers


def draw_ends(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "", group: str | None = None) -> None:
    """Draw what ended units: bars of lost unit-days, marks of the share of failures and of units."""
    table = result.table.assign(never_back=result.never_back, named=result.named)
    table = table[table["group"] == (group or table["group"].iloc[0])].reset_index(drop=True)
    places = np.arange(len(table))
    lost, units, failures = (
        100 * table[c].to_numpy(dtype=float) for c in ("share_of_lost_days", "share_of_units", "share_of_failures")
    )
    colours = [FAILED if named else LOST for named in table["named"]]
    bars = ax.barh(places, np.nan_to_num(lost), height=0.62, color=colours, edgecolor=INK, linewidth=0.6)
    for bar, never_back in zip(bars, table["never_back"], strict=True):
        if never_back:
            bar.set_hatch("///")
    ax.scatter(units, places, marker="D", s=46, color="white", edgecolor=INK, linewidth=1.4, zorder=3)
    known = np.isfinite(failures)
    ax.scatter(failures[known], places[known], marker="o", s=40, color=WORKING, edgecolor="white", zorder=3)
    top = max(np.nanmax([np.nan_to_num(lost), units, np.nan_to_num(failures)]), 1.0)
    for place in range(len(table)):
        right = np.nanmax([lost[place], units[place], failures[place]])
        count = int(table["units"][place])
        words = f"{count} unit{'' if count == 1 else 's'}, {table['lost_days'][place]:,.0f} {result.unit}"
        ax.text(right + 0.025 * top, place, words, va="center", fontsize=10, color=INK)
    ax.set_yticks(places, [figure_text(mechanism_words(end), width=26) for end in table["end"]])
    ax.set(ylim=(len(table) - 0.4, -0.6), xlim=(0, 1.3 * top), xlabel=ENDS_KEY)
    ax.grid(visible=False, axis="y")
    ax.tick_params(axis="y", length=0)
    headings(ax, title, subtitle)


def draw_evidence(result: Any, ax: "Axes", *, title: str = "", subtitle: str = "") -> None:
    """Draw in how many units of each mechanism each sign was seen, the signs that differ most between mechanisms."""
    import seaborn

    seen, checked = (
        result.table.pivot(index="sign", columns="group", values=name)
        .reindex(index=list(result.signs), columns=list(result.groups))
        .fillna(0)
        for name in ("seen", "checked")
    )
    share = seen / checked.where(checked > 0)
    spread = (share.max(axis=1) - share.min(axis=1)).fillna(0.0)
    kept = [sign for sign in spread.sort_values(ascending=False, kind="stable").index if spread[sign] > 0][:MOST_SIGNS]
    groups = list(result.groups)[: MOST_GROUPS - 1] + list(result.groups)[MOST_GROUPS - 1 :][-1:]
    share, seen, checked = (frame.loc[kept or list(result.signs)[:1], groups] for frame in (share, seen, checked))
    words = [
        [f"{s:.0f} of {c:.0f}" if c else "" for s, c in zip(ss, cs, strict=True)]
        for ss, cs in zip(seen.to_numpy(), checked.to_numpy(), strict=True)
    ]
    seaborn.heatmap(
        share.fillna(0.0), ax=ax, mask=share.isna().to_numpy(), annot=np.array(words), fmt="", cbar=False,
        linewidths=2, linecolor="white", cmap=seaborn.light_palette(FAILED, as_cmap=True), vmin=0.0, vmax=1.0,
    )  # fmt: skip
    units = dict(zip(result.groups, result.units, strict=True))
    names = [f"{figure_text(mechanism_words(name), width=12, lines=3)}\n({units[name]})" for name in groups]
    ax.set_xticklabels(names, rotation=0)
    ax.set_yticklabels([figure_text(mechanism_words(s), width=22, lines=2) for s in share.index], rotation=0)
    ax.set(xlabel="", ylabel="")
    ax.xaxis.tick_top()
    ax.tick_params(length=0)
    left_out = len(result.signs) - len(share)
    more = f"seen in, of those looked at; {left_out} signs that differ less are left out" if left_out > 0 else ""
    ax.set_xlabel(figure_text(f"{title} {subtitle}".strip() or more or "seen in, of those looked at", width=90))
