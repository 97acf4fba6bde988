"""Panel: pick what to compare by; curves or a ranking, a table, a sentence and the line of code for it follow."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_columns, check_positive
from workbench.errors import EstimateError, WorkbenchError
from workbench.estimate.curves import survival_curve
from workbench.estimate.rank_tests import compare_groups
from workbench.lives import Lives
from workbench.notebook.page import panel_page
from workbench.notebook.private import recalled, remember
from workbench.notebook.publishing import publish
from workbench.notebook.season_folder import OpenedSeason
from workbench.notebook.showing import mimebundle, picture_of
from workbench.ranking.choices import rank_choices
from workbench.report.words import shown_name
from workbench.results import Result
from workbench.teardown.mechanisms import mechanism_words
from workbench.wording import count_of, days_text, interval_text, join_words, p_text, percent_text, points_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PanelState", "PanelView", "explore", "view_of"]

QUICK_RESAMPLES = 200
"""Replicates behind the limits of the panel; the ranking notebook takes 1,000."""
REMEMBERED = ".panel.json"
"""Where the last state is kept, beside the notebook."""


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
    """What a state shows: one sentence, a result to draw and how, a table, and the line of code that makes it."""

    sentence: str
    code: str
    result: Result | None = None
    table: "pd.DataFrame | None" = None
    options: Mapping[str, Any] = field(default_factory=dict)


def view_of(season: OpenedSeason, state: PanelState) -> PanelView:
    """Compute what a state of the panel shows."""
    check_columns([state.by, *([state.within] if state.within else [])], season.lives.covariates.columns, "covariate")
    check_positive("mission", state.mission)
    chosen = f"season.lives.for_causes({list(state.causes)!r})" if state.causes else "season.lives"
    try:
        lives = season.lives.for_causes(state.causes) if state.causes else season.lives
        make = _adjusted if state.adjusted else _raw
        return make(season, lives, state, chosen=chosen)
    except WorkbenchError as error:
        return PanelView(sentence=f"This cannot be answered: {error}.", code=f"# {chosen}, by {state.by}")


def _raw(season: OpenedSeason, lives: Lives, state: PanelState, *, chosen: str) -> PanelView:
    curve = survival_curve(lives, state.by)
    found = curve.at([state.mission])
    known = found.dropna(subset=["survival"]).sort_values("survival", ascending=False)
    code = f"workbench.survival_curve({chosen}, {state.by!r})"
    names = {str(group): season.data.label(state.by, str(group)) for group in found["group"]}
    table = found.assign(group=found["group"].map(names)).drop(columns=["time", "std_error"], errors="ignore")
    table = table.rename(columns={"group": shown_name(state.by)})
    options = {"labels": names, "mission": state.mission}
    if known.empty:
        sentence = f"No {shown_name(state.by)} was observed for {days_text(state.mission, lives.unit)}."
        return PanelView(sentence=sentence, code=code, result=curve, table=table, options=options)
    best = known.iloc[0]
    limits = interval_text(percent_text(best["lower"]), percent_text(best["upper"]))
    sentence = (
        f"Not adjusted: of the units with {names[best['group']]} {percent_text(best['survival'])} "
        f"{_lasting(lives, state)} ({limits}), the highest of {count_of(len(table), 'level')}; {_chance(lives, state)}."
    )
    return PanelView(sentence=sentence, code=code, result=curve, table=table, options=options)


def _lasting(lives: Lives, state: PanelState) -> str:
    """What a share outlived; with some mechanisms only, units are said not to be lost to them, never to have lasted."""
    days = days_text(state.mission, lives.unit)
    if not state.causes:
        return f"lasted {days}"
    return f"were not lost to {join_words([shown_name(mechanism_words(c)) for c in state.causes])} within {days}"


def _chance(lives: Lives, state: PanelState) -> str:
    try:
        test = compare_groups(lives, state.by, within=state.within or None)
    except EstimateError as error:
        return f"no test: {error}"
    where = f", compared within each {shown_name(state.within)}" if state.within else ""
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
    names = {level: season.data.label(state.by, level) for level in ranking.table["level"]}
    table = ranking.table[
        ["level", "units", "failures", "mission_survival", "survival_gain", "lower", "upper", "grade"]
    ]
    table = table.assign(level=table["level"].map(names)).rename(
        columns={"level": shown_name(state.by), "mission_survival": "survival"}
    )
    options = {"labels": {(state.by, level): name for level, name in names.items()}}
    others = ranking.table[np.isfinite(ranking.table["lower"])]
    if others.empty:
        sentence = "No level can be set against another."
        return PanelView(sentence=sentence, code=code, result=ranking, table=table, options=options)
    best = others.sort_values("survival_gain").iloc[-1]
    limits = f"{points_text(best['lower'])} to {points_text(best['upper'])}"
    sentence = (
        f"With places held equal, {names[best['level']]} goes with {points_text(best['survival_gain'])} in "
        f"the share of units that {_lasting(lives, state)}, against {names[best['reference']]} ({limits}): "
        f"{best['grade']}.{_beside_ranking(season, state, best)}"
    )
    return PanelView(sentence=sentence, code=code, result=ranking, table=table, options=options)


def _beside_ranking(season: OpenedSeason, state: PanelState, best: Any) -> str:
    """Why the figure here and the one of the ranking differ, where both ask of the same mission and failures."""
    ranking = season.data.ranking
    if ranking is None or state.causes or state.mission != season.mission or state.by not in ranking.choices:
        return ""
    row = ranking.of(state.by).query("level == @best.level and reference == @best.reference")
    if row.empty or not np.isfinite(row["survival_gain"].iloc[0]):
        return ""
    return (
        f" The ranking says {points_text(row['survival_gain'].iloc[0])}: it holds the {len(ranking.choices) - 1} other "
        "choices equal too, here only places are."
    )


def explore(season: OpenedSeason, *, by: str = "") -> None:
    """Show the panel: controls with labels, reachable by keyboard, and the view that follows them.

    Without a running front end for controls the first answer stands as sentence and table. The last state is remembered
    beside the notebook; the first answer never depends on it.
    """
    start = PanelState(by=by or season.choice, mission=float(season.mission))
    first = view_of(season, start)
    data, metadata = mimebundle(first.result, name="Panel", table=first.table, sentences=[first.sentence])
    controls = _controls(season, _remembered(season, start), asked=start, first=first)._repr_mimebundle_() or {}
    publish(
        {**controls, **data, "text/html": panel_page(sentence=first.sentence, hint=True, **_shown(first))}, metadata
    )


def _remembered(season: OpenedSeason, start: PanelState) -> PanelState:
    """The state in which the panel was left, where it still fits the log; else the one to start from."""
    known = recalled(Path(REMEMBERED))
    with suppress(KeyError, TypeError, WorkbenchError):
        state = PanelState(**{**known, "causes": tuple(known["causes"])})
        check_columns([state.by, *([state.within] if state.within else [])], _columns(season, start.by), "covariate")
        check_columns(list(state.causes), _causes(season.lives), "mechanism")
        return state
    return start


def _columns(season: OpenedSeason, by: str) -> list[str]:
    columns = list(dict.fromkeys([by, *season.choices, "environment", "site", "batch"]))
    return [c for c in columns if c in season.lives.covariates]


def _controls(season: OpenedSeason, start: PanelState, *, asked: PanelState, first: PanelView) -> Any:
    """The controls at one state; what was asked first has its view already."""
    import ipywidgets as widgets

    columns = _columns(season, start.by)
    wide = {"style": {"description_width": "9em"}, "layout": widgets.Layout(width="24em")}
    pick_by = widgets.Dropdown(options=_options(columns), value=start.by, description="Compare by", **wide)
    nothing = [("(nothing)", "")]
    within = widgets.Dropdown(
        options=[*nothing, *_options(columns)], value=start.within, description="Test within", **wide
    )
    mission = widgets.BoundedIntText(value=int(start.mission), min=1, max=3650, description="Mission, days", **wide)
    causes = widgets.SelectMultiple(
        options=[(shown_name(mechanism_words(c)), c) for c in _causes(season.lives)],
        value=start.causes,
        description="Only failures by",
        rows=4,
        **wide,
    )
    adjusted = widgets.Checkbox(value=start.adjusted, description="hold places equal (adjusted)", indent=False)
    sentence, picture = widgets.HTML(), widgets.HTML()
    code = widgets.Textarea(description="As code", rows=2, layout=widgets.Layout(width="98%"))

    def refresh(change: Any = None) -> None:
        state = PanelState(
            by=pick_by.value,
            within="" if within.value == pick_by.value else within.value,
            mission=float(mission.value),
            causes=tuple(causes.value),
            adjusted=adjusted.value,
        )
        view = first if state == asked else view_of(season, state)
        code.value = view.code
        sentence.value, picture.value = panel_page(sentence=view.sentence), panel_page(**_shown(view))
        if change is not None:
            remember(Path(REMEMBERED), asdict(state))

    for control in (pick_by, within, mission, causes, adjusted):
        control.observe(refresh, names="value")
    refresh()
    picks = widgets.HBox([widgets.VBox([pick_by, within]), widgets.VBox([mission, adjusted]), causes])
    return widgets.VBox([picks, sentence, picture, code])


def _options(columns: Sequence[str]) -> list[tuple[str, str]]:
    return [(shown_name(c), c) for c in columns]


def _causes(lives: Lives) -> list[str]:
    return sorted({str(c) for c in lives.cause if c}) if lives.cause is not None else []


def _shown(view: PanelView) -> dict[str, Any]:
    """Picture and table of a view, as a page takes them."""
    if view.result is None:
        return {}
    frames = [] if view.table is None else [view.table]
    return {"picture": picture_of(view.result, **view.options), "alt": view.sentence, "frames": frames}
