"""Cumulative incidence: lives with causes in, share failed of each cause by group with limits out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_confidence
from workbench.errors import EstimateError, UsageError
from workbench.estimate.aalen_johansen import incidence_curve, incidence_limits
from workbench.estimate.gray import gray_scores, gray_test
from workbench.estimate.groups import Groups, groups_of, text_levels
from workbench.estimate.limits import exact_bound
from workbench.estimate.risk_sets import RiskSets, risk_sets
from workbench.lives import Lives
from workbench.results import Result, columns_to_frame, freeze_columns

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CumulativeIncidence", "causes_of", "cumulative_incidence", "step_incidence"]


@dataclass(frozen=True, kw_only=True, eq=False)
class CumulativeIncidence(Result):
    """Share failed of each cause by group; with the share surviving they sum to one at every time.

    Attributes
    ----------
    kind : str
        "product-limit" (steps at known days) or "npmle" (failures known to intervals).
    labels, causes : tuple of str
        Groups and causes in table order; rows run by group, cause, time.
    risk : RiskSets
        Counts behind the curves; of interval lives: units known working.
    bounds : np.ndarray of int, shape (groups + 1,)
        Each cause of group g has bounds[g + 1] - bounds[g] rows.
    known_to : np.ndarray of float, shape (groups,)
        Last day known of each group.
    test_columns : mapping of str to array
        Gray's test, one row a cause; no rows when there is one group.
    confidence : float
        Two-sided level of the limits.
    unit : str
        Unit of time.
    """

    kind: str
    labels: tuple[str, ...]
    causes: tuple[str, ...]
    risk: RiskSets
    bounds: np.ndarray
    known_to: np.ndarray
    test_columns: Mapping[str, np.ndarray]
    confidence: float
    unit: str

    def __post_init__(self) -> None:
        super().__post_init__()
        object.__setattr__(self, "test_columns", freeze_columns(self.test_columns))

    @property
    def test(self) -> "pd.DataFrame":
        """Gray's test of equal incidence between the groups: cause, statistic, degrees_of_freedom, p_value."""
        return columns_to_frame(self.test_columns)

    def at(self, times: Any) -> "pd.DataFrame":
        """The incidences at any times.

        Parameters
        ----------
        times : float or array-like of shape (m,)
            Times of at least 0, in any order.

        Returns
        -------
        pandas.DataFrame
            group, cause, time, incidence, std_error, lower, upper; m rows a group and cause. 0 before the first
            failure; NaN after the group's last known day, unless every unit had failed by then.

        Raises
        ------
        UsageError
            If a time is negative or no number.
        """
        import pandas as pd

        wanted = np.atleast_1d(np.asarray(times, dtype=float))
        if wanted.ndim != 1 or not np.all(wanted >= 0):
            raise UsageError(f"times must be numbers of at least 0; got {times!r}")
        parts = [self._at(g, k, wanted) for g in range(len(self.labels)) for k in range(len(self.causes))]
        frame = {
            "group": np.repeat(np.array(self.labels, dtype=object), len(self.causes) * wanted.size),
            "cause": np.tile(np.repeat(np.array(self.causes, dtype=object), wanted.size), len(self.labels)),
            "time": np.tile(wanted, len(parts)),
        }
        for name in ("incidence", "std_error", "lower", "upper"):
            frame[name] = np.concatenate([part[name] for part in parts]) if parts else np.zeros(0)
        return pd.DataFrame(frame)

    def _at(self, group: int, cause: int, times: np.ndarray) -> dict[str, np.ndarray]:
        rows = self._rows(group, cause)
        days = self.columns["time"][rows]
        row = np.searchsorted(days, times, side="right")
        none = 1.0 - exact_bound(self.risk.count_at(group, times), self.confidence)
        share = self._part_of_cell(rows, row, times)
        found = {}
        for name in ("incidence", "std_error", "lower", "upper"):
            steps = np.append(0.0, self.columns[name][rows])
            before, after = steps[row], steps[np.minimum(row + 1, days.size)]
            if name == "upper":
                before = np.where(row == 0, none, before)
            found[name] = np.where(share > 0, before + share * (after - before), before)
        if self.kind == "product-limit":
            found["upper"] = np.where(found["incidence"] == 0, none, found["upper"])
        ends = [self._rows(group, k).stop - 1 for k in range(len(self.causes))]
        if days.size and self.columns["incidence"][ends].sum() < 1.0 - 1e-9:
            for values in found.values():
                values[times > self.known_to[group]] = np.nan
        return found

    def _part_of_cell(self, rows: slice, row: np.ndarray, times: np.ndarray) -> np.ndarray:
        if self.kind == "product-limit":
            return np.zeros(times.size)
        start = np.append(self.columns["from"][rows], np.inf)[row]
        end = np.append(self.columns["time"][rows], np.inf)[row]
        inside = (times > start) & np.isfinite(end)
        return np.where(inside, (times - start) / np.where(inside, end - start, 1.0), 0.0)

    def _rows(self, group: int, cause: int) -> slice:
        size = int(self.bounds[group + 1] - self.bounds[group])
        first = len(self.causes) * int(self.bounds[group]) + cause * size
        return slice(first, first + size)


