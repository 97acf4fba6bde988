"""Interval incidence: lives whose failures lie in intervals in, most likely incidence of each cause with limits out."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from workbench.estimate.shared import Groups, not_from_the_start, watched_throughout
from workbench.estimate.steps import RowLimits, risk_sets
from workbench.estimate.steps_by_cause import CumulativeIncidence, causes_of, on_grid, step_incidence, working_by_cause
from workbench.estimate.turnbull.cause_levels import CauseLevels, Chances
from workbench.estimate.turnbull.interval_curves import shares_one_grid
from workbench.estimate.turnbull.interval_masses import NO_MASS, fit_masses, limits_of_levels
from workbench.estimate.turnbull.npmle import segment_ends
from workbench.estimate.turnbull.turnbull_cells import TurnbullCells, turnbull_cells
from workbench.lives import Lives
from workbench.threads import on_one_thread

__all__ = ["interval_incidence"]

NO_TEST = "Failures lie in intervals that do not share one grid of visits, so there is no test between groups."


@dataclass(frozen=True, eq=False)
class _Classes:
    """The classes of one group: cells of each cause, and where each starts."""

    levels: CauseLevels
    start: np.ndarray
    known_to: float


@on_one_thread
def interval_incidence(
    lives: Lives, groups: Groups, within: str | Sequence[str] | None, *, confidence: float
) -> CumulativeIncidence:
    """Cumulative incidence of lives some of which are known only to have failed between two times.

    When all intervals share one grid of visits this is the step estimate on the upper ends. Otherwise each pair of a
    cell of time and a cause gets its most likely mass, with likelihood-ratio limits.

    References
    ----------
    Hudgens, Satten & Longini (2001), Biometrics 57, 74-80.
    """
    kept = groups.codes >= 0
    if shares_one_grid(lives.lower[kept], lives.upper[kept], lives.entry[kept]):
        note = "Failures lie in intervals of one grid of visits; each counts on the visit at which it was found."
        return on_grid(step_incidence(lives, groups, within, confidence=confidence, notes=(note,)), lives, groups)
    causes, cause = causes_of(lives, groups)
    counts = risk_sets(
        lives.lower, lives.failed, lives.entry, weight=lives.weight, codes=groups.codes, groups=len(groups.labels)
    )
    ends = risk_sets(
        lives.time, lives.failed, lives.entry, weight=lives.weight, codes=groups.codes, groups=len(groups.labels)
    )
    parts, sizes, known_to, searches = [], [], [], []
    notes = ["Failures lie in intervals: the most likely incidence by cause, with limits by likelihood ratio."]
    for g, label in enumerate(groups.labels):
        rows = np.flatnonzero(groups.codes == g)
        classes, more = _classes_of(lives.take(rows), cause[rows], len(causes), label=label)
        notes += more
        known_to.append(min(classes.known_to, ends.unwatched(g)[0]))
        notes += not_from_the_start(label, ends, g, unit=lives.unit)
        share = fit_masses(classes.levels)
        for k, name in enumerate(causes):
            found, search = _one_cause(replace(classes, known_to=known_to[-1]), share, k, confidence=confidence)
            searches.append(search)
            size = found["time"].size
            words = {"group": np.full(size, label, dtype=object), "cause": np.full(size, name, dtype=object)}
            parts.append(words | found)
            sizes.append(size)
    tested = causes if len(groups.labels) > 1 else ()
    nothing = np.full(len(tested), np.nan)
    test = {"cause": np.array(tested, dtype=object), "statistic": nothing}
    test |= {"degrees_of_freedom": nothing, "p_value": nothing}
    bounds = np.append(0, np.cumsum(sizes))
    limits = RowLimits(tuple(searches), bounds)
    whole = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]} | limits.columns()
    names = ("group", "cause", "time", "incidence", "std_error", "lower", "upper", "from", "mass")
    return CumulativeIncidence(
        columns={name: whole[name] for name in names},
        notes=(*groups.notes, *notes, *([NO_TEST] if tested else [])),
        kind="npmle",
        labels=groups.labels,
        causes=causes,
        risk=counts,
        throughout=watched_throughout(lives, groups, lives.time, failed=lives.failed),
        bounds=bounds,
        limits=limits,
        known_to=np.array(known_to),
        test_columns=test,
        confidence=confidence,
        unit=lives.unit,
        working=working_by_cause(lives, groups, cause, causes=len(causes)),
        began=np.concatenate([part["from"] for part in parts]),
    )


def _classes_of(lives: Lives, cause: np.ndarray, causes: int, *, label: str) -> tuple[_Classes, list[str]]:
    every = turnbull_cells(lives.lower, lives.upper, lives.entry)
    stop = int(segment_ends(every.first, every.entered, len(every.start))[0])
    breaks_off = stop < len(every.start) - 1
    notes = []
    if breaks_off:
        notes.append(
            f"{label}: every unit at risk just after {every.start[stop]:g} {lives.unit} is known to have failed while "
            "others entered later, so nothing is known from there on."
        )
        keep = every.entered <= stop
        lives, cause = lives.take(keep), cause[keep]
    known = float(every.start[stop]) if breaks_off else _last_known(lives)
    return _classes_by_cause(*_distinct(lives, cause), causes, known_to=known), notes


def _distinct(lives: Lives, cause: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The different lives as rows of lower, upper, entry and cause, and the weight of each."""
    rows = np.column_stack([lives.lower, lives.upper, lives.entry, cause])
    different, place = np.unique(rows, axis=0, return_inverse=True)
    return different, np.bincount(place.ravel(), weights=lives.weight, minlength=len(different))


