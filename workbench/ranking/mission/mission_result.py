"""Mission result: what the classifier of the mission found, as values and sentences."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.results import Result, columns_to_frame, freeze_columns

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["MissionSkill"]


@dataclass(frozen=True, kw_only=True, eq=False)
class MissionSkill(Result):
    """What a classifier makes of the mission; columns: choice, together, importance, noise, counts, note.

    `importance` is the rise of the held-out Brier score when the choice (with those in `together`) is handed out anew,
    `noise` the 95th percentile of that rise for columns without meaning, `counts` whether the first exceeds the second
    and the classifier has skill.

    Attributes
    ----------
    mission : float
        The mission, in the unit of the lives.
    skill_values : mapping
        As `.skill`.
    calibration_columns, level_columns : mapping of str to np.ndarray
        As `.calibration` and `.levels`.
    partners : tuple of tuple of str
        The choices handed out together with that of each row.
    why_not : str
        Why no skill can be shown, a sentence; empty where it can be asked.
    """

    mission: float
    skill_values: Mapping[str, Any]
    calibration_columns: Mapping[str, np.ndarray]
    level_columns: Mapping[str, np.ndarray]
    partners: tuple[tuple[str, ...], ...]
    why_not: str = ""

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "skill_values", MappingProxyType(dict(self.skill_values)))
        object.__setattr__(self, "calibration_columns", freeze_columns(self.calibration_columns))
        object.__setattr__(self, "level_columns", freeze_columns(self.level_columns))

    @property
    def skill(self) -> dict[str, Any]:
        """What held-out predictions are worth.

        brier, brier_base (share that failed) and brier_first (first choice only); skill = 1 - brier/brier_base with
        lower and upper; verdict: "skill", "no skill" or "no skill can be shown"; base_rate, split_share (outcome not
        known), units, failures, lasted.
        """
        return dict(self.skill_values)

    @property
    def calibration(self) -> "pd.DataFrame":
        """Wide bins of held-out predictions: low, high, units, predicted, observed, lower, upper (all of failing)."""
        return columns_to_frame(self.calibration_columns)

    @property
    def levels(self) -> "pd.DataFrame":
        """choice, level, units, mission_survival: mean predicted share that lasts if every unit carried the level."""
        return columns_to_frame(self.level_columns)
