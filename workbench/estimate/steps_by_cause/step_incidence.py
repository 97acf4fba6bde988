"""Step incidence: lives whose failures count on known days in, incidence by cause and Gray's test out."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from workbench.errors import EstimateError
from workbench.estimate.shared import Groups, groups_of, not_from_the_start, text_levels, watched_throughout
from workbench.estimate.steps import RiskSets, risk_sets
from workbench.estimate.steps_by_cause.aalen_johansen import incidence_curve, incidence_limits
from workbench.estimate.steps_by_cause.gray import gray_scores, gray_test
from workbench.estimate.steps_by_cause.incidence_results import CumulativeIncidence
from workbench.lives import Lives

__all__ = ["causes_of", "on_grid", "step_incidence", "working_by_cause"]


def step_incidence(
    lives: Lives,
    groups: Groups,
    within: str | Sequence[str] | None,
    *,
    confidence: float,
    notes: tuple[str, ...] = (),
) -> CumulativeIncidence:
    """Cumulative incidence of lives whose failures count at their upper ends."""
    causes, cause = causes_of(lives, groups)
    counts = risk_sets(
        lives.time, lives.failed, lives.entry, weight=lives.weight, codes=groups.codes, groups=len(groups.labels)
    )
    throughout = watched_throughout(lives, groups, lives.time, failed=lives.failed) if lives.entry.any() else counts
    failures = _failures_by_cause(lives, groups.codes, counts, cause=cause, causes=len(causes))
    tables = []
    for g, label in enumerate(groups.labels):
        rows = counts.rows(g)
        unknown = counts.time[rows] > counts.unwatched(g)[0]
        in_sight = throughout.count_with_lost(g, counts.time[rows], throughout)
        for k, name in enumerate(causes):
            n, d = counts.at_risk[rows], failures[rows, k]
            incidence, std_error = incidence_curve(n, d, counts.failures[rows])
            lower, upper = incidence_limits(incidence, std_error, in_sight, confidence=confidence)
            upper = np.maximum.accumulate(upper) if counts.late_time[g].size else upper
            if d.any():  # no more have failed before the first failure than by its day
                first = int(np.argmax(d > 0))
                upper[:first] = np.minimum(upper[:first], upper[first])
            for values in (incidence, std_error, lower, upper):
                values[unknown] = np.nan
            words = (np.full(n.size, label, dtype=object), np.full(n.size, name, dtype=object))
            tables.append((*words, counts.time[rows], incidence, std_error, lower, upper, n, d))
    names = ("group", "cause", "time", "incidence", "std_error", "lower", "upper", "at_risk", "failures")
    columns = {name: np.concatenate(parts) for name, parts in zip(names, zip(*tables, strict=True), strict=True)}
    test, test_notes = _gray_columns(lives, groups, within, causes=causes, cause=cause)
    return CumulativeIncidence(
        columns=columns,
        notes=(*groups.notes, *notes, *_notes(groups, counts, lives.unit), *test_notes),
        kind="product-limit",
        labels=groups.labels,
        causes=causes,
        risk=counts,
        throughout=throughout,
        bounds=np.append(0, np.cumsum([len(part[0]) for part in tables])),
        known_to=np.array(
            [min(counts.time[counts.rows(g)].max(initial=0.0), counts.unwatched(g)[0]) for g in range(counts.groups)]
        ),
        test_columns=test,
        confidence=confidence,
        unit=lives.unit,
    )


def on_grid(found: CumulativeIncidence, lives: Lives, groups: Groups) -> CumulativeIncidence:
    """Add to an incidence counted at visits what is not known between them."""
    causes, cause = causes_of(lives, groups)
    began = np.array(found.columns["time"], dtype=float)
    for g in range(len(groups.labels)):
        for k in range(len(causes)):
            rows = slice(*found.bounds[g * len(causes) + k :][:2])
            mine = (cause == k) & (groups.codes == g)
            place = np.searchsorted(found.columns["time"][rows], lives.upper[mine])
            np.minimum.at(began[rows], place, lives.lower[mine])
    working = working_by_cause(lives, groups, cause, causes=len(causes))
    return replace(found, working=working, began=began)


def working_by_cause(lives: Lives, groups: Groups, cause: np.ndarray, *, causes: int) -> tuple[RiskSets, ...]:
    """Count units watched from day 0 on: known working, and failures of each cause when their interval begins.

    Shapes: cause (n,).
    """
    return tuple(watched_throughout(lives, groups, lives.lower, failed=cause == k) for k in range(causes))


def causes_of(lives: Lives, groups: Groups) -> tuple[tuple[str, ...], np.ndarray]:
    """List the causes that struck in the groups, and number each life's."""
    import pandas as pd

    counted = lives.failed & (groups.codes >= 0)
    if not counted.any():
        raise EstimateError(
            f"none of the {lives.units} units failed, so there is no cause to follow; see survival_curve for the bound"
        )
    labels = np.full(len(lives), None, dtype=object)
    labels[counted] = np.asarray(lives.cause)[counted]
    return text_levels(pd.Series(labels))


