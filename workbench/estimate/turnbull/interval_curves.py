"""Interval curves: interval-censored lives by group in, the maximum-likelihood curve with limits out."""

from dataclasses import dataclass

import numpy as np

from workbench.estimate.shared import Groups, not_from_the_start, watched_throughout
from workbench.estimate.steps import (
    RiskSets,
    RowLimits,
    SurvivalCurve,
    exact_bound,
    normal_quantile,
    risk_sets,
)
from workbench.estimate.turnbull.interval_limits import interval_curve_limits
from workbench.estimate.turnbull.npmle import Fit, NpmleProblem, fit_segment, segment_ends
from workbench.estimate.turnbull.turnbull_cells import TurnbullCells, turnbull_cells
from workbench.lives import Lives
from workbench.mentions import Sentence, of_group
from workbench.threads import on_one_thread

__all__ = ["Mass", "interval_curve", "mass_of", "shares_one_grid"]

_NO_MASS = 1e-9
_WORST_GRADIENT = 1e-6


@dataclass(frozen=True, eq=False)
class Mass:
    """The fitted cells of one group.

    Attributes
    ----------
    cells : TurnbullCells
        All m cells and each life's place among them.
    problems, fits : tuple
        Per segment (see `npmle.segment_ends`), in order of time.
    ends : np.ndarray of int
        Last cell of each segment.
    hazard : np.ndarray, shape (m,)
        Share of those alive at the start of each cell that fails in it; 1 at the end of a segment.
    reaching, waiting : np.ndarray of bool
        For the lives of the first problem: whether the interval goes on after the life's last cell, and whether the
        life entered at the very end of the cell before its first one at risk.
    """

    cells: TurnbullCells
    problems: tuple[NpmleProblem, ...]
    fits: tuple[Fit, ...]
    ends: np.ndarray
    hazard: np.ndarray
    reaching: np.ndarray
    waiting: np.ndarray

    @property
    def survival(self) -> np.ndarray:
        """Share alive at the end of each cell, shape (m,); 0 from the end of the first segment on."""
        return np.cumprod(1.0 - self.hazard)

    @property
    def mass(self) -> np.ndarray:
        """Share failing in each cell, shape (m,)."""
        return -np.diff(self.survival, prepend=1.0)

    @property
    def breaks_off(self) -> bool:
        """Whether what follows the first segment rests on later entrants alone, so that no overall curve exists."""
        return len(self.ends) > 1

    @property
    def worst(self) -> float:
        """Largest gradient left, per unit."""
        return max(fit.worst for fit in self.fits)


def mass_of(lower: np.ndarray, upper: np.ndarray, entry: np.ndarray, *, weight: np.ndarray) -> Mass:
    """Fit the cells of one group.

    Shapes: lower, upper, entry (n,), weight (n,).
    """
    cells = turnbull_cells(lower, upper, entry)
    m = len(cells.start)
    reaching = upper > cells.end[cells.last]
    waiting = (cells.entered > 0) & (entry == cells.end[cells.entered - 1])
    key = ((cells.entered.astype(np.int64) * m + cells.first) * m + cells.last) * 4 + 2 * reaching + waiting
    _, row, place = np.unique(key, return_index=True, return_inverse=True)
    count = np.bincount(place, weights=weight)
    first, last, entered = cells.first[row], cells.last[row], cells.entered[row]
    ends = segment_ends(first, entered, m)
    problems, fits, hazard, begin = [], [], np.ones(m), 0
    for end in ends:
        mine = (entered >= begin) & (entered <= end)
        problem = NpmleProblem(
            int(end) + 1 - begin,
            first[mine] - begin,
            np.minimum(last[mine], end) - begin,
            entered[mine] - begin,
            count[mine],
        )
        fit = fit_segment(problem)
        hazard[begin:end] = -np.expm1(-fit.hazard)
        problems.append(problem)
        fits.append(fit)
        begin = int(end) + 1
    row = row[entered <= ends[0]]
    return Mass(cells, tuple(problems), tuple(fits), ends, hazard, reaching[row], waiting[row])


def shares_one_grid(lower: np.ndarray, upper: np.ndarray, entry: np.ndarray) -> bool:
    """Whether no interval holds an end of another life inside it, so that the product-limit curve is the maximum.

    Shapes: lower, upper, entry (n,).
    """
    ends = np.unique(np.concatenate([lower, upper[np.isfinite(upper)], entry]))
    wide = np.isfinite(upper) & (upper > lower)
    inside = np.searchsorted(ends, upper[wide], side="left") - np.searchsorted(ends, lower[wide], side="right")
    return not inside.any()


