"""Panel: pick what to compare by; curves or a ranking, a table, a sentence and the line of code for it follow."""

import html
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_columns, check_positive
from workbench.errors import EstimateError, WorkbenchError
from workbench.estimate.curves import survival_curve
from workbench.estimate.rank_tests import compare_groups
from workbench.lives import Lives
from workbench.notebook.publishing import publish
from workbench.notebook.season_folder import OpenedSeason
from workbench.notebook.showing import mimebundle, picture_of
from workbench.ranking.choices import rank_choices
from workbench.report.figures import level_words
from workbench.results import Result
from workbench.wording import count_of, days_text, interval_text, join_words, p_text, percent_text, points_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PanelState", "PanelView", "explore", "view_of"]

WIDE = "max-width:46em;width:100%"
QUICK_RESAMPLES = 200
"""Replicates behind the limits of the panel; the ranking notebook takes 1,000."""


@dataclass(frozen=True, kw_only=True)
class PanelState:
    """What is picked: what to compare by, within what, the mission, the mechanisms that count, and raw or adjusted."""

    by: str
    within: str = ""
    mission: float = 180.0
    causes: tuple[str, ...] = ()
    adjusted: bool = False


@dataclass(frozen=True, kw_only=True)
class PanelView:
    """What a state shows: one sentence, a result to draw, a table, and the line of code that makes the result."""

    sentence: str
    code: str
    result: Result | None = None
    table: "pd.DataFrame | None" = None


def view_of(season: OpenedSeason, state: PanelState) -> PanelView:
    """Compute what a state of the panel shows."""
    check_columns([state.by, *([state.within] if state.within else [])], season.lives.covariates.columns, "covariate")
    check_positive("mission", state.mission)
    chosen = f"season.lives.for_causes({list(state.causes)!r})" if state.causes else "season.lives"
    try:
        lives = season.lives.for_causes(state.causes) if state.causes else season.lives
        return _adjusted(season, lives, state, chosen=chosen) if state.adjusted else _raw(lives, state, chosen)
    except WorkbenchError as error:
        return PanelView(sentence=f"This cannot be answered: {error}.", code=f"# {chosen}, by {state.by}")


def _raw(lives: Lives, state: PanelState, chosen: str) -> PanelView:
    curve = survival_curve(lives, state.by)
    table = curve.at([state.mission])
    known = table.dropna(subset=["survival"]).sort_values("survival", ascending=False)
    code = f"workbench.survival_curve({chosen}, {state.by!r})"
    if known.empty:
        sentence = f"No {level_words(state.by)} was observed for {days_text(state.mission, lives.unit)}."
        return PanelView(sentence=sentence, code=code, result=curve, table=table)
    best = known.iloc[0]
    limits = interval_text(percent_text(best["lower"]), percent_text(best["upper"]))
    sentence = (
        f"Not adjusted: of the units with {_named(state.by, best['group'])} {percent_text(best['survival'])} "
        f"{_lasting(lives, state)} ({limits}), the highest of {count_of(len(table), 'level')}; {_chance(lives, state)}."
    )
    return PanelView(sentence=sentence, code=code, result=curve, table=table)


def _named(by: str, level: str) -> str:
    return f"{level_words(by)} {level_words(level)}"


def _lasting(lives: Lives, state: PanelState) -> str:
    """What a share outlived; with some mechanisms only, units are said not to be lost to them, never to have lasted."""
    days = days_text(state.mission, lives.unit)
    if not state.causes:
        return f"lasted {days}"
    return f"were not lost to {join_words([level_words(c) for c in state.causes])} within {days}"


def _chance(lives: Lives, state: PanelState) -> str:
    try:
        test = compare_groups(lives, state.by, within=state.within or None)
    except EstimateError as error:
        return f"no test: {error}"
    where = f", compared within each {level_words(state.within)}" if state.within else ""
    return f"{p_text(test.p_value)} for no difference at all{where}"


