"""Curves: share of units still working by age, with bands, labels at line ends and the numbers at risk."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from workbench.report.figures.labels import EndLabel, headings, label_ends, risk_strip
from workbench.report.figures.palette import INK, LOST, MUTED, RULE
from workbench.report.figures.style import LevelLook, figure_text, level_words, looks_of, small_multiples
from workbench.wording import p_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["draw_comparison", "draw_curve", "draw_restricted_means", "step_points"]

FEW_GROUPS = 4
"""Up to this many groups get bands; beyond it bands hide the lines, and the limits stand in the table only."""

MOST_LINES = 6
"""Groups that can share one picture; more are drawn as small multiples."""

FEW_WATCHED, FEW_SHARE = 10, 0.1
"""Units, and share of those at the start, that must be under watch for a curve to be drawn on."""
GRID = 91
"""Days on which it is looked up how many are under watch."""

LIMIT_DAYS = 46
"""Days between which limits of a curve of very many rows are drawn straight."""


def step_points(frame: pd.DataFrame, column: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the corners of one group's curve as points to join by straight lines.

    Examples
    --------
    >>> x, y = step_points(pd.DataFrame({"time": [2.0, 5.0], "survival": [0.5, 0.25]}), "survival")
    >>> x.tolist(), y.tolist()
    ([0.0, 2.0, 2.0, 5.0, 5.0], [1.0, 1.0, 0.5, 0.5, 0.25])
    """
    known = frame[np.isfinite(frame[column].to_numpy(dtype=float))]
    values = known[column].to_numpy(dtype=float)
    end = known["to" if "to" in known else "time"].to_numpy(dtype=float)
    start = known["from"].to_numpy(dtype=float) if "from" in known else end
    before = np.concatenate([[1.0], values])[: len(values)]
    x, y = np.column_stack([start, end]).ravel(), np.column_stack([before, values]).ravel()
    shown = np.isfinite(x)  # an open span has no end to draw to
    return np.concatenate([[0.0], x[shown]]), np.concatenate([[1.0], y[shown]])


