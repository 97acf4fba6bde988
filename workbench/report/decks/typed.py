"""Typed: slides of words that stand in the settings: cover, decisions, actions, the settings; and the cautions."""

from collections.abc import Mapping, Sequence
from typing import Any

from workbench.report.basis import SECTIONS, Finding, SeasonData, shown_cell
from workbench.report.decks.slides import Slide
from workbench.report.talk import action_state
from workbench.report.words import shown_name, shown_text

__all__ = ["CAUTION_LINES", "caution_finding", "cover_slide", "mission_finding", "typed_slides"]

CAUTION_LINES = (
    (
        "What goes together here need not be cause and effect: units were not randomised, so place, batch and"
        " habit of the builder can stand behind a difference."
    ),
    "Numbers are small: limits are wide, and what could not be shown may still be true.",
    "Units that went missing may not be like those that came back; bounds are given beside the main figures.",
    "Failures found at visits lie somewhere between two inspections; nothing is assumed about the day in between.",
    "Results hold for these places, this season and this way of building.",
    (
        "Opening failed units can hurt: do not charge, squeeze, puncture or carry indoors a wet, hot, dented or swollen"
        " battery; boxes may be under pressure. This is no safety advice: local codes and qualified people come first."
    ),
)
"""Cautions printed in every review; common practice, no source."""


def cover_slide(data: SeasonData) -> Slide:
    """Return the first slide: season, mission and what counts as failure, as typed."""
    season = data.settings.get("season")
    means = data.settings.get("failure_means")
    lines = [_mission_sentence(data)]
    lines.append(
        f"What counts as failure: {shown_text(means, 300)}."
        if means
        else "What counts as failure: not said in the settings."
    )
    return Slide(
        kind="cover",
        section="Project review of field units",
        title=f"Season {shown_name(season)}" if season else "One season of field units",
        body=tuple(lines),
        method="Association is not cause. Every figure comes with its counts, limits and cautions.",
        source="settings",
    )


def mission_finding(data: SeasonData) -> Finding:
    """Return the mission as a finding, so that the number on the cover stands in findings.json."""
    return Finding(
        id="outcome.mission",
        kind="setting",
        section="outcome",
        statement=_mission_sentence(data),
        estimate=data.mission,
        unit=data.lives.unit,
        method="Given, typed in the settings, or derived from the log as said.",
        on_slide=False,
    )


def _mission_sentence(data: SeasonData) -> str:
    return f"A unit is asked to last {data.mission_text}{', ' if data.mission_note else ''}{data.mission_note}."


def caution_finding(data: SeasonData) -> Finding:
    """Return the cautions as the last finding of the review; what the season's log leaves in doubt comes first."""
    return Finding(
        id="appendix.cautions",
        headline="What to keep in mind",
        kind="caution",
        section="appendix",
        order=99,
        statement="What to keep in mind with every slide of this review.",
        method="Common practice, no source.",
        caveats=(*data.last_good_said, *CAUTION_LINES),
    )


def typed_slides(data: SeasonData, versions: Mapping[str, str]) -> list[Slide]:
    """Return the slides of what was typed: decisions asked, actions, and settings with versions."""
    slides = []
    actions = list(data.settings.get("action") or ())
    if actions:
        slides.append(
            _slide(
                "decisions", "Actions on the list.", table=_actions(data, actions), method="As typed in the settings."
            )
        )
    table = _settings_table(data.settings)
    if table["setting"]:
        slides.append(_slide("appendix", "Settings this review was made with.", table=table, method="As read."))
    slides.append(
        _slide(
            "appendix",
            "Programs this review was made with.",
            table={"program": list(versions), "version": list(versions.values())},
            method="Another version may print other last digits.",
        )
    )
    return slides


def _slide(section: str, title: str, **parts: Any) -> Slide:
    return Slide(kind="typed", section=SECTIONS[section], title=title, source="settings", **parts)


def _actions(data: SeasonData, actions: Sequence[Mapping[str, Any]]) -> dict[str, list[str]]:
    keys = [
        k for k in ("what", "choice", "from", "to", "since", "expected", "owner", "due") if any(k in a for a in actions)
    ]
    table = {key: [_action_cell(data, action, key) for action in actions] for key in keys}
    return table | {"state": [action_state(data, action) for action in actions]}


def _action_cell(data: SeasonData, action: Mapping[str, Any], key: str) -> str:
    if key not in action:
        return "–"
    if key in ("from", "to"):
        return data.label(str(action.get("choice", "")), str(action[key]))
    return shown_name(action[key], 70)


def _settings_table(settings: Mapping[str, Any]) -> dict[str, list[str]]:
    rows = list(_flat(settings))
    return {"setting": [k for k, _ in rows], "value": [v for _, v in rows]}


def _flat(settings: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in settings.items():
        if value is None or value == "" or (isinstance(value, Mapping | list | tuple) and not value):
            continue
        if key in ("decisions", "decision", "action") and not prefix:
            continue
        name = f"{prefix}{shown_name(key, 40)}"
        if isinstance(value, Mapping) and not any(isinstance(v, Mapping | list | tuple) for v in value.values()):
            words = [f"{shown_name(k, 30)} = {shown_name(shown_cell(v), 30)}" for k, v in value.items()]
            rows.append((name, shown_name(", ".join(words), 260)))
        elif isinstance(value, Mapping):
            rows += _flat(value, f"{name}: ")
        elif isinstance(value, list | tuple):
            words = [shown_cell(v) or "(empty)" for v in value]
            rows.append((name, shown_name(", ".join(words), 90)))
        else:
            rows.append((name, shown_text(shown_cell(value), 260)))
    return rows
