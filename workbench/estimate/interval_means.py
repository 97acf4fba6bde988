"""Interval means: interval-censored lives by group and a horizon in, restricted means with resampled limits out."""

import numpy as np

from workbench.estimate.groups import Groups
from workbench.estimate.interval_curves import Mass, mass_of
from workbench.estimate.mean_parts import MeanOfGroup
from workbench.estimate.npmle import Problem
from workbench.lives import Lives

__all__ = ["interval_means"]

_RESAMPLES = 1000
_SEED = 0
_LEAST_SHARE = 1e-4
_STEPS = 501
_CHECK_EVERY = 50
_CLOSE = 0.01
_NOBODY = 1e-300


def interval_means(lives: Lives, groups: Groups, horizon: float) -> tuple[MeanOfGroup, ...]:
    """Restricted means of interval-censored lives: mass spread evenly in its cell, limits by weighted resamples.

    Parameters
    ----------
    lives : Lives
        n lives.
    groups : Groups
        As made by `groups_of`.
    horizon : float
        Up to here.

    Returns
    -------
    tuple of MeanOfGroup
        One a group, with the means for both ends of the cells in its notes.

    Raises
    ------
    Nothing.

    References
    ----------
    Rubin (1981), Ann. Stat. 9, 130-134 (weights of the resamples).
    """
    return tuple(
        _mean_of(lives.take(np.flatnonzero(groups.codes == g)), label, horizon) for g, label in enumerate(groups.labels)
    )


def _mean_of(lives: Lives, label: str, horizon: float) -> MeanOfGroup:
    lives = lives.take(lives.canonical_order())
    fitted = mass_of(lives.lower, lives.upper, lives.entry, lives.weight)
    cells, end, unit = fitted.cells, int(fitted.ends[0]), lives.unit
    open_end = fitted.breaks_off or not np.isfinite(cells.end[end])
    if open_end and horizon > cells.start[end]:
        return MeanOfGroup.unknown(
            f"{label}: nothing is known after {cells.start[end]:g} {unit}, so there is no restricted mean up to "
            f"{horizon:g} {unit}."
        )
    start, stop, mass = cells.start[: end + 1], cells.end[: end + 1], fitted.mass[: end + 1]
    worth = _mean_within(start, stop, horizon)
    if mass @ (start < horizon) < 1e-9:
        working = int(lives.weight[(lives.lower >= horizon) & (lives.entry < horizon)].sum())
        return MeanOfGroup.without_failure(label, horizon, working, unit)
    mean = float(mass @ worth)
    early, late = float(mass @ np.minimum(start, horizon)), float(mass @ np.minimum(stop, horizon))
    note = (
        f"{label}: failures are spread evenly between the times that bound them; all at the start would give a mean "
        f"of {early:.3g}, all at the end {late:.3g} {unit}."
    )
    draws = _resampled(lives, fitted, worth)
    if np.ptp(draws) < 1e-9 * horizon:
        return MeanOfGroup.without_spread(mean, f"{label}: all failures fall into one cell, so no limits can be given.")
    return MeanOfGroup.resampled(mean, draws, horizon, note)


def _mean_within(start: np.ndarray, stop: np.ndarray, horizon: float) -> np.ndarray:
    # mean of min(T, horizon) for T even in (start, stop]
    low, high = np.minimum(start, horizon), np.minimum(stop, horizon)
    width = np.where(np.isfinite(stop) & (stop > start), stop - start, 1.0)
    before = np.clip((high - low) / width, 0.0, 1.0)
    return np.where(stop > start, before * 0.5 * (low + high) + (1.0 - before) * horizon, low)


def _resampled(lives: Lives, fitted: Mass, worth: np.ndarray) -> np.ndarray:
    rng = np.random.default_rng(_SEED)
    problem = fitted.problems[0]
    if lives.cluster is None:
        draws = rng.gamma(problem.weight, size=(_RESAMPLES, len(problem.weight)))
    else:
        end = int(fitted.ends[0])
        used = fitted.cells.entered <= end
        _, cluster = np.unique(lives.cluster[used].astype(str), return_inverse=True)
        shares = rng.gamma(1.0, size=(_RESAMPLES, int(cluster.max()) + 1))
        draws = shares[:, cluster] * lives.weight[used]
        last = np.minimum(fitted.cells.last[used], end)
        problem = Problem(end + 1, fitted.cells.first[used], last, fitted.cells.entered[used], draws[0])
    return _means_by_em(problem, draws.T, fitted.hazard[: problem.cells], worth)


def _means_by_em(problem: Problem, weights: np.ndarray, share: np.ndarray, worth: np.ndarray) -> np.ndarray:
    # all resamples at once, from the fit to the lives themselves; arrays are (cells or lives, resamples)
    from scipy.sparse import csr_array

    m, (count, resamples) = problem.cells, weights.shape
    ones, lives = np.ones(count), np.arange(count)
    begins = csr_array((ones, (problem.first, lives)), shape=(m + 1, count))
    runs = begins - csr_array((ones, (problem.last + 1, lives)), shape=(m + 1, count))
    entrants = np.cumsum(csr_array((ones, (problem.entered, lives)), shape=(m, count)) @ weights, axis=0)
    share = np.repeat(np.clip(share, _LEAST_SHARE, 1.0)[:, None], resamples, axis=1)
    before = np.ones((m + 1, resamples))
    means = np.full(resamples, np.inf)
    for step in range(_STEPS):
        np.cumprod(1.0 - share, axis=0, out=before[1:])
        before[m] = 0.0
        mass = before[:-1] - before[1:]
        pull = weights / (before[problem.first] - before[problem.last + 1])
        failed = mass * np.maximum(np.cumsum(runs @ pull, axis=0)[:-1], 0.0)
        at_risk = entrants - np.cumsum(failed, axis=0) + failed
        share = np.clip(failed / np.maximum(at_risk, _NOBODY), 0.0, 1.0)
        share[-1] = 1.0
        if step % _CHECK_EVERY == 0:
            previous, means = means, worth @ mass
            if np.max(np.abs(means - previous)) < _CLOSE * np.std(means):
                break
    return means
