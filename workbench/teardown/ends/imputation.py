"""Imputation: incidence of each mechanism with undetermined failures drawn from their probabilities and pooled."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtrit

from workbench.checks import check_confidence, check_whole
from workbench.errors import EstimateError
from workbench.estimate.curves import cumulative_incidence
from workbench.estimate.shared import groups_of
from workbench.lives import UNDETERMINED, Lives
from workbench.results import Result
from workbench.teardown.ends.contributions import failure_contributions
from workbench.teardown.mechanisms import MechanismSuggestions
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

    Shapes: estimates, variances (m, ...).

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

    Shapes: positions (u,), returns (draws, u).
    """
    draws = check_whole("draws", draws, least=1)
    rng = np.random.default_rng(seed)
    model, names = suggestions.model, np.array(suggestions.mechanisms, dtype=object)
    columns = [suggestions.teardowns.signs.index(sign) for sign in model.signs]
    seen = suggestions.teardowns.seen[positions][:, columns]
    order = np.lexsort(np.nan_to_num(seen, nan=2.0).T) if len(positions) else np.zeros(0, dtype=int)
    drawn = np.empty((draws, len(positions)), dtype=object)
    is_first = _differs_from_before(seen[order])
    kind = np.cumsum(is_first) - 1
    for number in range(draws):
        chances = np.cumsum(model.drawn(rng).probabilities(seen[order][is_first]), axis=1)
        picked = (rng.random((len(order), 1)) > chances[kind, :-1]).sum(axis=1)
        drawn[number, order] = names[picked]
    return drawn


def _differs_from_before(rows: np.ndarray) -> np.ndarray:
    """Whether each row differs from the row before it; two values that are not known are alike."""
    differs = np.ones(len(rows), dtype=bool)
    known = np.nan_to_num(rows, nan=2.0)
    differs[1:] = (known[1:] != known[:-1]).any(axis=1)
    return differs


def imputed_incidence(
    lives: Lives,
    drawn: np.ndarray,
    times: Sequence[float] | np.ndarray,
    *,
    by: str | None = None,
    merge: Mapping[str, str] | None = None,
    confidence: float = 0.95,
) -> ImputedIncidence:
    """Cumulative incidence of each mechanism, undetermined failures imputed and pooled on the log(-log) scale.

    Shapes: drawn (m, u).

    References
    ----------
    Rubin (1987) for pooling; log(-log) of 1 minus the incidence keeps limits within 0 and 1.
    """
    confidence = check_confidence(confidence)
    if lives.cause is None:
        raise EstimateError("these lives carry no causes, so there is nothing to impute")
    open_rows = np.flatnonzero(lives.cause == UNDETERMINED)
    if drawn.ndim != 2 or drawn.shape[1] != open_rows.size or len(drawn) < 2:
        raise EstimateError(f"drawn has shape {drawn.shape}; give at least 2 rows of {open_rows.size} mechanisms")
    if not lives.failures:
        raise EstimateError("no unit failed, so there is no mechanism to impute")
    words, wanted = dict(merge or {}), np.atleast_1d(np.asarray(times, dtype=float))
    known = _merged(lives.cause, words)
    filled = [_with_causes(known, open_rows, _merged(row, words)) for row in drawn]
    causes = sorted({str(c) for row in filled for c in row} - {"", UNDETERMINED})
    labels, codes, parts = failure_contributions(lives, wanted, by)
    place = _Places(labels, codes, parts, causes=tuple(causes))
    share = np.array([place.incidence(row) for row in filled])
    size = _effective_units(
        lives.replace(cause=filled[0]), wanted, by, labels=labels, causes=causes, confidence=confidence
    )
    recorded = place.incidence(known)
    columns = {
        "group": np.repeat(np.array(labels, dtype=object), len(causes) * wanted.size),
        "cause": np.tile(np.repeat(np.array(causes, dtype=object), wanted.size), len(labels)),
        "time": np.tile(wanted, len(labels) * len(causes)),
    }
    columns |= _pooled_columns(share.reshape(len(filled), -1), size.ravel(), confidence)
    columns["recorded"] = recorded.ravel()
    columns["most"] = (recorded + place.of(known == UNDETERMINED)[:, None, :]).ravel()
    count = int(lives.weight[open_rows].sum())
    return ImputedIncidence(
        columns=columns, notes=_notes(count, len(filled)), confidence=confidence, unit=lives.unit, undetermined=count
    )


