"""Ranking figures: gains as dots with limits and grades in words, raw beside adjusted, and where each level stood."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from workbench.checks import check_columns, check_one_of
from workbench.report.figures.labels import headings
from workbench.report.figures.palette import FAILED, INK, MUTED
from workbench.report.figures.style import figure_text, level_words
from workbench.wording import Grade, days_text, points_text, signed_points

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from workbench.ranking.checks import Overlap
    from workbench.ranking.choices import Ranking, TippingPoint

__all__ = ["draw_overlap", "draw_ranking", "draw_tipping"]

MOST_ROWS = 16
"""Comparisons in one picture; more would be too small to read on a wall."""
LOOKS = {
    Grade.CLEAR: ("o", INK, INK),
    Grade.LIKELY: ("D", INK, "white"),
    Grade.UNCLEAR: ("o", MUTED, "#d5dade"),
    Grade.NOT_APART: ("X", MUTED, "white"),
}
"""Marker, edge and face of each grade; the grade stands in words beside it too."""

WITH_RAW = "points with raw"
"""The gains in points, with the raw difference of the curves beside each."""

SHADES = ("#f4f5f3", "#f0cfa0", "#d98a4a")
"""A gain that holds, one whose limits reach zero, and one whose sign turns."""

SCALES = {
    "points": ("survival_gain", "lower", "upper", 100.0),
    "days": ("days_gained", "days_lower", "days_upper", 1.0),
}

Labels = Mapping[tuple[str, str], str]


def draw_ranking(
    result: "Ranking",
    ax: "Axes",
    *,
    show: str = "points",
    choices: Sequence[str] = (),
    labels: Labels | None = None,
    most: int = MOST_ROWS,
    subtitle: str = "",
) -> None:
    """Draw every comparison as a dot with its limits, the gain and the grade in words at its right."""
    check_one_of("show", show, (*SCALES, WITH_RAW))
    raw, show = show == WITH_RAW, "points" if show == WITH_RAW else show
    table = result.table
    known = list(dict.fromkeys(table.choice))
    kept = check_columns(list(choices), known, "choice") or known
    rows = table[table.choice.isin(kept) & (table.level != table.reference)]
    left_out = max(0, len(rows) - most)
    rows = rows.iloc[:most]
    gain, lower, upper, scale = SCALES[show]
    ax.axvline(0.0, color=INK, linewidth=1.2)
    ends = []
    for place, row in enumerate(rows.itertuples()):
        values = [scale * getattr(row, name) for name in (gain, lower, upper)]
        marker, edge, face = LOOKS[row.grade]
        if np.isfinite(values).all():
            ax.hlines(place, values[1], values[2], color=edge, linewidth=2.0)
            ax.plot(values[0], place, marker, color=face, markeredgecolor=edge, markersize=9, zorder=3)
            ends += values[1:]
        if raw and np.isfinite(row.raw_gain):
            ax.plot(100 * row.raw_gain, place, "|", color=FAILED, markersize=15, markeredgewidth=2.6, zorder=4)
            ends.append(100 * row.raw_gain)
    names = [_row_name(row.choice, row.level, row.reference, labels=labels or {}) for row in rows.itertuples()]
    ax.set_yticks(range(len(rows)), [figure_text(name, width=44, lines=1) for name in names])
    low, high = min([0.0, *ends]), max([0.0, *ends])
    span = max(high - low, 1e-9)
    for place, row in enumerate(rows.itertuples()):
        words = _gain_words(scale * getattr(row, gain), show, result.unit, grade=row.grade)
        ax.annotate(words, (1.02, place), xycoords=("axes fraction", "data"), va="center", annotation_clip=False)
    ax.set(xlim=(low - 0.04 * span, high + 0.04 * span), ylim=(len(rows) - 0.4, -0.6))
    what = (
        "more of 100 that last the mission"
        if show == "points"
        else f"longer mean life up to the mission, {result.unit}"
    )
    ax.set_xlabel(what + ("   (red bar: raw difference of the curves)" if raw else ""))
    ax.grid(visible=False, axis="y")
    ax.tick_params(axis="y", length=0)
    more = f"{left_out} more comparisons not drawn" if left_out else ""
    headings(ax, "", "; ".join(filter(None, (subtitle, more))))


def _row_name(choice: str, level: str, reference: str, *, labels: Labels) -> str:
    shown = [labels.get((choice, v), level_words(v)) for v in (level, reference)]
    words = level_words(choice)
    known = any(words.casefold() in name.casefold() for name in shown)
    return " for ".join(shown) if known else f"{words}: {shown[0]} for {shown[1]}"


def _gain_words(value: float, show: str, unit: str, *, grade: str) -> str:
    words = points_text(value / 100) if show == "points" else days_text(value, unit, signed=True)
    return f"{words}, {grade}"


def draw_overlap(
    result: "Overlap",
    ax: "Axes",
    *,
    choice: str | None = None,
    place: str | None = None,
    labels: Labels | None = None,
    title: str = "",
    subtitle: str = "",
) -> None:
    """Draw where each level stood and how many failed there, coloured by the share that failed."""
    import seaborn

    table = result.table
    known = list(dict.fromkeys(table.choice))
    picked = check_columns(choice if choice is not None else known[:1], known, "choice")[0]
    table = table[table.choice == picked]
    places = list(dict.fromkeys(table.place))
    by = check_columns(place if place is not None else places[:1], places, "place")[0]
    table = table[table.place == by]
    levels, values = list(dict.fromkeys(table.level)), list(dict.fromkeys(table.value))
    units, failures = (
        table.pivot(index="level", columns="value", values=name).reindex(index=levels, columns=values).fillna(0.0)
        for name in ("units", "failures")
    )
    share = (failures / units.where(units > 0)).to_numpy(dtype=float)
    counts = [
        [f"{f:.0f}/{u:.0f}" if u else "" for f, u in zip(fs, us, strict=True)]
        for fs, us in zip(failures.to_numpy(), units.to_numpy(), strict=True)
    ]
    seaborn.heatmap(
        np.nan_to_num(share), ax=ax, mask=np.isnan(share), annot=np.array(counts), fmt="", cbar=False, linewidths=2,
        linecolor="white", cmap=seaborn.light_palette(FAILED, as_cmap=True), vmin=0.0,
        vmax=max(0.5, float(np.nan_to_num(share).max(initial=0.0))),
    )  # fmt: skip
    names = [figure_text((labels or {}).get((picked, v), level_words(v)), width=16) for v in levels]
    ax.set_yticklabels(names, rotation=0)
    turned = len(values) > 5
    ax.set_xticklabels(
        [figure_text(level_words(v), width=12, lines=3) for v in values],
        rotation=40 if turned else 0,
        ha="right" if turned else "center",
    )
    ax.set_xlabel("failed / put out; darker: a larger share failed; blank: never there")
    ax.set_ylabel("")
    ax.grid(visible=False)
    ax.tick_params(length=0)
    headings(ax, title, subtitle)


def draw_tipping(
    result: "TippingPoint",
    ax: "Axes",
    *,
    labels: Labels | None = None,
    title: str = "",
    subtitle: str = "",
) -> None:
    """Draw the gain for every pair of counts of missing units that had failed, shaded where it no longer holds."""
    from matplotlib.colors import ListedColormap

    from workbench.ranking.choices import HOLDS, TURNS

    c = result.columns
    across, down = (np.unique(c[name]) for name in ("failed_level", "failed_reference"))
    gains = np.asarray(c["survival_gain"], dtype=float).reshape(len(down), len(across))
    verdict = np.asarray(c["verdict"], dtype=str).reshape(len(down), len(across))
    shade = np.where(verdict == TURNS, 2, np.where(verdict == HOLDS, 0, 1))
    ax.pcolormesh(shade, cmap=ListedColormap(list(SHADES)), vmin=0, vmax=2, edgecolors="white", linewidth=2)
    for (row, column), gain in np.ndenumerate(gains):
        ax.text(column + 0.5, row + 0.5, signed_points(gain), ha="center", va="center", color=INK, fontsize=15)
    name, base = (
        figure_text((labels or {}).get((result.choice, v), level_words(v)), width=20)
        for v in (result.level, result.reference)
    )
    ax.set_xticks(np.arange(len(across)) + 0.5, [f"{k:g}" for k in across])
    ax.set_yticks(np.arange(len(down)) + 0.5, [f"{k:g}" for k in down])
    ax.set_xlabel(
        f"failed of {result.missing} missing with {name}. White: the gain holds; light: its limits reach zero; "
        "dark: its sign turns"
    )
    ax.set_ylabel(f"failed of {result.reference_missing} missing with {base}")
    ax.grid(visible=False)
    headings(ax, title, subtitle)