@on_one_thread
def interval_curve(lives: Lives, groups: Groups, *, confidence: float, interval: str) -> SurvivalCurve:
    """Curves of lives of which some are known only to have failed between two times.

    References
    ----------
    Turnbull (1976), J. R. Stat. Soc. B 38, 290-295; Alioum & Commenges (1996), Biometrics 52, 512-524.
    """
    counts = risk_sets(
        lives.lower, lives.failed, lives.entry, weight=lives.weight, codes=groups.codes, groups=len(groups.labels)
    )
    throughout = watched_throughout(lives, groups, lives.lower, failed=lives.failed)
    ends = risk_sets(
        lives.time, lives.failed, lives.entry, weight=lives.weight, codes=groups.codes, groups=len(groups.labels)
    )
    parts: list[dict[str, np.ndarray]] = []
    searches: list[_CurveLimits] = []
    known_to = np.zeros(len(groups.labels))
    notes: list[str] = [
        "Failures are known to lie between two times: maximum-likelihood curve with likelihood-ratio limits."
    ]
    first_known = np.full(len(groups.labels), np.inf)
    for g, label in enumerate(groups.labels):
        rows = np.flatnonzero(groups.codes == g)
        lower, upper = lives.lower[rows], lives.upper[rows]
        fitted = mass_of(lower, upper, lives.entry[rows], weight=lives.weight[rows])
        first_known[g] = upper.min()
        cells = _shown(fitted)
        part = _rows_of(fitted, cells, working=counts.count_at(g, fitted.cells.end[cells]))
        known_to[g] = min(_last_of(part), ends.unwatched(g)[0])
        unwatched = part["to"] > ends.unwatched(g)[0]
        for name in ("mass", "survival"):
            part[name][unwatched] = np.nan
        begun = _Begun(throughout, g, float(first_known[g]), bool(counts.late_time[g].size), counts.from_start[g])
        searches.append(_CurveLimits(fitted, cells, unwatched, begun, confidence))
        part["unknown"] = _straddling(lower, upper, lives.weight[rows], times=part["to"])
        parts.append({"group": np.full(len(part["to"]), label, dtype=object)} | part)
        notes += not_from_the_start(label, ends, g, unit=lives.unit)
        if ends.unwatched(g)[1] == np.inf:
            notes += _mass_notes(fitted, label, lives.unit)
    bounds = np.append(0, np.cumsum([len(part["to"]) for part in parts]))
    limits = RowLimits(tuple(searches), bounds)
    whole = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    names = ("group", "from", "to", "mass", "survival", "lower", "upper", "known_working", "unknown")
    return SurvivalCurve(
        columns={name: (whole | limits.columns())[name] for name in names},
        notes=tuple(map(Sentence, [*groups.notes, *notes])),
        kind="npmle",
        labels=groups.labels,
        risk=counts,
        throughout=throughout,
        known_to=known_to,
        first_entries=ends.first_entries,
        bounds=bounds,
        limits=limits,
        first_known=first_known,
        confidence=confidence,
        interval="likelihood-ratio",
        unit=lives.unit,
    )


def _shown(fitted: Mass) -> np.ndarray:
    """Cells that make a row: those with mass, and all from the end of a curve that breaks off."""
    mass = fitted.mass
    from_end = np.arange(len(mass)) >= int(fitted.ends[0]) if fitted.breaks_off else False
    return np.flatnonzero((mass > _NO_MASS) | from_end)


def _rows_of(fitted: Mass, cells: np.ndarray, *, working: np.ndarray) -> dict[str, np.ndarray]:
    mass, survival = fitted.mass[cells], fitted.survival[cells]
    if fitted.breaks_off:
        for values in (mass, survival):
            values[cells >= int(fitted.ends[0])] = np.nan
    return {
        "from": fitted.cells.start[cells],
        "to": fitted.cells.end[cells],
        "mass": mass,
        "survival": survival,
        "known_working": working,
    }