class _Places:
    """Sums what failures contribute, by group (g), cause (c) and time (m)."""

    def __init__(
        self, labels: tuple[str, ...], codes: np.ndarray, parts: np.ndarray, *, causes: tuple[str, ...]
    ) -> None:
        self._groups = len(labels)
        self._codes, self._parts, self._causes = codes, parts, causes

    def of(self, rows: np.ndarray) -> np.ndarray:
        """Sum over some rows, shape (g, m)."""
        return np.array([np.where(rows & (self._codes == g), 1.0, 0.0) @ self._parts for g in range(self._groups)])

    def incidence(self, cause: np.ndarray) -> np.ndarray:
        """Incidence of every cause, shape (g, c, m)."""
        return np.stack([self.of(cause == name) for name in self._causes], axis=1)


def _effective_units(
    lives: Lives, times: np.ndarray, by: str | None, *, labels: Sequence[str], causes: Sequence[str], confidence: float
) -> np.ndarray:
    """How many units, all followed to that time, would give the limits that the estimate has; shape (g, c, m)."""
    found = cumulative_incidence(lives, by, confidence=confidence).at(times).set_index(["group", "cause", "time"])
    index = pd.MultiIndex.from_product([list(labels), list(causes), times], names=found.index.names)
    here = found.loc[~found.index.duplicated()].reindex(index)
    share, lower, upper = (here[name].to_numpy(dtype=float) for name in ("incidence", "lower", "upper"))
    usable = (share > 0) & (share < 1) & (lower > 0) & (upper < 1)
    share, lower, upper = (np.where(usable, x, y) for x, y in ((share, 0.5), (lower, 0.4), (upper, 0.6)))
    spread = (_bend(upper) - _bend(lower)) / (2 * ndtri((1 + confidence) / 2))
    size = np.where(usable, share / ((1 - share) * np.log1p(-share) ** 2 * spread**2), np.nan)
    size = size.reshape(len(labels), len(causes), times.size)
    units = np.array([lives.weight[groups_of(lives, by).codes == g].sum() for g in range(len(labels))], dtype=float)
    usual = np.array([[_median(size[g, :, t], units[g]) for t in range(times.size)] for g in range(len(labels))])
    return np.where(np.isfinite(size), size, usual[:, None, :])


def _median(values: np.ndarray, otherwise: float) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else otherwise


def _merged(causes: np.ndarray, words: Mapping[str, str]) -> np.ndarray:
    return np.array([words.get(str(c), str(c)) for c in causes], dtype=object)


def _with_causes(known: np.ndarray, rows: np.ndarray, causes: np.ndarray) -> np.ndarray:
    filled = known.copy()
    filled[rows] = causes
    return filled


def _pooled_columns(share: np.ndarray, size: np.ndarray, confidence: float) -> dict[str, np.ndarray]:
    """Pool draws (m, r) on log(-log(1 - F)); where a draw has 0 or 1, on the plain scale; size (r,) effective units."""
    inside = ((share > 0) & (share < 1)).all(axis=0)
    safe = np.where(inside, share, 0.5)
    bent = pool_estimates(_bend(safe), safe / (size * (1 - safe) * np.log1p(-safe) ** 2))
    plain = pool_estimates(share, share * (1 - share) / size)
    low, high = (
        np.where(
            inside,
            _unbend(bent.estimate + sign * _reach(bent, confidence)),
            plain.estimate + sign * _reach(plain, confidence),
        )
        for sign in (-1, 1)
    )
    bound = 1 - ((1 - confidence) / 2) ** (1 / np.maximum(size, 1.0))
    used = {name: np.where(inside, getattr(bent, name), getattr(plain, name)) for name in ("within", "total")}
    return {
        "incidence": np.where(inside, _unbend(bent.estimate), plain.estimate),
        "lower": np.clip(low, 0, 1),
        "upper": np.where(inside, high, np.maximum(np.clip(high, 0, 1), bound)),
        "missing_share": 1 - used["within"] / np.where(used["total"] > 0, used["total"], np.nan),
    }


def _reach(pooled: Pooled, confidence: float) -> np.ndarray:
    return np.asarray(stdtrit(pooled.degrees_of_freedom, (1 + confidence) / 2) * np.sqrt(pooled.total))


def _bend(share: np.ndarray) -> np.ndarray:
    return np.asarray(np.log(-np.log1p(-share)))


def _unbend(value: np.ndarray) -> np.ndarray:
    return np.asarray(-np.expm1(-np.exp(value)))


def _notes(count: int, draws: int) -> tuple[str, ...]:
    if count == 0:
        return ("Every failure has a mechanism, so nothing was drawn.",)
    return (
        f"{count_of(count, 'failure')} without a mechanism: drawn {draws} times from what the signs say and pooled by "
        "Rubin's rules; 'recorded' leaves them a class of their own, 'most' counts them all here.",
        "Drawing assumes that signs say as much about undetermined units as about the others; if the hard cases were "
        "of one kind, the truth lies anywhere between recorded and most.",
    )