def _classes_by_cause(rows: np.ndarray, weight: np.ndarray, causes: int, *, known_to: float) -> _Classes:
    lower, upper, entry, cause = rows.T
    outlived, size = cause < 0, 0
    known, since, entered = (np.zeros((len(rows), width), dtype=np.int64) for width in (2, causes, causes))
    owner, start, end = [], [], []
    for k in range(causes):
        mine = cause == k
        cells = _cells_and_what_follows(lower, np.where(mine, upper, np.inf), entry)
        closed = int(np.isfinite(cells.end).sum())

        def after(cell: np.ndarray, closed: int = closed, size: int = size) -> np.ndarray:
            # the level before a cell
            number = np.minimum(cell, closed)
            return np.where(number > 0, size + number, 0)

        known[mine] = np.column_stack([after(cells.last[mine] + 1), after(cells.first[mine])])
        since[:, k], entered[:, k] = after(cells.first), after(cells.entered)
        size += closed
        owner.append(np.full(closed, k))
        start.append(cells.start[:closed])
        end.append(cells.end[:closed])
    late = (entered > 0).any(axis=1)
    levels = CauseLevels(
        np.concatenate(owner),
        np.concatenate(end),
        (
            _joined(known[~outlived], weight[~outlived], base=0.0, signs=[1.0, -1.0]),
            _joined(since[outlived], weight[outlived], base=1.0, signs=[-1.0] * causes),
            _joined(entered[late], -weight[late], base=1.0, signs=[-1.0] * causes),
        ),
    )
    return _Classes(levels, np.concatenate(start), known_to)


def _joined(at: np.ndarray, weight: np.ndarray, *, base: float, signs: list[float]) -> Chances:
    """Lives of the same levels as one."""
    both, place = np.unique(at, axis=0, return_inverse=True)
    return Chances(both, np.array(signs), np.bincount(place.ravel(), weight, len(both)), base)


def _cells_and_what_follows(lower: np.ndarray, upper: np.ndarray, entry: np.ndarray) -> TurnbullCells:
    """Cells, and the span after each where mass may lie once the mass by its end is held (for the limits)."""
    plain = turnbull_cells(lower, upper, entry)
    starts = plain.end[np.isfinite(plain.end)]
    n, nothing = lower.size, np.zeros(starts.size)
    cells = turnbull_cells(np.append(lower, starts), np.append(upper, nothing + np.inf), np.append(entry, nothing))
    return TurnbullCells(cells.start, cells.end, cells.first[:n], cells.last[:n], cells.entered[:n])


def _last_known(lives: Lives) -> float:
    ends = lives.upper[lives.failed]
    return float(max(lives.lower.max(), ends.max(initial=0.0)))


def _one_cause(
    classes: _Classes, share: np.ndarray, number: int, *, confidence: float
) -> tuple[dict[str, np.ndarray], "_CauseLimits"]:
    levels = classes.levels
    rows = np.flatnonzero((levels.cause == number) & (share > NO_MASS))
    incidence = np.cumsum(share[rows])
    beyond = levels.end[rows] > classes.known_to
    found = {
        "time": levels.end[rows],
        "incidence": np.where(beyond, np.nan, np.minimum(incidence, 1.0)),
        "std_error": np.full(rows.size, np.nan),
        "from": classes.start[rows],
        "mass": np.where(beyond, np.nan, share[rows]),
    }
    return found, _CauseLimits(levels, share, rows, np.where(beyond, np.nan, incidence), confidence)


@dataclass(frozen=True, eq=False)
class _CauseLimits:
    """Limits of the incidence of one cause in one group, searched for when called; NaN where it is not known."""

    levels: CauseLevels
    share: np.ndarray
    classes: np.ndarray
    incidence: np.ndarray
    confidence: float

    def __call__(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        reached, at = self.incidence[rows], self.classes[rows] + 1
        lower, upper = np.full((2, rows.size), np.nan)
        known = np.isfinite(reached)
        lower[known], upper[known] = limits_of_levels(self.levels, self.share, at[known], confidence=self.confidence)
        lower, upper = np.maximum.accumulate(lower), np.maximum.accumulate(upper)
        return np.minimum(lower, reached), np.maximum(upper, np.minimum(reached, 1.0))