def cumulative_incidence(
    lives: Lives,
    by: str | Sequence[str] | None = None,
    *,
    within: str | Sequence[str] | None = None,
    confidence: float = 0.95,
) -> CumulativeIncidence:
    """Share of units lost to each cause by each day, the other causes being at work, by group.

    Parameters
    ----------
    lives : Lives
        n lives with causes, at least one; weights and delayed entry are taken.
    by : str, sequence of str, or None
        Covariates that make groups; None gives one, "all".
    within : str, sequence of str, or None
        Covariates whose values make strata for the test only.
    confidence : float in (0, 1)
        Two-sided level of the pointwise limits.

    Returns
    -------
    CumulativeIncidence
        `.table`: group, cause, time, incidence, std_error, lower, upper, at_risk, failures; one row per group, cause
        and day on which a unit failed or left. A failure that nobody could name is the cause "undetermined".
        A cause without failures so far: 0 to 1 - (alpha/2)^(1/n), n the units still at risk.
        `.test`: cause, statistic, degrees_of_freedom, p_value (Gray).

    Raises
    ------
    UsageError
        If a column or the confidence is wrong.
    EstimateError
        If there are no lives, or they carry no causes.

    References
    ----------
    Aalen & Johansen (1978), Scand. J. Stat. 5, 141-150 (estimate and variance); Gray (1988), Ann. Stat. 16, 1141-1154;
    Choudhury (2002), Stat. Med. 21, 1129-1144 (log(-log) limits).

    Examples
    --------
    >>> lives = Lives.from_arrays([1, 2, 3, 4], [1, 1, 0, 1], cause=["water", "bite", "", "water"])
    >>> cumulative_incidence(lives).at(2)[["cause", "incidence"]].values.tolist()
    [['bite', 0.25], ['water', 0.25]]
    """
    check_confidence(confidence)
    if len(lives) == 0:
        raise EstimateError("there are no lives, so there is no incidence")
    if lives.cause is None:
        raise EstimateError("these lives carry no causes; give cause= to Lives.from_arrays, or use survival_curve")
    groups = groups_of(lives, by)
    if not lives.is_right_censored:
        from workbench.estimate.interval_incidence import interval_incidence

        return interval_incidence(lives, groups, within, confidence)
    return step_incidence(lives, groups, within, confidence)


def step_incidence(
    lives: Lives,
    groups: Groups,
    within: str | Sequence[str] | None,
    confidence: float,
    notes: tuple[str, ...] = (),
) -> CumulativeIncidence:
    """Cumulative incidence of lives whose failures count at their upper ends.

    Parameters
    ----------
    lives : Lives
        n lives with causes.
    groups : Groups
        As made by `groups_of`.
    within : str, sequence of str, or None
        Strata of the test.
    confidence : float
        Two-sided level.
    notes : tuple of str
        Sentences to put first.

    Returns
    -------
    CumulativeIncidence
        Of kind "product-limit".

    Raises
    ------
    UsageError
        If a column of `within` does not exist.
    EstimateError
        If no life has a value of `within`.
    """
    causes, cause = causes_of(lives, groups)
    counts = risk_sets(lives.time, lives.failed, lives.entry, lives.weight, groups.codes, len(groups.labels))
    failures = _failures_by_cause(lives, groups.codes, counts, cause, len(causes))
    tables = []
    for g, label in enumerate(groups.labels):
        rows = counts.rows(g)
        for k, name in enumerate(causes):
            n, d = counts.at_risk[rows], failures[rows, k]
            incidence, std_error = incidence_curve(n, d, counts.failures[rows])
            lower, upper = incidence_limits(incidence, std_error, n, confidence)
            words = (np.full(n.size, label, dtype=object), np.full(n.size, name, dtype=object))
            tables.append((*words, counts.time[rows], incidence, std_error, lower, upper, n, d))
    names = ("group", "cause", "time", "incidence", "std_error", "lower", "upper", "at_risk", "failures")
    columns = {name: np.concatenate(parts) for name, parts in zip(names, zip(*tables, strict=True), strict=True)}
    test, test_notes = _gray_columns(lives, groups, within, causes, cause)
    return CumulativeIncidence(
        columns=columns,
        notes=(*groups.notes, *notes, *_notes(groups, counts, lives.unit), *test_notes),
        kind="product-limit",
        labels=groups.labels,
        causes=causes,
        risk=counts,
        bounds=counts.bounds,
        known_to=np.array([counts.time[counts.rows(g)].max(initial=0.0) for g in range(counts.groups)]),
        test_columns=test,
        confidence=confidence,
        unit=lives.unit,
    )


