"""Imputation: incidence of each mechanism with undetermined failures drawn from their probabilities and pooled."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import stats

from workbench.checks import check_confidence, check_whole
from workbench.errors import EstimateError
from workbench.estimate.incidence import cumulative_incidence
from workbench.lives import UNDETERMINED, Lives
from workbench.results import Result
from workbench.teardown.mechanism import MechanismSuggestions
from workbench.wording import count_of

__all__ = ["ImputedIncidence", "Pooled", "draw_mechanisms", "imputed_incidence", "pool_estimates"]

DRAWS = 50
"""How often the undetermined mechanisms are drawn."""


class Pooled(NamedTuple):
    """Estimates of m completed data sets as one: arrays of the shape of one estimate."""

    estimate: np.ndarray
    within: np.ndarray
    between: np.ndarray
    total: np.ndarray
    degrees_of_freedom: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class ImputedIncidence(Result):
    """Incidence by mechanism with undetermined failures imputed.

    `columns`: group, cause, time, incidence, lower, upper (imputed and pooled), missing_share (share of the variance
    that comes from not knowing), recorded (undetermined as a class of its own:
    the least it can be), most (every undetermined failure of this cause: the most).

    Attributes
    ----------
    confidence : float
        Level of lower and upper.
    unit : str
        Unit of time.
    undetermined : int
        Failures that were drawn.
    """

    confidence: float
    unit: str
    undetermined: int


def pool_estimates(estimates: np.ndarray, variances: np.ndarray) -> Pooled:
    """Pool m estimates of completed data sets by Rubin's rules.

    Parameters
    ----------
    estimates, variances : np.ndarray of float, shape (m, ...)
        Estimate and its squared standard error from each data set, on a scale on which they are about normal.

    Returns
    -------
    Pooled
        Mean estimate; within and between variance; total = within + (1 + 1/m) between; degrees of freedom of the t
        distribution, infinite where the estimates agree.

    Raises
    ------
    EstimateError
        If there are fewer than two data sets.

    References
    ----------
    Rubin, Multiple Imputation for Nonresponse in Surveys (1987), formulas 3.1.2 to 3.1.6.

    Examples
    --------
    >>> pooled = pool_estimates(np.arange(1.0, 11.0), (np.arange(1.0, 11.0) / 5) ** 2)
    >>> float(pooled.estimate), round(float(np.sqrt(pooled.total)), 6)
    (5.5, 3.409301)
    """
    draws = estimates.shape[0]
    if draws < 2:
        raise EstimateError(f"pooling needs at least 2 completed data sets; got {draws}")
    within, between = variances.mean(axis=0), estimates.var(axis=0, ddof=1)
    extra = (1 + 1 / draws) * between
    agree = extra <= 1e-12 * np.maximum(within, 1e-300)
    ratio = np.where(agree, 1.0, within / np.where(agree, 1.0, extra))
    freedom = np.where(agree, np.inf, (draws - 1) * (1 + ratio) ** 2)
    return Pooled(estimates.mean(axis=0), within, between, within + extra, freedom)


def draw_mechanisms(
    suggestions: MechanismSuggestions, positions: np.ndarray, *, draws: int = DRAWS, seed: int = 0
) -> np.ndarray:
    """Draw the mechanism of failures from what their signs say, the parameters of the probabilities drawn too.

    Parameters
    ----------
    suggestions : MechanismSuggestions
        As made by `suggest_mechanism`.
    positions : np.ndarray of int, shape (u,)
        Positions in the records of the failures to draw.
    draws : int
        How often.
    seed : int
        Start of the draws; the same seed gives the same mechanisms whatever the order of positions.

    Returns
    -------
    np.ndarray of object, shape (draws, u)
        Mechanisms.

    Raises
    ------
    UsageError
        If draws is no whole number of at least 1.
    """
    check_whole("draws", draws, least=1)
    rng = np.random.default_rng(seed)
    model, names = suggestions.model, np.array(suggestions.mechanisms, dtype=object)
    columns = [suggestions.teardowns.signs.index(sign) for sign in model.signs]
    seen = suggestions.teardowns.seen[positions][:, columns]
    order = np.lexsort(np.nan_to_num(seen, nan=2.0).T) if len(positions) else np.zeros(0, dtype=int)
    drawn = np.empty((draws, len(positions)), dtype=object)
    for number in range(draws):
        chances = np.cumsum(model.drawn(rng).probabilities(seen[order]), axis=1)
        picked = (rng.random((len(order), 1)) > chances[:, :-1]).sum(axis=1)
        drawn[number, order] = names[picked]
    return drawn


def imputed_incidence(
    lives: Lives,
    drawn: np.ndarray,
    times: Sequence[float],
    *,
    by: str | None = None,
    merge: Mapping[str, str] | None = None,
    confidence: float = 0.95,
) -> ImputedIncidence:
    """Cumulative incidence of each mechanism, undetermined failures imputed and pooled on the log(-log) scale.

    Parameters
    ----------
    lives : Lives
        n lives with causes; u of them failed of "undetermined".
    drawn : np.ndarray of object, shape (m, u)
        Mechanisms of those u in the order of the lives, as made by `draw_mechanisms`.
    times : sequence of float
        Days at which the incidence is wanted.
    by : str, optional
        Covariate that makes groups.
    merge : mapping of str to str, optional
        Mechanism to a wider word, such as every leak to "water"; others keep their name.
    confidence : float in (0, 1)
        Two-sided level.

    Returns
    -------
    ImputedIncidence
        One row a group, cause and time; causes as recorded or drawn. Beside the imputed figure stand the figure with
        "undetermined" as a class of its own and the figure with every undetermined failure counted here.

    Raises
    ------
    EstimateError
        If the lives carry no causes, or drawn does not fit the undetermined failures.
    UsageError
        If a covariate or the confidence is wrong.

    References
    ----------
    Rubin (1987) for pooling; log(-log) of 1 minus the incidence keeps limits within 0 and 1.
    """
    check_confidence(confidence)
    if lives.cause is None:
        raise EstimateError("these lives carry no causes, so there is nothing to impute")
    open_rows = np.flatnonzero(lives.cause == UNDETERMINED)
    if drawn.ndim != 2 or drawn.shape[1] != open_rows.size:
        raise EstimateError(f"drawn has shape {drawn.shape} for {open_rows.size} undetermined failures")
    words = dict(merge or {})
    known = _merged(lives.cause, words)
    filled = (
        [_with_causes(known, open_rows, _merged(row, words)) for row in drawn] if open_rows.size else [known, known]
    )
    causes = sorted(
        {str(c) for c in known if c not in ("", UNDETERMINED)} | {str(c) for row in filled for c in row if c}
    )
    causes = [cause for cause in causes if cause != UNDETERMINED]
    parts = [_incidence(lives, row, causes, times, by, confidence) for row in filled]
    recorded = _incidence(lives, known, causes, times, by, confidence)
    most = {
        cause: _incidence(
            lives, _with_causes(known, open_rows, np.full(open_rows.size, cause)), causes, times, by, confidence
        )
        for cause in causes
    }
    columns = {name: recorded[name] for name in ("group", "cause", "time")}
    stacked = {name: np.array([part[name] for part in parts]) for name in ("incidence", "std_error", "lower", "upper")}
    columns |= _pooled_columns(stacked, confidence)
    columns["recorded"] = recorded["incidence"]
    columns["most"] = np.select(
        [recorded["cause"] == cause for cause in causes], [most[cause]["incidence"] for cause in causes], np.nan
    )
    count = int(lives.weight[open_rows].sum())
    return ImputedIncidence(
        columns=columns, notes=_notes(count, len(filled)), confidence=confidence, unit=lives.unit, undetermined=count
    )


def _merged(causes: np.ndarray, words: Mapping[str, str]) -> np.ndarray:
    return np.array([words.get(str(c), str(c)) for c in causes], dtype=object)


def _with_causes(known: np.ndarray, rows: np.ndarray, causes: np.ndarray) -> np.ndarray:
    filled = known.copy()
    filled[rows] = causes
    return filled


def _incidence(
    lives: Lives, cause: np.ndarray, causes: Sequence[str], times: Sequence[float], by: str | None, confidence: float
) -> dict[str, np.ndarray]:
    """Incidence at the times of every group and cause, causes that did not occur included at 0."""
    result = cumulative_incidence(lives.replace(cause=cause), by, confidence=confidence)
    found = result.at(times).set_index(["group", "cause", "time"])
    wanted = [(g, c, float(t)) for g in result.labels for c in causes for t in np.atleast_1d(times)]
    here = found.reindex(wanted)
    known = (
        found.groupby(level=["group", "time"])["incidence"].transform("sum").groupby(level=["group", "time"]).first()
    )
    absent = here["incidence"].isna().to_numpy() & np.array([np.isfinite(known[(g, t)]) for g, _, t in wanted])
    columns = {
        name: np.array([row[i] for row in wanted], dtype=object) for i, name in enumerate(("group", "cause", "time"))
    }
    columns["time"] = columns["time"].astype(float)
    for name in ("incidence", "std_error", "lower", "upper"):
        columns[name] = np.where(absent, 0.0, here[name].to_numpy(dtype=float))
    return columns


def _pooled_columns(parts: Mapping[str, np.ndarray], confidence: float) -> dict[str, np.ndarray]:
    """Pool on log(-log(1 - F)); where a draw has 0 or 1, on the plain scale. Spread comes from each draw's limits."""
    z = stats.norm.ppf((1 + confidence) / 2)
    share, lower, upper = parts["incidence"], parts["lower"], parts["upper"]
    inside = ((share > 0) & (share < 1) & (lower > 0) & (upper < 1)).all(axis=0)
    safe = np.where(inside, share, 0.5)
    bent = pool_estimates(
        _bend(safe), ((_bend(np.where(inside, upper, 0.6)) - _bend(np.where(inside, lower, 0.4))) / (2 * z)) ** 2
    )
    plain = pool_estimates(share, ((upper - lower) / (2 * z)) ** 2)
    reach_bent = stats.t.ppf((1 + confidence) / 2, bent.degrees_of_freedom) * np.sqrt(bent.total)
    reach_plain = stats.t.ppf((1 + confidence) / 2, plain.degrees_of_freedom) * np.sqrt(plain.total)
    never = (share == 0).all(axis=0)
    low = np.where(inside, _unbend(bent.estimate - reach_bent), np.clip(plain.estimate - reach_plain, 0, 1))
    high = np.where(inside, _unbend(bent.estimate + reach_bent), np.clip(plain.estimate + reach_plain, 0, 1))
    used = {name: np.where(inside, getattr(bent, name), getattr(plain, name)) for name in ("within", "total")}
    return {
        "incidence": np.where(inside, _unbend(bent.estimate), plain.estimate),
        "lower": np.where(never, 0.0, low),
        "upper": np.where(never, upper.max(axis=0), high),
        "missing_share": 1 - used["within"] / np.where(used["total"] > 0, used["total"], np.nan),
    }


def _bend(share: np.ndarray) -> np.ndarray:
    return np.log(-np.log1p(-share))


def _unbend(value: np.ndarray) -> np.ndarray:
    return -np.expm1(-np.exp(value))


def _notes(count: int, draws: int) -> tuple[str, ...]:
    if count == 0:
        return ("Every failure has a mechanism, so nothing was drawn.",)
    return (
        f"{count_of(count, 'failure')} without a mechanism: drawn {draws} times from what the signs say and pooled by "
        "Rubin's rules; 'recorded' leaves them a class of their own, 'most' counts them all here.",
        "Drawing assumes that signs say as much about undetermined units as about the others; if the hard cases were "
        "of one kind, the truth lies anywhere between recorded and most.",
    )