def _failures_by_cause(
    lives: Lives, codes: np.ndarray, counts: RiskSets, *, cause: np.ndarray, causes: int
) -> np.ndarray:
    table = np.zeros((counts.time.size, causes), dtype=np.int64)
    for g in range(counts.groups):
        mine = np.flatnonzero((codes == g) & (cause >= 0))
        rows = counts.rows(g)
        place = rows.start + np.searchsorted(counts.time[rows], lives.time[mine])
        np.add.at(table, (place, cause[mine]), lives.weight[mine])
    return table


def _notes(groups: Groups, counts: RiskSets, unit: str) -> list[str]:
    notes: list[str] = []
    for g, label in enumerate(groups.labels):
        rows = counts.rows(g)
        notes += not_from_the_start(label, counts, g, unit=unit)
        emptied = np.flatnonzero(counts.failures[rows] == counts.at_risk[rows])
        if emptied.size and emptied[0] + 1 < counts.time[rows].size:
            when = counts.time[rows][emptied[0]]
            notes.append(
                f"{label}: every unit at risk at {when:g} {unit} had failed by then while others entered later; "
                "the curves stay where they are and say nothing about those."
            )
    return notes


def _gray_columns(
    lives: Lives, groups: Groups, within: str | Sequence[str] | None, *, causes: tuple[str, ...], cause: np.ndarray
) -> tuple[dict[str, np.ndarray], list[str]]:
    strata = groups_of(lives, within)
    tests, notes = [], list(strata.notes)
    for k, name in enumerate(causes if len(groups.labels) > 1 else ()):
        scores, variance = np.zeros(len(groups.labels)), np.zeros((len(groups.labels),) * 2)
        for stratum in range(len(strata.labels)):
            part = strata.codes == stratum
            more, spread = _scores_in(
                lives, np.where(part, groups.codes, -1), len(groups.labels), cause=cause, number=k
            )
            scores, variance = scores + more, variance + spread
        if not np.isfinite(scores).all():
            tests.append((name, np.nan, np.nan, np.nan))
            notes.append(f"{name}: no test, because a group was not watched from day 0 on.")
            continue
        tests.append((name, *gray_test(scores, variance)))
        if not np.isfinite(tests[-1][1]):
            notes.append(f"{name}: no test, because only one group was at risk when it struck.")
    columns = list(zip(*tests, strict=True)) if tests else [(), (), (), ()]
    names = ("cause", "statistic", "degrees_of_freedom", "p_value")
    kinds = (object, float, float, float)
    test = {name: np.array(column, dtype=k) for name, column, k in zip(names, columns, kinds, strict=True)}
    return test, notes


def _scores_in(
    lives: Lives, codes: np.ndarray, groups: int, *, cause: np.ndarray, number: int
) -> tuple[np.ndarray, np.ndarray]:
    counts = risk_sets(lives.time, lives.failed, lives.entry, weight=lives.weight, codes=codes, groups=groups)
    if any(np.isfinite(counts.unwatched(g)[0]) or counts.unwatched(g)[0] < 0 for g in range(groups)):
        return np.full(groups, np.nan), np.zeros((groups, groups))
    days = np.unique(lives.time[lives.failed & (codes >= 0)])
    at_risk = np.column_stack([counts.count_at(g, days) for g in range(groups)]).astype(float)
    failures = np.zeros((2, days.size, groups))
    mine = np.flatnonzero(lives.failed & (codes >= 0))
    kind = (cause[mine] != number).astype(int)
    np.add.at(failures, (kind, np.searchsorted(days, lives.time[mine]), codes[mine]), lives.weight[mine])
    return gray_scores(at_risk, failures[0], failures[1])
