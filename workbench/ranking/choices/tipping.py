"""Tipping point: how many missing units of level and reference must have failed for sign and limits to turn?"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.errors import EstimateError
from workbench.lives import Lives
from workbench.ranking.checks import MissingUnits, gain_matrix, missing_units
from workbench.ranking.model import build_design, fit_design, problem_of, standardise
from workbench.results import Result
from workbench.wording import count_of, points_text

if TYPE_CHECKING:
    from workbench.ranking.choices.rank import Ranking

__all__ = ["HOLDS", "REACHES_ZERO", "TURNS", "TippingPoint", "tipping_point"]

STEPS = 7
"""Counts of failed missing units that are tried for each of level and reference, none and all among them."""
HOLDS, REACHES_ZERO, TURNS = "holds", "limits reach zero", "sign turns"


@dataclass(frozen=True, kw_only=True, eq=False)
class TippingPoint(Result):
    """The gain of one comparison for every pair of counts of its missing units that had failed.

    `columns`: failed_level, failed_reference (units), share_level, share_reference (of the missing), survival_gain,
    verdict (holds, limits reach zero, sign turns). Missing units fail in the order in which they were last seen good,
    the day after; those that did not fail worked on to the last visit of their site.

    Attributes
    ----------
    choice, level, reference : str
        The comparison.
    missing, reference_missing : int
        Units missing with the level and with its reference.
    gain : float
        As ranked.
    """

    choice: str
    level: str
    reference: str
    missing: int
    reference_missing: int
    gain: float

    def sentence(self, labels: Mapping[str, str] | None = None) -> str:
        """When sign and limits turn, in words without full stop.

        Parameters
        ----------
        labels : mapping of str to str, optional
            Names of levels as shown.

        Returns
        -------
        str
            Names the fewest failed units of the side that stands better, those of the other side having worked on.
        """
        c, shown = self.columns, labels or {}
        ours = self.gain > 0
        level = self.level if ours else self.reference
        side, other = ("failed_level", "failed_reference") if ours else ("failed_reference", "failed_level")
        total = self.missing if ours else self.reference_missing
        name = shown.get(level, level)
        parts = []
        for verdicts, words in (((REACHES_ZERO, TURNS), "its limits"), ((TURNS,), "its sign")):
            turn, turns = ("reach zero", "reach zero") if words == "its limits" else ("turn", "turns")
            hit = np.isin(c["verdict"].astype(str), verdicts) & (c[other] == 0)
            fewest = int(c[side][hit].min()) if hit.any() else None
            if fewest is None:
                parts.append(f"{words} would not {turn} even if all of them had failed")
            elif fewest == 0:
                parts.append(f"{words} {turns} even if none of them had failed")
            else:
                parts.append(f"{words} {turns} when about {fewest} of the {total} had failed")
        units = f"{count_of(total, 'unit')} with {name} {'is' if total == 1 else 'are'} missing"
        return (
            f"{units}; with the other side's missing at work {' and '.join(parts)} (as ranked {points_text(self.gain)})"
        )


def tipping_point(lives: Lives, ranking: "Ranking", choice: str, *, level: str) -> TippingPoint:
    """Return what one comparison of a ranking would be if some of its missing units had failed and the others not.

    Parameters
    ----------
    lives : Lives
        The lives that were ranked.
    ranking : Ranking
        Their ranking.
    choice, level : str
        A comparison in it.

    Returns
    -------
    TippingPoint
        Limits are taken to move along with the gain.

    Raises
    ------
    EstimateError
        If the comparison is not in the ranking or none of its units is missing.
    """
    row = next((r for r in ranking.table.itertuples() if (r.choice, r.level) == (choice, level)), None)
    if row is None or level == row.reference or not np.isfinite(row.lower):
        raise EstimateError(f"{choice} = {level} is not compared in the ranking, so no missing unit can turn it")
    counted = lives.for_causes(ranking.causes) if ranking.causes else lives
    table = ranking.table
    references = dict(zip(table.choice, table.reference, strict=True))
    design = build_design(counted, ranking.choices, ranking.adjust, reference=references)
    missing, _ = missing_units(design)
    codes = np.asarray(design.block(choice).codes)[missing.of]
    sides = [np.flatnonzero(codes == design.block(choice).levels.index(v)) for v in (level, row.reference)]
    if not len(sides[0]) and not len(sides[1]):
        raise EstimateError(f"no unit with {level} or {row.reference} is missing, so none can turn their difference")
    totals = [int(missing.base[missing.of[side]].sum()) for side in sides]
    ours, theirs = (_counts(total) for total in totals)
    tried = [(a, b) for b in theirs for a in ours]
    weights = np.array([_weights(missing, sides, counts) for counts in tried])
    problem = problem_of(design, missing.rows, lower=missing.lower, upper=missing.upper)
    fits = fit_design(problem, weights, "a run with missing units")
    gains = gain_matrix(design, standardise(design, fits, ranking.mission, days=False), [(choice, level)])[:, 0]
    return _told(row, gains, tried, totals=(totals[0], totals[1]))


def _told(row: Any, gains: np.ndarray, tried: list[tuple[int, int]], *, totals: tuple[int, int]) -> TippingPoint:
    gain, lower, upper = float(row.survival_gain), float(row.lower), float(row.upper)
    sign = 1.0 if gain > 0 else -1.0
    nearer = min(sign * lower, sign * upper)
    verdicts = np.where(nearer + sign * (gains - gain) <= 0, REACHES_ZERO, HOLDS)
    verdicts = np.where(sign * gains <= 0, TURNS, verdicts)
    ours, theirs = np.array(tried).T
    return TippingPoint(
        columns={
            "failed_level": ours,
            "failed_reference": theirs,
            "share_level": ours / max(totals[0], 1),
            "share_reference": theirs / max(totals[1], 1),
            "survival_gain": gains,
            "verdict": verdicts,
        },
        choice=str(row.choice),
        level=str(row.level),
        reference=str(row.reference),
        missing=totals[0],
        reference_missing=totals[1],
        gain=gain,
    )


def _counts(total: int) -> list[int]:
    return sorted({int(k) for k in np.linspace(0, total, min(STEPS, total + 1)).round()})


def _weights(missing: MissingUnits, sides: list[np.ndarray], failed: tuple[int, int]) -> np.ndarray:
    """Weights with the first so many units of each side failed, and the rest of both sides working on where known."""
    units = missing.base[missing.of]
    gone, worked = np.zeros(len(units)), np.zeros(len(units))
    for side, count in zip(sides, failed, strict=True):
        before = np.cumsum(units[side]) - units[side]
        gone[side] = np.clip(count - before, 0.0, units[side])
        worked[side] = (units[side] - gone[side]) * missing.can_work_on
    kept = missing.base.copy()
    kept[missing.of] -= gone + worked
    return np.concatenate([kept, gone, worked])
