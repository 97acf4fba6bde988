"""Counted survey: what do the verdicts of a log tell that was counted, whose single units are not kept?"""

from dataclasses import dataclass
from typing import Any

import pandas as pd

from workbench.estimate.curves import cumulative_incidence
from workbench.lives import UNDETERMINED
from workbench.teardown.ends.pareto import EndsOfUnits, ends_of_units
from workbench.teardown.ends.shapes import MechanismShapes, shapes_by_mechanism
from workbench.teardown.ends.survey import plain_rows
from workbench.wording import count_of

__all__ = ["CountedSurvey", "survey_counts"]


@dataclass(frozen=True, kw_only=True, eq=False)
class CountedSurvey:
    """What the verdicts of a counted log tell; without a failure its parts are None.

    Attributes
    ----------
    ends : EndsOfUnits or None
        What ended units.
    shapes : MechanismShapes or None
        Early-life, steady or wear-out, by mechanism.
    lost : pandas.DataFrame or None
        Share lost to each mechanism by the mission with limits, the others at work: cause incidence lower upper.
    mission, confidence : float
        Days, and level of the limits.
    notes : tuple of str
        What was assumed and left out.
    """

    ends: EndsOfUnits | None
    shapes: MechanismShapes | None
    lost: pd.DataFrame | None
    mission: float
    confidence: float
    notes: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """The survey as plain values; not known is None."""
        parts = {name: None if part is None else part.table for name, part in self._parts().items()}
        tables = {**parts, "lost": self.lost}
        plain = {name: None if table is None else plain_rows(table) for name, table in tables.items()}
        return {"mission_days": self.mission, **plain, "notes": list(self.all_notes())}

    def all_notes(self) -> tuple[str, ...]:
        """The notes of every part, each once."""
        said = [note for part in self._parts().values() if part is not None for note in part.notes]
        return tuple(dict.fromkeys([*said, *self.notes]))

    def _parts(self) -> dict[str, EndsOfUnits | MechanismShapes | None]:
        return {"ends": self.ends, "shapes": self.shapes}


def survey_counts(fleet: Any, *, mission: float | None = None, confidence: float = 0.95) -> CountedSurvey:
    """Draw together what verdicts tell; signs of single units are not kept, so no failure without one gets any.

    References
    ----------
    Shares lost with limits: the incidence of competing causes, as in `cumulative_incidence`.
    """
    lives, notes = fleet.lives(), []
    if mission is None:
        days, where = fleet.mission()
        mission = float(days)
        notes.append(f"Mission {days} days, {where}.")
    ends = shapes = lost = None
    if lives.failures:
        ends = ends_of_units(lives, mission)
        shapes = shapes_by_mechanism(lives, confidence=confidence)
        lost = cumulative_incidence(lives, confidence=confidence).at([mission])[
            ["cause", "incidence", "lower", "upper"]
        ]
        unknown = int(lives.weight[lives.cause == UNDETERMINED].sum())
        if unknown:
            notes.append(
                f"{count_of(unknown, 'failure')} without a verdict: a class of their own here, because signs are "
                "weighed unit by unit."
            )
    else:
        notes.append("No unit failed, so nothing is said about mechanisms.")
    return CountedSurvey(
        ends=ends, shapes=shapes, lost=lost, mission=mission, confidence=confidence, notes=tuple(notes)
    )
