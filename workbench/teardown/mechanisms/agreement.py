"""Agreement: verdicts of people beside what the signs suggest, and the units that are worth a second look."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from workbench.estimate.shared import proportion_interval
from workbench.lives import UNDETERMINED
from workbench.results import Result, columns_to_frame, freeze_columns
from workbench.teardown.mechanisms.mechanism import MechanismSuggestions
from workbench.teardown.mechanisms.sign_families import FAMILY_OF, MODES, NO_MECHANISM, mechanism_words
from workbench.wording import count_of, percent_text

__all__ = ["Agreement", "compare_verdicts"]

UNLIKELY = 0.20
"""A verdict whose own mechanism gets less than this from the signs is worth a second look; judgement."""
SAME_SIGNS_NOTE = "Both look at the same signs, so agreement is no proof that either is right."


@dataclass(frozen=True, kw_only=True, eq=False)
class Agreement(Result):
    """How often verdicts and suggestions name the same mechanism.

    `columns`: verdict, suggestion, units, same; one row a pair that occurs, "undetermined" among both.

    Attributes
    ----------
    compared, agreed : int
        Units in which both name a mechanism, and in which both name the same.
    lower, upper : float
        Exact limits of the share agreed; NaN when nothing could be compared.
    confidence : float
        Level of the limits.
    told : str
        In how many units they agree.
    look_again_columns : mapping
        unit_id, deployment, verdict, suggestion, verdict_probability, suggestion_probability, reason.
    """

    compared: int
    agreed: int
    lower: float
    upper: float
    confidence: float
    told: str
    look_again_columns: dict[str, np.ndarray]

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "look_again_columns", freeze_columns(self.look_again_columns))

    @property
    def look_again(self) -> pd.DataFrame:
        """Units worth a second look, the least probable verdicts first."""
        return columns_to_frame(self.look_again_columns)


def compare_verdicts(suggestions: MechanismSuggestions, *, confidence: float = 0.95) -> Agreement:
    """Put the verdicts of people beside the suggestions.

    A verdict never trains its own suggestion, so the two are independent but for the evidence they share.
    """
    table = suggestions.table
    verdict = np.where(np.isin(table["verdict"].astype(str), ("", "unknown")), UNDETERMINED, table["verdict"])
    pairs = pd.DataFrame({"verdict": verdict, "suggestion": table["mechanism"]})
    counted = pairs.value_counts(sort=False).reset_index(name="units").sort_values(["verdict", "suggestion"])
    counted["same"] = counted["verdict"] == counted["suggestion"]
    both = ~np.isin(verdict.astype(str), NO_MECHANISM) & (table["mechanism"] != UNDETERMINED).to_numpy()
    compared, agreed = int(both.sum()), int((both & (verdict == table["mechanism"])).sum())
    lower, upper = proportion_interval(agreed, compared, confidence=confidence) if compared else (np.nan, np.nan)
    look_again = _look_again(suggestions, table, verdict)
    told = _told(compared, agreed, len(look_again), verdicts=int((~np.isin(verdict.astype(str), NO_MECHANISM)).sum()))
    return Agreement(
        columns={name: counted[name].to_numpy() for name in counted.columns},
        notes=(told, *(SAME_SIGNS_NOTE,) * (compared > 0)),
        told=told,
        compared=compared,
        agreed=agreed,
        lower=lower,
        upper=upper,
        confidence=confidence,
        look_again_columns={name: look_again[name].to_numpy() for name in look_again.columns},
    )


def _look_again(suggestions: MechanismSuggestions, table: pd.DataFrame, verdict: np.ndarray) -> pd.DataFrame:
    place = {name: number for number, name in enumerate(suggestions.mechanisms)}
    own = np.array(
        [suggestions.probabilities[i, place[v]] if v in place else np.nan for i, v in enumerate(verdict)], dtype=float
    )
    causes = suggestions.teardowns.records.reindex(columns=["cause"])["cause"].to_numpy(dtype=object)[suggestions.rows]
    checked = ~np.isnan(suggestions.teardowns.seen[suggestions.rows]).all(axis=1)
    reasons = [
        _reason(str(verdict[i]), str(causes[i]), float(own[i]), checked=bool(checked[i]), row=row)
        for i, row in enumerate(table.to_dict("records"))
    ]
    found = pd.DataFrame(
        {
            "unit_id": table["unit_id"],
            "deployment": table["deployment"],
            "verdict": verdict,
            "suggestion": table["best"],
            "verdict_probability": own,
            "suggestion_probability": table["probability"],
            "reason": reasons,
        }
    )
    found = found[found["reason"] != ""]
    return found.sort_values("verdict_probability", kind="stable", na_position="last").reset_index(drop=True)


def _reason(verdict: str, cause: str, own: float, *, checked: bool, row: dict[str, Any]) -> str:
    parts = []
    if verdict in MODES and verdict not in FAMILY_OF:
        parts.append("the verdict is a mode (how it failed as seen from outside), no mechanism")
    elif verdict not in NO_MECHANISM and not checked:
        parts.append("a verdict without any sign checked")
    elif verdict not in NO_MECHANISM and row["mechanism"] not in (UNDETERMINED, verdict):
        parts.append(f"the signs speak for {mechanism_words(row['mechanism'])} ({percent_text(row['probability'])})")
    elif verdict not in NO_MECHANISM and own < UNLIKELY and row["probability"] >= 0.5:
        parts.append(
            f"the signs give this verdict {percent_text(own)}, {mechanism_words(row['best'])} "
            f"{percent_text(row['probability'])}"
        )
    elif verdict in NO_MECHANISM and row["mechanism"] != UNDETERMINED:
        parts.append(f"no mechanism named, and the signs speak for {mechanism_words(row['mechanism'])}")
    if cause not in ("", "nan", "None") and cause in FAMILY_OF and cause not in NO_MECHANISM:
        parts.append(f"the cause '{cause}' is a mechanism; a cause is the circumstance that let it act")
    return "; ".join(parts)


def _told(compared: int, agreed: int, again: int, *, verdicts: int) -> str:
    if not compared:
        return f"{count_of(verdicts, 'verdict')}, and no unit in which both a person and the signs name a mechanism."
    return (
        f"A person and the signs name the same mechanism in {agreed} of the {count_of(compared, 'unit')} in which both "
        f"name one; {count_of(again, 'unit')} {'is' if again == 1 else 'are'} worth a second look."
    )