def causes_of(lives: Lives, groups: Groups) -> tuple[tuple[str, ...], np.ndarray]:
    """List the causes that struck in the groups, and number each life's.

    Parameters
    ----------
    lives : Lives
        n lives with causes.
    groups : Groups
        As made by `groups_of`.

    Returns
    -------
    causes : tuple of str
        Sorted.
    cause : np.ndarray of int, shape (n,)
        Number of each life's cause, -1 where it did not fail.

    Raises
    ------
    EstimateError
        If no life of the groups failed.
    """
    import pandas as pd

    counted = lives.failed & (groups.codes >= 0)
    if not counted.any():
        raise EstimateError(
            f"none of the {lives.units} units failed, so there is no cause to follow; see survival_curve for the bound"
        )
    labels = np.full(len(lives), None, dtype=object)
    labels[counted] = np.asarray(lives.cause)[counted]
    return text_levels(pd.Series(labels))


def _failures_by_cause(lives: Lives, codes: np.ndarray, counts: RiskSets, cause: np.ndarray, causes: int) -> np.ndarray:
    table = np.zeros((counts.time.size, causes), dtype=np.int64)
    for g in range(counts.groups):
        mine = np.flatnonzero((codes == g) & (cause >= 0))
        rows = counts.rows(g)
        place = rows.start + np.searchsorted(counts.time[rows], lives.time[mine])
        np.add.at(table, (place, cause[mine]), lives.weight[mine])
    return table


def _notes(groups: Groups, counts: RiskSets, unit: str) -> list[str]:
    notes = []
    for g, label in enumerate(groups.labels):
        rows = counts.rows(g)
        emptied = np.flatnonzero(counts.failures[rows] == counts.at_risk[rows])
        if emptied.size and emptied[0] + 1 < counts.time[rows].size:
            when = counts.time[rows][emptied[0]]
            notes.append(
                f"{label}: every unit at risk at {when:g} {unit} had failed by then while others entered later; "
                "the curves stay where they are and say nothing about those."
            )
    return notes


def _gray_columns(
    lives: Lives, groups: Groups, within: str | Sequence[str] | None, causes: tuple[str, ...], cause: np.ndarray
) -> tuple[dict[str, np.ndarray], list[str]]:
    strata = groups_of(lives, within)
    tests, notes = [], list(strata.notes)
    for k, name in enumerate(causes if len(groups.labels) > 1 else ()):
        scores, variance = np.zeros(len(groups.labels)), np.zeros((len(groups.labels),) * 2)
        for stratum in range(len(strata.labels)):
            part = strata.codes == stratum
            more, spread = _scores_in(lives, np.where(part, groups.codes, -1), len(groups.labels), cause, k)
            scores, variance = scores + more, variance + spread
        tests.append((name, *gray_test(scores, variance)))
        if not np.isfinite(tests[-1][1]):
            notes.append(f"{name}: no test, because only one group was at risk when it struck.")
    columns = list(zip(*tests, strict=True)) if tests else [(), (), (), ()]
    names = ("cause", "statistic", "degrees_of_freedom", "p_value")
    kinds = (object, float, float, float)
    test = {name: np.array(column, dtype=k) for name, column, k in zip(names, columns, kinds, strict=True)}
    return test, notes


def _scores_in(
    lives: Lives, codes: np.ndarray, groups: int, cause: np.ndarray, number: int
) -> tuple[np.ndarray, np.ndarray]:
    counts = risk_sets(lives.time, lives.failed, lives.entry, lives.weight, codes, groups)
    days = np.unique(lives.time[lives.failed & (codes >= 0)])
    at_risk = np.column_stack([counts.count_at(g, days) for g in range(groups)]).astype(float)
    failures = np.zeros((2, days.size, groups))
    mine = np.flatnonzero(lives.failed & (codes >= 0))
    kind = (cause[mine] != number).astype(int)
    np.add.at(failures, (kind, np.searchsorted(days, lives.time[mine]), codes[mine]), lives.weight[mine])
    return gray_scores(at_risk, failures[0], failures[1])