@dataclass(frozen=True, eq=False)
class _Begun:
    """What is known of a group from the units watched from day 0 on.

    Attributes
    ----------
    throughout : RiskSets
        Counts of those units.
    group : int
        The group among them.
    first_known : float
        First time by which a unit is known to have failed.
    joined : bool
        Whether other units came under observation later.
    units : int
        Units at the start.
    """

    throughout: RiskSets
    group: int
    first_known: float
    joined: bool
    units: int

    def bound(self, time: np.ndarray, confidence: float) -> np.ndarray:
        """Exact lower limit of survival while none of those at risk is known to have failed."""
        return exact_bound(self.throughout.count_at(self.group, time), confidence)


@dataclass(frozen=True, eq=False)
class _CurveLimits:
    """Limits of the rows of one group, searched for when called."""

    fitted: Mass
    cells: np.ndarray
    unwatched: np.ndarray
    begun: _Begun
    confidence: float

    def __call__(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        fitted, cells, begun = self.fitted, self.cells, self.begun
        end, to = int(fitted.ends[0]), fitted.cells.end[cells]
        over, may_search = cells >= end, (cells < end) & (to >= begun.first_known)
        asked = np.zeros(cells.size, dtype=bool)
        asked[rows] = True
        early = asked & ~over & ~may_search
        if early.any():  # these rest on the first that is searched for
            asked[np.flatnonzero(may_search)[:1]] = True
        if (asked & over).any():  # and these on the last row before them
            asked[np.flatnonzero(~over)[-1:]] = True
        searched = asked & may_search
        lower, upper = np.zeros(cells.size), np.ones(cells.size)
        lower[searched], upper[searched] = interval_curve_limits(
            fitted.problems[0],
            fitted.fits[0],
            cells[searched],
            sides=(fitted.reaching, fitted.waiting),
            wanted=normal_quantile(self.confidence),
        )
        if begun.joined:  # late joiners say nothing of the days before, on which later days rest
            first = np.array([begun.first_known])
            watched = begun.throughout.count_at(begun.group, first)
            watched = watched + begun.throughout.failed_before(begun.group, first)
            lower[searched] = np.minimum(lower[searched], exact_bound(watched, self.confidence))
        lower[searched] = np.maximum.accumulate(lower[searched][::-1])[::-1]  # as far as the search leaves it open
        upper[searched] = np.minimum.accumulate(upper[searched])
        bound = np.maximum(begun.bound(to[early], self.confidence), lower[searched].max(initial=0.0))
        lower[early] = np.minimum(bound, fitted.survival[cells[early]])
        if over.any():
            before = np.flatnonzero(~over)[-1:]
            alone = 1.0 - float(exact_bound(np.array([begun.units]), self.confidence)[0])
            upper[over] = upper[before[0]] if before.size else alone
        unknown = self.unwatched | (over & fitted.breaks_off)
        lower[unknown] = upper[unknown] = np.nan
        return lower[rows], upper[rows]


def _last_of(part: dict[str, np.ndarray]) -> float:
    return float(part["to"][-1] if np.isfinite(part["to"][-1]) else part["from"][-1])


def _straddling(lower: np.ndarray, upper: np.ndarray, weight: np.ndarray, *, times: np.ndarray) -> np.ndarray:
    # units whose failure lies in an interval around the time: nobody knows on which side
    finite = np.isfinite(upper)
    begun = np.sort(lower[finite]), np.argsort(lower[finite], kind="stable")
    ended = np.sort(upper[finite]), np.argsort(upper[finite], kind="stable")
    units = weight[finite]
    started = np.append(0, np.cumsum(units[begun[1]]))[np.searchsorted(begun[0], times, side="left")]
    over = np.append(0, np.cumsum(units[ended[1]]))[np.searchsorted(ended[0], times, side="right")]
    return np.asarray(np.maximum(started - over, 0))


def _mass_notes(fitted: Mass, label: str, unit: str) -> list[Sentence]:
    notes = []
    if fitted.breaks_off:
        when = fitted.cells.start[fitted.ends[0]]
        notes.append(
            f"every unit at risk just after {when:g} {unit} is known to have failed while others entered later, so the "
            "likelihood has no maximum from there on and the curve is not known."
        )
    elif not np.isfinite(fitted.cells.end[-1]):
        notes.append(f"what happens after {fitted.cells.start[-1]:g} {unit} is not known.")
    if fitted.worst > _WORST_GRADIENT:
        notes.append(f"the search for the maximum stopped early (largest slope {fitted.worst:.1e} per unit).")
    return [of_group(label, note) for note in notes]
