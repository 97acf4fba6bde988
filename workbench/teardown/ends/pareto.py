"""Ends of units: what ended them, as share of failures, of units and of lost unit-days, by group and by age."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from workbench.checks import check_positive
from workbench.errors import EstimateError
from workbench.estimate.curves import survival_curve
from workbench.estimate.shared import groups_of, with_level
from workbench.lives import UNDETERMINED, Lives
from workbench.results import Result
from workbench.teardown.mechanisms import sign_family_of
from workbench.wording import count_of, percent_text, round_sense

__all__ = ["EndsOfUnits", "ends_of_units", "lost_words"]

_SHOWN = 0.005
"""A smaller share would be printed as 0 %."""

MISSING = "missing"
"""The end of a unit that never came back; no mechanism."""


@dataclass(frozen=True, kw_only=True, eq=False)
class EndsOfUnits(Result):
    """What ended units, the commonest first within a group.

    `columns`: group, end (mechanism, "undetermined" or "missing"), family, units, share_of_failures (NaN for missing),
    share_of_units, lost_days, lost_days_low, lost_days_high, share_of_lost_days, cumulative_share (of lost days).

    Attributes
    ----------
    mission : float
        Days a unit should have lasted.
    unit : str
        Unit of time.
    """

    mission: float
    unit: str

    @property
    def never_back(self) -> np.ndarray:
        """Which rows count missing units, whatever a mechanism is called; shape (rows,)."""
        return np.asarray(np.isnan(self.columns["share_of_failures"].astype(float)))

    @property
    def named(self) -> np.ndarray:
        """Which rows count failures whose mechanism is known; shape (rows,)."""
        return np.asarray(~self.never_back & (self.columns["end"] != UNDETERMINED))


def ends_of_units(lives: Lives, mission: float, by: str | None = None) -> EndsOfUnits:
    """Rank what ended units by failures, units and unit-days lost before the mission's end.

    A failure at t loses max(mission - t, 0) days. Where t is known to an interval only, the loss is its mean over the
    interval as the curve of all lives shares it out; the limits put every failure at either end. A missing unit loses
    the days from when it was last known to work. Units taken out for another reason lose nothing here.
    """
    mission = check_positive("mission", mission)
    if lives.cause is None:
        raise EstimateError("these lives carry no causes, so nothing says what ended units")
    groups = groups_of(lives, by)
    missing = _missing(lives)
    gone = with_level(sorted(set(lives.cause[lives.failed])), MISSING, "not back")[-1]
    end = np.where(lives.failed, lives.cause, np.where(missing, gone, ""))
    if not (end != "").any():
        raise EstimateError(f"none of the {lives.units} units failed or went missing, so nothing ended")
    high = np.maximum(mission - lives.lower, 0.0)
    low = np.where(lives.failed, np.maximum(mission - lives.upper, 0.0), high)
    loss = np.where(lives.failed, _mean_loss(lives, mission), high)
    tables = []
    for number, label in enumerate(groups.labels):
        part = groups.codes == number
        tables.append(_group_table(label, lives, part, end=end, days=(loss, low, high)))
    table = pd.concat(tables, ignore_index=True)
    return EndsOfUnits(
        columns={name: table[name].to_numpy() for name in table.columns},
        notes=(*groups.notes, *_notes(lives, end, mission, loss=loss, low=low, high=high)),
        mission=float(mission),
        unit=lives.unit,
    )


def _missing(lives: Lives) -> np.ndarray:
    if "outcome" not in lives.covariates.columns:
        return np.zeros(len(lives), dtype=bool)
    return np.asarray((lives.covariates["outcome"].astype(object).to_numpy() == MISSING) & ~lives.failed)


def _group_table(
    label: str, lives: Lives, part: np.ndarray, *, end: np.ndarray, days: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> pd.DataFrame:
    weight = lives.weight
    units, failures = weight[part].sum(), weight[part & lives.failed].sum()
    rows = []
    for name in sorted(set(end[part]) - {""}):
        mine = part & (end == name)
        never_back = not lives.failed[mine].any()
        count = int(weight[mine].sum())
        lost, low, high = (float((weight * d)[mine].sum()) for d in days)
        rows.append(
            {
                "group": label,
                "end": name,
                "family": "" if never_back else sign_family_of(name),
                "units": count,
                "share_of_failures": np.nan if never_back else count / failures,
                "share_of_units": count / units,
                "lost_days": lost,
                "lost_days_low": low,
                "lost_days_high": high,
            }
        )
    table = pd.DataFrame(rows)
    if not len(table):
        return table
    size = np.round(table["lost_days"] / max(table["lost_days"].max(), 1e-300), 12)  # a tie in any unit of time
    table = table.iloc[np.lexsort([-table["units"], -size])].reset_index(drop=True)
    total = table["lost_days"].sum()
    table["share_of_lost_days"] = table["lost_days"] / total if total > 0 else np.nan
    table["cumulative_share"] = table["share_of_lost_days"].cumsum()
    return table


def lost_words(share: float, low: float, high: float) -> str:
    """Return what share of the lost unit-days an end took; where it may be none or many, the days themselves."""
    if share >= _SHOWN or high <= 0:
        return f"{percent_text(share if share > 0 else 0.0)} of the unit-days lost"
    return f"between {low:,.0f} and {high:,.0f} of the unit-days lost"


def _mean_loss(lives: Lives, mission: float) -> np.ndarray:
    """Mean of max(mission - T, 0) given that T lies in the life's interval, by the curve of all lives."""
    loss = np.maximum(mission - lives.upper, 0.0)
    wide = np.flatnonzero(lives.failed & ~lives.exact)
    if not wide.size:
        return loss
    low, up = lives.lower[wide], np.minimum(lives.upper[wide], mission)
    curve = survival_curve(lives)
    bends = [curve.columns[edge] for edge in ("from", "to") if edge in curve.columns]  # between them it falls evenly
    grid = np.unique(np.concatenate([[0.0, mission], low, lives.upper[wide], *bends]))
    grid = grid[np.isfinite(grid)]
    survival = curve.at(grid, limits=False)["survival"].to_numpy()
    step = np.diff(grid) * (survival[1:] + survival[:-1]) / 2
    area = np.concatenate([[0.0], np.cumsum(step)])
    at = {name: np.searchsorted(grid, x) for name, x in (("low", low), ("up", up), ("end", lives.upper[wide]))}
    mass = survival[at["low"]] - survival[at["end"]]
    inside = np.maximum(up - low, 0.0)
    gained = survival[at["low"]] * inside - (area[at["up"]] - area[at["low"]])
    even = (np.maximum(mission - low, 0) ** 2 - np.maximum(mission - lives.upper[wide], 0) ** 2) / (
        2 * (lives.upper[wide] - low)
    )
    # on one grid of visits the curve only steps at the visits, and nothing is known between them
    known = (curve.kind == "npmle") & np.isfinite(mass) & np.isfinite(gained) & (mass > 1e-12)
    shared = loss[wide] + np.where(known, gained, 0.0) / np.where(known, mass, 1.0)
    loss[wide] = np.where(low >= mission, 0.0, np.maximum(np.where(known, shared, even), 0.0))
    return loss


def _notes(
    lives: Lives, end: np.ndarray, mission: float, *, loss: np.ndarray, low: np.ndarray, high: np.ndarray
) -> tuple[str, ...]:
    ended = end != ""
    weight = lives.weight[ended]
    total, least, most = (float((weight * d[ended]).sum()) for d in (loss, low, high))
    unknown = int(lives.weight[end == UNDETERMINED].sum())
    span = f" (between {least:,.0f} and {most:,.0f}, since most failures are known between two visits only)"
    span = span if round(least) != round(most) else ""
    lost = f"about {round_sense(total, 2):,.0f} were lost{span}"
    if span and round(total) == round(least) == 0:
        lost = f"none is known to have been lost; up to {most:,.0f} may have been, in spans in which nobody looked"
    notes = [
        f"{int(weight.sum()):,} ended by failure or loss; of {mission * lives.units:,.0f} unit-days "
        f"wanted by day {mission:g}, {lost}.",
    ]
    if unknown:
        notes.append(f"{count_of(unknown, 'failure')} without a mechanism stand as 'undetermined', a class of its own.")
    return tuple(notes)