def _adjusted(season: OpenedSeason, lives: Lives, state: PanelState, *, chosen: str) -> PanelView:
    adjust = [name for name in season.exposures if name != state.by]
    reference = {k: v for k, v in season.question.reference.items() if k == state.by}
    ranking = rank_choices(
        lives,
        [state.by],
        adjust=adjust,
        mission=state.mission,
        resamples=QUICK_RESAMPLES,
        reference=reference,
        # whoever uses the panel looks at every choice, so all of them count in the correction
        tried=[*season.choices, state.by],
    )
    code = (
        f"workbench.rank_choices({chosen}, [{state.by!r}], adjust={adjust!r}, mission={state.mission:g}, "
        f"resamples={QUICK_RESAMPLES}, reference={reference!r}, tried=season.choices)"
    )
    table = ranking.table[
        ["level", "units", "failures", "mission_survival", "survival_gain", "lower", "upper", "grade"]
    ]
    others = ranking.table[np.isfinite(ranking.table["lower"])]
    if others.empty:
        return PanelView(sentence="No level can be set against another.", code=code, result=ranking, table=table)
    best = others.sort_values("survival_gain").iloc[-1]
    limits = f"{points_text(best['lower'])} to {points_text(best['upper'])}"
    sentence = (
        f"With places held equal, {_named(state.by, best['level'])} goes with {points_text(best['survival_gain'])} in "
        f"the share of units that {_lasting(lives, state)}, against {level_words(best['reference'])} ({limits}): "
        f"{best['grade']}."
    )
    return PanelView(sentence=sentence, code=code, result=ranking, table=table)


def explore(season: OpenedSeason, *, by: str = "lid_seal") -> None:
    """Show the panel: controls with labels, reachable by keyboard, and the view that follows them.

    Without a running front end for controls the first answer stands as sentence and table.
    """
    first = view_of(season, PanelState(by=by, mission=float(season.mission)))
    data, metadata = mimebundle(first.result, name="Panel", table=first.table, sentences=[first.sentence])
    controls = _controls(season, by)._repr_mimebundle_() or {}
    publish({**controls, **data}, metadata)


def _controls(season: OpenedSeason, by: str) -> Any:
    import ipywidgets as widgets

    columns = list(dict.fromkeys([by, *season.choices, "environment", "site", "batch"]))
    columns = [c for c in columns if c in season.lives.covariates]
    wide = {"style": {"description_width": "11em"}, "layout": widgets.Layout(width="26em")}
    pick_by = widgets.Dropdown(options=_options(columns), value=by, description="Compare by", **wide)
    pick_within = widgets.Dropdown(
        options=[("(nothing)", ""), *_options([c for c in columns if c != by])], value="", description="Within", **wide
    )
    mission = widgets.BoundedIntText(value=int(season.mission), min=1, max=3650, description="Mission, days", **wide)
    causes = widgets.SelectMultiple(options=_causes(season.lives), description="Mechanisms", rows=4, **wide)
    adjusted = widgets.Checkbox(value=False, description="hold places equal (adjusted)", indent=False)
    sentence, picture = widgets.HTML(), widgets.HTML()
    code = widgets.Text(description="As code", layout={"width": "98%"})

    def refresh(_: Any = None) -> None:
        state = PanelState(
            by=pick_by.value,
            within=pick_within.value,
            mission=float(mission.value),
            causes=tuple(causes.value),
            adjusted=adjusted.value,
        )
        view = view_of(season, state)
        code.value = view.code
        sentence.value, picture.value = _html(view)

    for control in (pick_by, pick_within, mission, causes, adjusted):
        control.observe(refresh, names="value")
    refresh()
    picks = widgets.HBox([widgets.VBox([pick_by, pick_within]), widgets.VBox([mission, adjusted]), causes])
    return widgets.VBox([picks, sentence, picture, code])


def _options(columns: Sequence[str]) -> list[tuple[str, str]]:
    return [(level_words(c), c) for c in columns]


def _causes(lives: Lives) -> list[str]:
    return sorted({str(c) for c in lives.cause if c}) if lives.cause is not None else []


def _html(view: PanelView) -> tuple[str, str]:
    """Sentence, and picture with table, as escaped HTML."""
    shown = f'<p style="font-size:115%" role="status" aria-live="polite">{html.escape(view.sentence)}</p>'
    if view.result is None:
        return shown, ""
    parts = []
    picture = picture_of(view.result)
    if picture:
        words = html.escape(view.sentence, quote=True)
        parts.append(f'<img style="{WIDE}" alt="{words}" src="data:image/png;base64,{picture}">')
    parts.append(mimebundle(view.result, table=view.table)[0]["text/html"])
    return shown, "\n".join(parts)
