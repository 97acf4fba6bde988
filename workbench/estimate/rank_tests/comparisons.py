"""Comparisons: lives and groups in, rank tests of equal life out, overall, by pair and along ordered levels."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from workbench.checks import check_one_of, check_positive, check_whole
from workbench.errors import EstimateError, UsageError
from workbench.estimate.rank_tests.comparison_results import GroupComparison, pairs_wanted, units_and_failures
from workbench.estimate.rank_tests.counted_tests import (
    chi_square,
    counted_evidence,
    counted_pairs,
    tables_of,
    whitening,
)
from workbench.estimate.rank_tests.permutation_tests import (
    exact_p,
    exchangeable_units,
    permutation_p,
    permutation_variance,
)
from workbench.estimate.rank_tests.rank_weights import WEIGHTS, average_scores, unit_scores
from workbench.estimate.shared import adjusted_by_holm, groups_of
from workbench.estimate.steps import RiskSets, reference_label, risk_sets
from workbench.estimate.turnbull import interval_scores
from workbench.lives import Lives

__all__ = ["GroupComparison", "compare_groups", "compare_trend"]

SCORES = ("sun", "finkelstein")
METHODS = ("asymptotic", "permutation", "exact")
_FEW_FAILURES = 10


@dataclass(frozen=True, eq=False)
class _Question:
    """Lives with their group and stratum numbers, and how they are to be compared."""

    lives: Lives
    labels: tuple[str, ...]
    codes: np.ndarray
    strata: np.ndarray
    strata_count: int
    weight: str
    rho: float
    gamma: float
    method: str
    resamples: int
    seed: int

    def of_pair(self, a: int, b: int) -> "_Question":
        """The same question about two groups only, renumbered 0 and 1."""
        rows = np.flatnonzero((self.codes == a) | (self.codes == b))
        codes = (self.codes[rows] == b).astype(np.int64)
        present, strata = np.unique(self.strata[rows], return_inverse=True)
        return replace(
            self,
            lives=self.lives.take(rows),
            labels=(self.labels[a], self.labels[b]),
            codes=codes,
            strata=strata,
            strata_count=len(present),
        )


@dataclass(frozen=True, eq=False)
class _Answer:
    """Statistic, degrees of freedom, p value, signed root and expected failures by group."""

    statistic: float
    degrees: int
    p_value: float
    root: float
    expected: np.ndarray


def compare_groups(
    lives: Lives,
    by: str | Sequence[str],
    *,
    weight: str = "logrank",
    rho: float = 0.0,
    gamma: float = 0.0,
    within: str | Sequence[str] | None = None,
    reference: str | None = None,
    method: str = "asymptotic",
    resamples: int = 9999,
    seed: int = 0,
) -> GroupComparison:
    """Test whether groups live equally long, overall and by pair.

    Parameters
    ----------
    lives : Lives
        n lives in at least two groups.
    by : str or sequence of str
        Covariates that make the groups.
    weight : str
        logrank, gehan, tarone-ware, peto or fleming-harrington. Interval-censored lives take score tests: sun (what
        "logrank" means for them; it equals the log-rank scores for exact lives) or finkelstein.
    rho, gamma : float
        Powers of S and 1 - S for fleming-harrington.
    within : str, sequence of str, or None
        Covariates whose values are compared inside only (strata); units without a value are left out and counted.
    reference : str, optional
        Only pairs with this group stand in `.pairwise`; all pairs when not given.
    method : str
        asymptotic: chi-square with the hypergeometric variance (permutation variance for interval-censored lives);
        permutation: share of random arrangements with as large a statistic; exact: of all arrangements. The last two
        use the permutation variance, change places inside strata and move whole clusters.
    resamples : int
        Arrangements to draw for permutation.
    seed : int
        Of the draws.

    Returns
    -------
    GroupComparison
        `.table`: group, units, failures, expected (by the log-rank); `.pairwise`: group_a, group_b, statistic,
        p_value, p_adjusted.

    Raises
    ------
    UsageError
        If an argument is wrong.
    EstimateError
        If there is one group only, a cluster lies in two groups, permutation or exact meet delayed entry, exact would
        need over a million arrangements, or the weight does not exist for interval-censored lives.

    References
    ----------
    Mantel (1966), Cancer Chemother. Rep. 50, 163-170; Sun (1996), Stat. Med. 15, 1387-1395; Finkelstein (1986),
    Biometrics 42, 845-854; Fay & Shaw (2010), J. Stat. Softw. 36(2).

    Examples
    --------
    >>> import pandas as pd
    >>> lives = Lives.from_arrays([1, 2, 3, 4, 5, 6], [True] * 6, covariates=pd.DataFrame({"vent": list("aabbab")}))
    >>> test = compare_groups(lives, "vent")
    >>> round(test.statistic, 3), test.degrees_of_freedom, round(test.p_value, 3)
    (0.899, 1, 0.343)
    """
    question, notes = _question(
        lives, by, weight, rho=rho, gamma=gamma, within=within, method=method, resamples=resamples, seed=seed
    )
    base = None if reference is None else reference_label(question.labels, reference)
    counts = _counts(question)
    answer = _answer(question, counts, None)
    pairs = pairs_wanted(question.labels, base)
    if question.method == "asymptotic" and question.weight in WEIGHTS:
        statistics = counted_pairs(
            _tables(question, counts), pairs, question.weight, rho=question.rho, gamma=question.gamma
        )
        p_values = chi_square(statistics, 1)
    else:
        answers = [answer] if len(question.labels) == 2 else [_answer_of(question.of_pair(a, b)) for a, b in pairs]
        statistics = np.array([one.statistic for one in answers])
        p_values = np.array([one.p_value for one in answers])
    names = np.array(question.labels, dtype=object)
    pair_columns = {
        "group_a": names[pairs[:, 0]],
        "group_b": names[pairs[:, 1]],
        "statistic": statistics,
        "p_value": p_values,
        "p_adjusted": adjusted_by_holm(p_values),
    }
    return _comparison(question, counts, answer, notes=notes, pair_columns=pair_columns)


def compare_trend(
    lives: Lives,
    by: str | Sequence[str],
    *,
    scores: Sequence[float] | None = None,
    weight: str = "logrank",
    rho: float = 0.0,
    gamma: float = 0.0,
    within: str | Sequence[str] | None = None,
    method: str = "asymptotic",
    resamples: int = 9999,
    seed: int = 0,
) -> GroupComparison:
    """Test for a trend of life along ordered levels, such as the age of a seal or the depth of a mount.

    Parameters
    ----------
    scores : sequence of float, optional
        A number for each level of `by` in the order of its categories, else sorted; 1, 2, 3 ... when not given.
    lives, by, weight, rho, gamma, within, method, resamples, seed
        As in `compare_groups`.

    Returns
    -------
    GroupComparison
        statistic with one degree of freedom; no pairs.

    Raises
    ------
    UsageError, EstimateError
        As `compare_groups`, and where scores do not fit the levels.

    References
    ----------
    Tarone (1975), Biometrika 62, 679-681; Klein & Moeschberger (2003), Survival Analysis, 2nd ed., sec. 7.4.

    Examples
    --------
    >>> compare_trend(Lives.from_arrays([2, 3, 5], [1, 0, 1], covariates={"s": list("abb")}), "s").degrees_of_freedom
    1
    """
    question, notes = _question(
        lives, by, weight, rho=rho, gamma=gamma, within=within, method=method, resamples=resamples, seed=seed
    )
    levels = len(question.labels)
    contrast = np.arange(1.0, levels + 1) if scores is None else np.asarray(scores, dtype=float)
    if contrast.shape != (levels,) or not np.all(np.isfinite(contrast)) or np.all(contrast == contrast[0]):
        raise UsageError(
            f"scores must be {levels} numbers that are not all equal, one for each of "
            f"{', '.join(question.labels)}; got {scores!r}"
        )
    counts = _counts(question)
    answer = _answer(question, counts, contrast)
    none = {name: np.zeros(0) for name in ("group_a", "group_b", "statistic", "p_value", "p_adjusted")}
    return _comparison(question, counts, answer, notes=notes, pair_columns=none, contrast=contrast)


def _question(
    lives: Lives,
    by: str | Sequence[str],
    weight: str,
    *,
    rho: float,
    gamma: float,
    within: str | Sequence[str] | None,
    method: str,
    resamples: int,
    seed: int,
) -> tuple[_Question, tuple[str, ...]]:
    check_one_of("weight", weight, (*WEIGHTS, *SCORES))
    check_one_of("method", method, METHODS)
    resamples = check_whole("resamples", resamples, least=1)
    seed = check_whole("seed", seed)
    powers = check_positive("rho", rho, zero=True), check_positive("gamma", gamma, zero=True)
    if any(powers) and weight != "fleming-harrington":
        raise UsageError(f"rho and gamma belong to weight='fleming-harrington'; got weight={weight!r}")
    groups, strata = groups_of(lives, by), groups_of(lives, within)
    codes, strata_codes = groups.codes, strata.codes
    labels = groups.labels
    missing = (codes < 0) | (strata_codes < 0) if within is not None else codes < 0
    if missing.any():
        rows = np.flatnonzero(~missing)
        lives, codes, strata_codes = lives.take(rows), codes[rows], strata_codes[rows]
        present = np.unique(codes)
        labels, codes = tuple(labels[g] for g in present), np.searchsorted(present, codes)
    present, strata_codes = np.unique(strata_codes, return_inverse=True)
    if len(labels) < 2:
        only = f" (only {labels[0]!r})" if labels else ""
        raise EstimateError(f"a comparison needs at least two groups of {by!r}; there are {len(labels)}{only}")
    interval_censored = not lives.is_right_censored
    if interval_censored and weight not in ("logrank", *SCORES):
        raise EstimateError(
            f"weight {weight!r} does not exist for interval-censored lives; use 'sun' (log-rank scores) or "
            "'finkelstein'"
        )
    if method != "asymptotic" and lives.entry.any():
        row = int(np.argmax(lives.entry > 0))
        raise EstimateError(
            f"method {method!r} needs units that can change places, but row {row} entered late (at "
            f"{lives.entry[row]:g}); use method='asymptotic'"
        )
    weight = "sun" if interval_censored and weight == "logrank" else weight
    question = _Question(
        lives, labels, codes, strata_codes, len(present), weight, *powers, method, int(resamples), int(seed)
    )
    return question, (*groups.notes, *strata.notes, *_question_notes(question))


def _question_notes(question: _Question) -> list[str]:
    lives, notes = question.lives, []
    if question.weight in SCORES:
        notes.append(f"Interval-censored lives: score test with {question.weight.capitalize()}'s scores.")
        if lives.entry.any():
            notes.append(
                "Some units entered late: their scores count from entry, and the variance takes it that late entry "
                "has nothing to do with the group."
            )
    clustered = lives.cluster is not None and np.unique(lives.cluster.astype(str)).size < len(lives)
    if question.method == "asymptotic" and clustered:
        notes.append("Units of one cluster are treated as independent here; method 'permutation' moves whole clusters.")
    return notes


def _counts(question: _Question) -> RiskSets:
    lives, groups = question.lives, len(question.labels)
    codes = question.codes
    if question.strata_count > 1:
        codes = question.strata.astype(np.int64) * groups + codes
    time = lives.lower if question.weight in WEIGHTS else lives.time
    return risk_sets(
        time, lives.failed, lives.entry, weight=lives.weight, codes=codes, groups=groups * question.strata_count
    )


def _tables(question: _Question, counts: RiskSets) -> list[tuple[np.ndarray, np.ndarray]]:
    return tables_of(counts, len(question.labels), question.strata_count)


def _answer_of(question: _Question) -> _Answer:
    return _answer(question, _counts(question), None)


def _answer(question: _Question, counts: RiskSets, contrast: np.ndarray | None) -> _Answer:
    if question.method == "asymptotic" and question.weight in WEIGHTS:
        evidence = counted_evidence(_tables(question, counts), question.weight, question.rho, gamma=question.gamma)
        white = whitening(evidence.variance, contrast)
        return _tested(evidence.excess, white, None, expected=evidence.expected)
    lives = question.lives
    order = lives.canonical_order()
    codes, strata, weight = question.codes[order], question.strata[order], lives.weight[order]
    scores, plain = _scores(question, order)
    cluster = None if lives.cluster is None or question.method == "asymptotic" else lives.cluster[order]
    single = question.method != "asymptotic"
    units = exchangeable_units(
        scores, weight, codes, strata=strata, cluster=cluster, labels=question.labels, single=single
    )
    white = whitening(permutation_variance(units), contrast)
    p_value = None
    if white.shape[1] and question.method == "permutation":
        p_value = permutation_p(units, white, question.resamples, seed=question.seed)
    elif white.shape[1] and question.method == "exact":
        p_value = exact_p(units, white)
    groups = len(question.labels)
    failures = np.bincount(codes, weights=weight * lives.failed[order], minlength=groups)
    return _tested(
        units.excess, white, p_value, expected=failures - np.bincount(codes, weights=plain * weight, minlength=groups)
    )


def _tested(excess: np.ndarray, white: np.ndarray, p_value: float | None, *, expected: np.ndarray) -> _Answer:
    parts, degrees = excess @ white, white.shape[1]
    statistic = float(parts @ parts) if degrees else float("nan")
    p = float(chi_square(statistic, degrees)) if p_value is None else p_value
    return _Answer(statistic, degrees, p, float(parts[0]) if degrees == 1 else float("nan"), expected)


def _scores(question: _Question, order: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    lives, strata = question.lives.take(order), question.strata[order]
    scores, plain = np.empty(len(lives)), np.empty(len(lives))
    for s in range(question.strata_count):
        rows = np.flatnonzero(strata == s)
        part = lives.take(rows)
        if question.weight in SCORES:
            scores[rows] = interval_scores(part, question.weight)
            plain[rows] = scores[rows] if question.weight == "sun" else interval_scores(part, "sun")
            continue
        pooled = risk_sets(
            part.lower, part.failed, part.entry, weight=part.weight, codes=np.zeros(rows.size, dtype=np.int64), groups=1
        )
        scores[rows] = (average_scores if question.method == "exact" else unit_scores)(
            pooled, part.lower, part.failed, weight=question.weight, rho=question.rho, gamma=question.gamma
        )
        plain[rows] = unit_scores(pooled, part.lower, part.failed, weight="logrank", rho=0.0, gamma=0.0)
    return scores, plain


def _comparison(
    question: _Question,
    counts: RiskSets,
    answer: _Answer,
    *,
    notes: tuple[str, ...],
    pair_columns: dict[str, np.ndarray],
    contrast: np.ndarray | None = None,
) -> GroupComparison:
    units, failures = units_and_failures(counts, len(question.labels))
    sentences = [*notes]
    few = [label for label, d in zip(question.labels, failures, strict=True) if d < _FEW_FAILURES]
    if not np.isfinite(answer.statistic):
        sentences.append("No failure happened while units of two groups were at risk, so nothing can be compared.")
    elif few and question.method == "asymptotic":
        sentences.append(
            f"Fewer than {_FEW_FAILURES} failures in {', '.join(few)}: the chi-square is rough there; "
            "method 'permutation' does not lean on it."
        )
    columns = {"group": np.array(question.labels, dtype=object), "units": units, "failures": failures}
    columns |= {"expected": answer.expected} | ({} if contrast is None else {"score": contrast})
    return GroupComparison(
        columns=columns,
        notes=tuple(sentences),
        statistic=answer.statistic,
        degrees_of_freedom=answer.degrees,
        p_value=answer.p_value,
        z=answer.root if contrast is not None else float("nan"),
        method=question.method,
        weight=question.weight,
        pair_columns=pair_columns,
    )