def _drawn_rows(result: Any, longest: float | None) -> pd.DataFrame:
    """Rows of a curve with the span of each fall, `since` that of its limits; an open last span ends where it begins.

    Of a curve of very many rows limits are drawn straight between some days.
    """
    if "to" not in result.columns:
        table, began = result.table, getattr(result, "began", None)
        start = table["time"] if began is None else began
        return table.assign(**{"from": start, "since": start, "to": table["time"]})
    end = result.columns["to"]
    far = longest or float(end[np.isfinite(end)].max(initial=0.0))
    days = np.linspace(0.0, far, LIMIT_DAYS if len(result.labels) <= FEW_GROUPS else LIMIT_DAYS // 2)
    lower, upper = result.limits.spread(end, days)
    since = result.columns["from"].copy()
    for g in range(len(result.labels)):
        first = int(result.bounds[g])
        given = first + np.flatnonzero(np.isfinite(lower[first : int(result.bounds[g + 1])]))
        if result.limits.many(g):
            since[given[1:]] = end[given[:-1]]
    others = {name: result.columns[name] for name in result.columns if name not in ("lower", "upper")}
    table = pd.DataFrame({**others, "lower": lower, "upper": upper, "since": since})
    for row in np.flatnonzero(np.isinf(table["to"])):
        at = result.at(table["from"][row])
        there = at[at["group"] == table["group"][row]].iloc[0]
        table.loc[row, ["survival", "lower", "upper"]] = [there[c] for c in ("survival", "lower", "upper")]
        table.loc[row, "to"] = table["from"][row]
    return table


def draw_curve(
    result: Any,
    ax: "Axes",
    *,
    title: str = "",
    subtitle: str | None = None,
    mission: float | None = None,
    labels: Mapping[str, str] | None = None,
    bracket: tuple[float, float] | None = None,
) -> None:
    """Draw survival curves by group up to the mission while enough are watched; `bracket` spans two shares there."""
    table, unit = _drawn_rows(result, mission), result.unit
    groups = list(dict.fromkeys(table["group"]))
    looks = looks_of(groups)
    longest = mission or _last_day(table) or 1.0
    if len(groups) > MOST_LINES:
        _draw_apart(result, ax, table, longest=longest, labels=labels or {})
        headings(ax, title, _counts_line(table) if subtitle is None else subtitle)
        return
    bands = len(groups) <= FEW_GROUPS
    at_start = result.at(0.0, limits=False)
    unwatched = set(at_start.loc[at_start["survival"].isna(), "group"])
    known = [group for group in groups if group not in unwatched]
    last = _watched_to(result, longest)
    watched = {group: last[group] for group in known}
    spells = {group: _open_spell(result, group, longest) for group in known}
    watched |= {group: max(watched[group], spell.days[-1]) for group, spell in spells.items() if spell is not None}
    ends = [
        _draw_group(ax, table[table["group"] == g], looks[g], end=watched[g], bands=bands, spell=spells[g])
        for g in known
    ]
    ax.set(xlim=(0, (1.005 if bracket is None else 1.04) * longest), ylim=(0, 103))
    ax.set_xlabel(f"{unit} since deployment")
    ax.set_ylabel("still working (%)")
    ticks = _day_ticks(longest)
    ax.set_xticks(ticks)
    if mission is not None:
        ax.axvline(mission, color=MUTED, linewidth=1.2, linestyle=(0, (2, 2)), zorder=1)
    if bracket is not None:
        _bracket(ax, longest, bracket)
    shown = {g: (labels or {}).get(g, level_words(g)) for g in groups}
    if len(groups) > 1:
        below = 0.25 + 0.21 * (len(groups) + 1)
        places = zip(known, ends, strict=True)
        named = {g: f"{shown[g]}{_limits_of(spells[g])}" for g in known}
        label_ends(ax, [EndLabel(x, y, named[g], looks[g].colour) for g, (x, y) in places], below=below)
    is_open = any(s is not None and np.ptp(s.days) > LEAST_SPELL * longest for s in spells.values())
    words = _said_below(watched, longest, [shown[g] for g in groups if g in unwatched], is_open=is_open)
    if words:
        ax.annotate(words, (0.01, 0.02), xycoords="axes fraction", va="bottom", fontsize=9.5, color=MUTED)
    counts, heading = _numbers_at_risk(result, groups, ticks, unit=unit)
    risk_strip(
        ax,
        ticks,
        {shown[g]: counts[g] for g in groups},
        colours={shown[g]: looks[g].colour for g in groups},
        heading=heading,
    )
    headings(ax, title, _counts_line(table) if subtitle is None else subtitle)


def _draw_apart(result: Any, ax: "Axes", table: pd.DataFrame, *, longest: float, labels: Mapping[str, str]) -> None:
    """Draw each group in small axes of its own, the others behind it in grey."""
    groups = list(dict.fromkeys(table["group"]))
    rows = {group: table[table["group"] == group] for group in groups}
    ends = _watched_to(result, longest)
    lines = {group: _cut(*step_points(rows[group], "survival"), ends[group]) for group in groups}
    look = looks_of(["one"])["one"]
    shown = [labels.get(group, level_words(group)) for group in groups]
    for panel, group in zip(small_multiples(ax, shown), groups, strict=True):
        for other in groups:
            if other != group:
                panel.plot(lines[other][0], 100 * lines[other][1], color=RULE, linewidth=1.0, zorder=1)
        if np.isfinite(rows[group]["survival"].to_numpy(dtype=float)).any():
            spell = _open_spell(result, group, longest)
            _draw_group(panel, rows[group], look, end=ends[group], bands=True, spell=spell)
        panel.set(xlim=(0, longest), ylim=(0, 103), xticks=[0, longest / 2, longest], yticks=[0, 50, 100])
    ax.set_xlabel(f"{result.unit} since deployment")
    ax.set_ylabel("still working (%)")


def _watched_to(result: Any, longest: float) -> dict[str, float]:
    """The last day on which each group has ten units (half of a group under twenty) and a tenth of them under watch."""
    days = np.linspace(0.0, longest, GRID)
    at = result.at(days, limits=False)
    watched = np.nan_to_num(at["at_risk" if "at_risk" in at else "known_working"].to_numpy(dtype=float))
    last = {}
    for group in dict.fromkeys(at["group"]):
        counts = watched[(at["group"] == group).to_numpy()]
        start = counts.max(initial=0.0)
        enough = counts >= max(FEW_SHARE * start, min(FEW_WATCHED, 0.5 * start))
        last[str(group)] = float(days[np.flatnonzero(enough)[-1]]) if enough.any() else 0.0
    return last


LEAST_SPELL = 0.03
"""Share of the figure's days under which an open spell is too narrow to be seen, and so is not explained."""


@dataclass(frozen=True, eq=False)
class _OpenSpell:
    """Days on which units may have failed while none is known to have, with the limits of the share still working.

    `is_over`: whether the figure goes on to the day by which one is known to have. Shapes: days, lower, upper (m,).
    """

    days: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    is_over: bool


def _open_spell(result: Any, group: str, longest: float) -> _OpenSpell | None:
    """The spell of a group up to the end of the figure; None where the curve shows what is known throughout."""
    start, end = result.none_known(group)
    if start >= longest:
        return None
    days = np.linspace(start, min(end, longest), GRID)
    at = result.at(np.minimum(days, np.nextafter(end, start)))
    own = at[at["group"] == group]
    lower, upper = (own[name].to_numpy(dtype=float) for name in ("lower", "upper"))
    return _OpenSpell(days, lower, upper, is_over=end <= longest)


def _limits_of(spell: _OpenSpell | None) -> str:
    """What stands beside a group's name where the figure ends in its open spell."""
    if spell is None or spell.is_over:
        return ""
    return f": {100 * spell.lower[-1]:.0f} to {100 * spell.upper[-1]:.0f} %"


def _said_below(watched: Mapping[str, float], longest: float, unwatched: list[str], *, is_open: bool) -> str:
    lines = []
    if is_open:
        lines.append("shaded, no line: units may have failed,\nnone is known to have (dotted: lower limit)")
    if unwatched:
        lines.append(figure_text(f"no curve for {', '.join(unwatched)}: not watched from day 0"))
    if any(day < 0.98 * longest for day in watched.values()):
        lines.append("a line ends where fewer than 10, or 10 %, were still watched")
    return "\n".join(lines)


def _bracket(ax: "Axes", day: float, ends: tuple[float, float]) -> None:
    """A bracket at the mission between the shares if all missing units failed, or all worked on."""
    low, high = (100 * v for v in ends)
    x = 1.022 * day
    ax.plot([x, x], [low, high], color=LOST, linewidth=4.0, solid_capstyle="butt", zorder=5)
    words = f"the missing\ncould make it\n{low:.0f} to {high:.0f} %"
    ax.annotate(
        words, (x, (low + high) / 2), xytext=(12, 0), textcoords="offset points", va="center", annotation_clip=False
    )


def _last_day(table: pd.DataFrame) -> float:
    values = table[["from", "to"]].to_numpy(dtype=float)
    return float(values[np.isfinite(values)].max(initial=0.0))


def _draw_group(
    ax: "Axes", rows: pd.DataFrame, look: LevelLook, *, end: float, bands: bool, spell: _OpenSpell | None = None
) -> tuple[float, float]:
    x, y = _cut(*step_points(rows, "survival"), end)
    if spell is not None:
        low, high = 100 * spell.lower, 100 * spell.upper
        ax.fill_between(spell.days, low, high, color=look.colour, alpha=0.13, linewidth=0, step="pre")
        ax.plot(spell.days, low, color=look.colour, linestyle=":", linewidth=1.4, zorder=3, drawstyle="steps-pre")
        seen, after = _cut(x, y, spell.days[0]), x >= spell.days[-1]
        ax.plot(seen[0], 100 * seen[1], color=look.colour, linestyle=look.line, zorder=3)
        if not spell.is_over:
            return float(spell.days[-1]), float(low[-1])
        x, y = x[after], y[after]
    if bands:
        for_band = rows[np.isfinite(rows["lower"].to_numpy(dtype=float)) & np.isfinite(rows["upper"].to_numpy(float))]
        if spell is not None:  # until then its own band stands
            for_band = for_band[for_band["from"] >= spell.days[-1]]
        for_band = for_band.assign(**{"from": for_band["since"]})
        low_x, low = _cut(*step_points(for_band, "lower"), end)
        high_x, high = _cut(*step_points(for_band, "upper"), end)
        # before the first row the curve is 1 and the band starts at the first day on which something is known
        if len(low_x) == len(high_x):
            ax.fill_between(low_x[1:], 100 * low[1:], 100 * high[1:], color=look.colour, alpha=0.13, linewidth=0)
    ax.plot(x, 100 * y, color=look.colour, linestyle=look.line, solid_joinstyle="miter", zorder=3)
    if "censored" in rows:
        left = rows[
            (rows["censored"] > 0) & np.isfinite(rows["survival"].to_numpy(dtype=float)) & (rows["time"] <= end)
        ]
        ax.plot(
            left["time"], 100 * left["survival"], linestyle="", marker="|", markersize=7, color=look.colour, zorder=3
        )
    spots = np.linspace(0, len(x) - 1, 5).round().astype(int)[1:]
    ax.plot(x[spots], 100 * y[spots], linestyle="", marker=look.marker, markersize=6, color=look.colour, zorder=4)
    return float(x[-1]), float(100 * y[-1])


def _cut(x: np.ndarray, y: np.ndarray, end: float) -> tuple[np.ndarray, np.ndarray]:
    """The part of a drawn line up to a day, with its height there; a line that ends sooner goes on level.

    Shapes: x, y (n,).
    """
    last = int(np.searchsorted(x, end, side="right")) - 1
    if last + 1 < len(x) and x[last + 1] > x[last]:
        share = (end - x[last]) / (x[last + 1] - x[last])
        height = y[last] + share * (y[last + 1] - y[last])
    else:
        height = y[last]
    return np.append(x[: last + 1], end), np.append(y[: last + 1], height)


def _day_ticks(longest: float) -> list[float]:
    steps = (1, 2, 5, 10, 20, 30, 60, 90, 120, 180, 365, 730)
    step = next((s for s in steps if longest / s <= 8), 10 ** np.ceil(np.log10(longest / 8)))
    return [float(v) for v in np.arange(0, longest + 1e-9, step)]


def _numbers_at_risk(
    result: Any, groups: list[str], ticks: list[float], *, unit: str
) -> tuple[dict[str, list[str]], str]:
    at = result.at(ticks, limits=False)
    known = "at_risk" if "at_risk" in at else "known_working"
    counts: dict[str, list[str]] = {}
    for group in groups:
        numbers = at.loc[at["group"] == group, known].to_numpy(dtype=float)
        counts[group] = ["" if not np.isfinite(n) else f"{n:.0f}" for n in numbers]
    kind = getattr(result, "kind", "product-limit")
    if kind == "npmle":
        return counts, f"Known to be working on the {unit.rstrip('s')}"
    return counts, f"At risk at the start of the {unit.rstrip('s')}"


def _counts_line(table: pd.DataFrame) -> str:
    if "failures" not in table:
        return ""
    failures = int(table["failures"].sum())
    units = int(table["failures"].sum() + table["censored"].sum())
    return f"{units:,} watched, {failures:,} failed; ticks: those that left unfailed; bands: limits"


def draw_comparison(
    result: Any, ax: "Axes", *, title: str = "", subtitle: str = "", labels: Mapping[str, str] | None = None
) -> None:
    """Draw failures seen beside failures expected if all groups were alike."""
    table = result.table
    looks = looks_of(list(table["group"]))
    places = np.arange(len(table))
    seen, expected = table["failures"].to_numpy(dtype=float), table["expected"].to_numpy(dtype=float)
    ax.hlines(places, expected, seen, color=MUTED, linewidth=1.4)
    ax.plot(expected, places, linestyle="", marker="|", markersize=18, color=INK)
    for place, group in enumerate(table["group"]):
        look = looks[group]
        ax.plot(seen[place], place, marker=look.marker, markersize=10, color=look.colour, zorder=3)
    names = [(labels or {}).get(g, level_words(g)) for g in table["group"]]
    units = table["units"].to_numpy(dtype=float)
    ax.set_yticks(places, [f"{figure_text(n)}\n{u:.0f} units" for n, u in zip(names, units, strict=True)])
    ax.set_ylim(len(table) - 0.5, -0.5)
    ax.set_xlim(left=min(0.0, float(np.nanmin(np.concatenate([seen, expected])))))
    ax.set_xlabel("failures (units): seen (symbol), expected if all were alike (bar)")
    ax.grid(visible=False, axis="y")
    headings(ax, title, subtitle or f"test over all groups: {p_text(result.p_value)}")


def draw_restricted_means(
    result: Any,
    ax: "Axes",
    *,
    title: str = "",
    subtitle: str = "",
    labels: Mapping[str, str] | None = None,
    unit: str = "days",
    limits_only: Sequence[str] = (),
) -> None:
    """Draw the mean working days up to the horizon by group, with limits; some groups have nothing but limits."""
    table = result.table
    groups = list(table["group"])
    looks = looks_of(groups)
    for place, row in enumerate(table.itertuples(index=False)):
        look = looks[row.group]
        if not np.isfinite(row.restricted_mean):
            ax.annotate("not known", (0.02, place), xycoords=("axes fraction", "data"), va="center", color=MUTED)
            continue
        ax.hlines(place, row.lower, row.upper, color=look.colour, linewidth=2.4, linestyle=look.line)
        if row.group not in limits_only:
            ax.plot(row.restricted_mean, place, marker=look.marker, markersize=9, color=look.colour, zorder=3)
    ax.set_yticks(range(len(groups)), [figure_text((labels or {}).get(g, level_words(g))) for g in groups])
    ax.set_ylim(len(groups) - 0.5, -0.5)
    ax.set_xlabel(f"mean working time up to the horizon ({unit}), with limits")
    ax.grid(visible=False, axis="y")
    headings(ax, title, subtitle)
