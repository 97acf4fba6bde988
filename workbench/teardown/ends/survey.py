"""Survey: everything that teardowns of one log tell, from suggestions to what ended units."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from workbench.errors import EstimateError
from workbench.lives import UNDETERMINED, Lives
from workbench.teardown.ends.imputation import ImputedIncidence, draw_mechanisms, imputed_incidence
from workbench.teardown.ends.inside import InsideCondition, inside_condition
from workbench.teardown.ends.pareto import EndsOfUnits, ends_of_units
from workbench.teardown.ends.preventable import preventable_causes, two_classes
from workbench.teardown.ends.shapes import MechanismShapes, shapes_by_mechanism
from workbench.teardown.mechanisms import (
    Agreement,
    MechanismSuggestions,
    compare_verdicts,
    suggest_mechanism,
)

__all__ = ["TeardownSurvey", "class_incidence", "plain_rows", "survey_teardowns"]


@dataclass(frozen=True, kw_only=True, eq=False)
class TeardownSurvey:
    """What teardowns of one log tell; parts that the log cannot feed are None, with the reason in `notes`.

    Attributes
    ----------
    suggestions : MechanismSuggestions
        Mechanism of each failed unit from its signs.
    agreement : Agreement
        Verdicts beside suggestions.
    ends : EndsOfUnits or None
        What ended units.
    shapes : MechanismShapes or None
        Early-life, steady or wear-out, by mechanism.
    inside : InsideCondition or None
        Wet, damp or dry at the end, by seal.
    classes : ImputedIncidence or None
        What is moisture-related and what not, undetermined failures imputed, at the mission.
    mission : float
        Days.
    notes : tuple of str
        What was left out and why.
    """

    suggestions: MechanismSuggestions
    agreement: Agreement
    ends: EndsOfUnits | None
    shapes: MechanismShapes | None
    inside: InsideCondition | None
    classes: ImputedIncidence | None
    mission: float
    notes: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """The survey as plain values; not known is None."""
        from workbench.log.dictionary import HEADLINE
        from workbench.teardown.sheets import CAUTIONS

        parts = {"ends": self.ends, "shapes": self.shapes, "inside": self.inside, "classes": self.classes}
        return {
            "caution": [HEADLINE, *(f"{topic}: {line}" for topic, line in CAUTIONS.items())],
            "mission_days": self.mission,
            "suggestions": plain_rows(self.suggestions.table),
            "agreement": plain_rows(self.agreement.table),
            "look_again": plain_rows(self.agreement.look_again),
            **{name: None if part is None else plain_rows(part.table) for name, part in parts.items()},
            "problems": plain_rows(self.suggestions.problems),
            "notes": list(self.all_notes()),
        }

    def all_notes(self) -> tuple[str, ...]:
        """The notes of every part, each once."""
        parts = [self.suggestions, self.agreement, self.ends, self.shapes, self.inside, self.classes]
        said = [note for part in parts if part is not None for note in part.notes]
        return tuple(dict.fromkeys([*said, *self.notes]))


def survey_teardowns(
    log: Any,
    *,
    table: pd.DataFrame | None = None,
    mission: float | None = None,
    seed: int = 0,
    confidence: float = 0.95,
) -> TeardownSurvey:
    """Draw together what the teardowns of a log tell."""
    lives, notes = log.lives(), []
    if mission is None:
        days, where = log.mission()
        mission = float(days)
        notes.append(f"Mission {days} days, {where}.")
    suggestions = suggest_mechanism(log, table=table)
    ends = shapes = classes = inside = None
    if lives.failures:
        ends = ends_of_units(lives, mission)
        shapes = shapes_by_mechanism(lives, confidence=confidence)
        classes = class_incidence(lives, suggestions, mission, seed=seed, confidence=confidence)
        if classes is None:
            notes.append("No failure has a mechanism and none could be drawn, so classes of mechanisms are left out.")
    else:
        notes.append("No unit failed, so nothing is said about mechanisms.")
    if "lid_seal" in log.records.columns and log.records["lid_seal"].notna().any():
        inside = inside_condition(suggestions.teardowns, "lid_seal", confidence=confidence)
    else:
        notes.append("The log has no lid_seal, so the condition inside is not shown by seal.")
    return TeardownSurvey(
        suggestions=suggestions,
        agreement=compare_verdicts(suggestions, confidence=confidence),
        ends=ends,
        shapes=shapes,
        inside=inside,
        classes=classes,
        mission=mission,
        notes=tuple(notes),
    )


def class_incidence(
    lives: Lives,
    suggestions: MechanismSuggestions,
    mission: float,
    *,
    by: str | None = None,
    names: tuple[str, ...] = (),
    seed: int = 0,
    confidence: float = 0.95,
) -> ImputedIncidence | None:
    """Share lost by the mission to moisture and to the rest, undetermined failures imputed."""
    if len(lives) != len(suggestions.teardowns):
        raise EstimateError(
            f"{len(lives)} lives and {len(suggestions.teardowns)} records do not belong together; use one log for both"
        )
    unknown = np.flatnonzero(np.asarray(lives.cause) == UNDETERMINED)
    if not suggestions.mechanisms or not lives.failures:
        return None
    drawn = draw_mechanisms(suggestions, unknown, seed=seed)
    possible = Lives.from_arrays(
        np.ones(len(suggestions.mechanisms)), np.ones(len(suggestions.mechanisms), bool), cause=suggestions.mechanisms
    )
    preventable = {*preventable_causes(lives, names), *preventable_causes(possible, names)}
    merge = two_classes([*np.asarray(lives.cause), *suggestions.mechanisms], sorted(preventable))
    return imputed_incidence(lives, drawn, [mission], by=by, merge=merge, confidence=confidence)


def plain_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table as plain values; not known is None."""
    return [{str(k): _value(v) for k, v in row.items()} for row in table.to_dict("records")]


def _value(value: Any) -> Any:
    if hasattr(value, "item"):
        value = value.item()
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return value if isinstance(value, int | float | bool | str) else str(value)
