"""Ranking panel: pick a choice; see its gains raw, within places and all held equal, and the sites that carry them."""

import base64
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from workbench.notebook.page import panel_page
from workbench.notebook.private import recalled, remember
from workbench.notebook.publishing import publish
from workbench.notebook.season_folder import OpenedSeason
from workbench.notebook.showing import mimebundle
from workbench.ranking.choices import Ranking
from workbench.report.figures import INK, MUTED, figure_png, new_axes, theme
from workbench.report.words import shown_name
from workbench.wording import NOT_KNOWN, points_text, signed_points

__all__ = ["explore_ranking", "gain_steps", "sites_of_gain"]

REMEMBERED = ".ranking_panel.json"
"""Where the choice that was picked last is kept, beside the notebook."""
STEPS = {"raw_gain": "raw", "raw_gain_within": "within places", "survival_gain": "all held equal"}
LOOKS = {"raw_gain": ("o", "white"), "raw_gain_within": ("o", MUTED), "survival_gain": ("D", INK)}
"""Columns of the ranking, as the three steps are called, and how their dots look."""


def gain_steps(season: OpenedSeason, ranking: Ranking, choice: str) -> pd.DataFrame:
    """Return each level's gain over the reference in three steps, with limits of the last."""
    rows = ranking.of(choice)
    rows = rows[rows["level"] != rows["reference"]]
    names = [
        f"{season.data.label(choice, r.level)} over {season.data.label(choice, r.reference)}" for r in rows.itertuples()
    ]
    return rows.assign(comparison=names)[["comparison", *STEPS, "lower", "upper", "grade"]].reset_index(drop=True)


def sites_of_gain(season: OpenedSeason, ranking: Ranking, choice: str) -> pd.DataFrame:
    """Return failed and all units of each level by site, sites where levels differ most first."""
    overlap = ranking.overlap.table
    overlap = overlap[(overlap["choice"] == choice) & (overlap["place"] == "site")]
    if overlap.empty:
        return pd.DataFrame()
    units, failed = (overlap.pivot(index="value", columns="level", values=name) for name in ("units", "failures"))
    levels = [level for level in ranking.of(choice)["level"] if level in units.columns]
    share = (failed[levels] / units[levels]).where(units[levels] > 0)
    # a difference of shares counts by the units that can show it
    weight = units[levels].min(axis=1)
    order = (
        ((share.max(axis=1) - share.min(axis=1)).fillna(0.0) * weight).sort_values(ascending=False, kind="stable").index
    )
    columns = {
        season.data.label(choice, level): [f"{failed[level][site]} of {units[level][site]}" for site in order]
        for level in levels
    }
    return pd.DataFrame({"failed of units, by site": list(order), **columns})


def explore_ranking(season: OpenedSeason) -> None:
    """Show the ranking panel, the controls as they were left; without a front end for them, the season's own choice."""
    ranking = season.data.ranking
    if ranking is None:
        publish(*mimebundle(sentences=[f"Nothing could be ranked: {season.data.no_ranking}."]))
        return
    first = season.choice if season.choice in ranking.choices else ranking.choices[0]
    steps = gain_steps(season, ranking, first)
    data, metadata = mimebundle(name="Gains in three steps", table=_shown_steps(steps), sentences=[_sentence(steps)])
    left = str(recalled(Path(REMEMBERED)).get("choice", ""))
    controls = _controls(season, ranking, left if left in ranking.choices else first)._repr_mimebundle_() or {}
    publish({**controls, **data, "text/html": _page(season, ranking, first, hint=True)}, metadata)


def _controls(season: OpenedSeason, ranking: Ranking, first: str) -> Any:
    import ipywidgets as widgets

    options = [(shown_name(choice), choice) for choice in dict.fromkeys(ranking.columns["choice"])]
    pick = widgets.Dropdown(
        options=options, value=first, description="Choice", style={"description_width": "6em"}, layout={"width": "24em"}
    )
    view = widgets.HTML()

    def refresh(change: Any = None) -> None:
        view.value = _page(season, ranking, pick.value)
        if change is not None:
            remember(Path(REMEMBERED), {"choice": pick.value})

    pick.observe(refresh, names="value")
    refresh()
    return widgets.VBox([pick, view])


def _page(season: OpenedSeason, ranking: Ranking, choice: str, *, hint: bool = False) -> str:
    steps, sites = gain_steps(season, ranking, choice), sites_of_gain(season, ranking, choice)
    sentence = _sentence(steps)
    picture = base64.b64encode(_drawn(steps, season.data.mission_text)).decode("ascii")
    frames = [_shown_steps(steps), *([] if sites.empty else [sites])]
    return panel_page(sentence=sentence, picture=picture, alt=sentence, frames=frames, hint=hint)


def _sentence(steps: pd.DataFrame) -> str:
    known = steps.dropna(subset=["survival_gain"])
    if known.empty:
        return "No gain is known: a level was not observed up to the mission."
    row = known.loc[known["survival_gain"].abs().idxmax()]
    told = [
        f"{words} {points_text(row[name]) if np.isfinite(row[name]) else NOT_KNOWN}" for name, words in STEPS.items()
    ]
    return f"{row['comparison']}: {', '.join(told)}; {row['grade']}."


def _shown_steps(steps: pd.DataFrame) -> pd.DataFrame:
    told = {words: [_points(value) for value in steps[name]] for name, words in STEPS.items()}
    ends = [
        f"{_points(low)} to {_points(up)}" if np.isfinite(low) else "–"
        for low, up in zip(steps["lower"], steps["upper"], strict=True)
    ]
    return pd.DataFrame(
        {"points lasting the mission": steps["comparison"], **told, "limits": ends, "grade": steps["grade"]}
    )


def _points(gain: float) -> str:
    return signed_points(gain) if np.isfinite(gain) else "–"


def _drawn(steps: pd.DataFrame, mission: str) -> bytes:
    """Three dots for each comparison, a bar for the limits of the last."""
    with theme():
        ax = new_axes(9.0, 1.6 + 0.75 * len(steps))
        ax.axvline(0.0, color=MUTED, linewidth=1.0)
        for place, row in enumerate(steps.itertuples()):
            values = [100 * getattr(row, name) for name in STEPS]
            ax.plot(values, [place - 0.22, place, place + 0.22], color=MUTED, linewidth=1.0, zorder=1)
            if np.isfinite(row.lower):
                ax.hlines(place + 0.22, 100 * row.lower, 100 * row.upper, color=INK, linewidth=1.8)
            for value, offset, name in zip(values, (-0.22, 0.0, 0.22), STEPS, strict=True):
                marker, face = LOOKS[name]
                ax.plot(value, place + offset, marker, color=face, markeredgecolor=INK, markersize=8, zorder=3)
                if place == 0 and np.isfinite(value):
                    ax.annotate(
                        STEPS[name], (value, place + offset), xytext=(5, 6), textcoords="offset points", va="bottom"
                    )
        ax.set_yticks(range(len(steps)), list(steps["comparison"]))
        ax.set(ylim=(len(steps) - 0.4, -0.6), xlabel=f"points more of the units lasting {mission}")
        ax.grid(visible=False, axis="y")
        return figure_png(ax.figure.get_figure(root=True), dpi=110)
