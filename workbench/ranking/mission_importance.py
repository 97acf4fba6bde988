"""Mission importance: what held-out predictions lose when choices are handed out anew, against pure noise."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from workbench.lives import Lives
from workbench.ranking.mission_folds import Folds
from workbench.ranking.mission_labels import life_curve, share_failed
from workbench.ranking.mission_model import fit_on_shares

if TYPE_CHECKING:
    from sklearn.pipeline import Pipeline

__all__ = ["HeldOut", "importance_of", "noise_importances", "predict_held_out", "together", "training_shares"]

_MOST_SETTINGS = 50
TOGETHER_FROM = 0.7
"""Cramér's V from which two choices are handed out together; judgement, no source."""


@dataclass(frozen=True, eq=False)
class HeldOut:
    """Predictions for rows that took no part in their making.

    Attributes
    ----------
    predicted, base : np.ndarray of float, shape (n,)
        Chance of failure by the model, and the share of the training rows that failed.
    share : np.ndarray of float, shape (n,)
        What the row is scored against: chance that it failed, by the curve of the training rows.
    models : tuple
        The fitted pipeline of each fold; None where the training rows hold one outcome only.
    """

    predicted: np.ndarray
    base: np.ndarray
    share: np.ndarray
    models: "tuple[Pipeline | None, ...]"

    def loss(self, predicted: np.ndarray) -> np.ndarray:
        """Brier loss of every row.

        Parameters
        ----------
        predicted : np.ndarray of float, shape (n,)
            Chances of failure.

        Returns
        -------
        np.ndarray of float, shape (n,)
            Expected squared error over the row's outcome.

        Raises
        ------
        Nothing.
        """
        return self.share * (1.0 - predicted) ** 2 + (1.0 - self.share) * predicted**2


def training_shares(lives: Lives, labels: np.ndarray, mission: float, folds: Folds) -> np.ndarray:
    """Return the chance of failure of every row by the curve of each fold's training rows.

    Parameters
    ----------
    lives : Lives
        n lives.
    labels : np.ndarray of int, shape (n,)
        As made by `mission_labels`.
    mission : float
        In the unit of the lives.
    folds : Folds
        k folds.

    Returns
    -------
    np.ndarray of float, shape (k, n)
        Row f belongs to the fit without fold f.

    Raises
    ------
    Nothing.
    """
    curves = [life_curve(lives.take(folds.fold != f)) for f in range(folds.count)]
    return np.array([share_failed(lives, labels, mission, curve) for curve in curves])


def predict_held_out(
    pipeline: "Pipeline", frame: pd.DataFrame, shares: np.ndarray, weight: np.ndarray, folds: Folds
) -> HeldOut:
    """Predict every row by the model of the other folds.

    Parameters
    ----------
    pipeline : sklearn Pipeline
        Unfitted.
    frame : pandas.DataFrame of n rows
        As made by `model_frame`.
    shares : np.ndarray of float, shape (k, n)
        As made by `training_shares`.
    weight : np.ndarray, shape (n,)
        Units a row stands for.
    folds : Folds
        k folds.

    Returns
    -------
    HeldOut
        Pooled over the folds.

    Raises
    ------
    Nothing.
    """
    n = len(frame)
    predicted, base, own = np.empty(n), np.empty(n), np.empty(n)
    models: list[Pipeline | None] = []
    for f, share in enumerate(shares):
        held, trained = folds.fold == f, folds.fold != f
        rate = float(np.average(share[trained], weights=weight[trained]))
        own[held], base[held] = share[held], rate
        if not 0.0 < rate < 1.0:
            predicted[held] = rate
            models.append(None)
            continue
        model = fit_on_shares(pipeline, frame[trained], share[trained], weight[trained])
        predicted[held] = model.predict_proba(frame[held])[:, 1]
        models.append(model)
    return HeldOut(predicted=predicted, base=base, share=own, models=tuple(models))


def importance_of(
    held_out: HeldOut,
    frame: pd.DataFrame,
    columns: Sequence[str],
    weight: np.ndarray,
    folds: Folds,
    rng: np.random.Generator,
) -> float:
    """Return how much the Brier score rises when the values of some columns are handed out anew among held-out rows.

    The mean over all ways to hand them out (with replacement, by weight) is taken, so that no chance enters; beyond
    50 distinct settings in a fold, 50 are drawn.

    Parameters
    ----------
    held_out : HeldOut
        Predictions and models.
    frame : pandas.DataFrame of n rows
        As made by `model_frame`.
    columns : sequence of str
        Handed out together.
    weight : np.ndarray, shape (n,)
        Units a row stands for.
    folds : Folds
        The folds.
    rng : numpy.random.Generator
        Chance, for many settings.

    Returns
    -------
    float
        Above 0 where the columns help on rows not seen.

    Raises
    ------
    Nothing.
    """
    changed = np.zeros(len(frame))
    whole = held_out.loss(held_out.predicted)
    for f, model in enumerate(held_out.models):
        rows = np.flatnonzero(folds.fold == f)
        if model is None:
            changed[rows] = whole[rows]
            continue
        part = frame.iloc[rows].reset_index(drop=True)
        settings, chance = _settings(part[list(columns)], weight[rows], rng)
        for setting, share in zip(settings, chance, strict=True):
            predicted = model.predict_proba(part.assign(**dict(zip(columns, setting, strict=True))))[:, 1]
            truth = held_out.share[rows]
            changed[rows] += share * (truth * (1.0 - predicted) ** 2 + (1.0 - truth) * predicted**2)
    return float(np.average(changed - whole, weights=weight))


def _settings(part: pd.DataFrame, weight: np.ndarray, rng: np.random.Generator) -> tuple[list[tuple], np.ndarray]:
    counted = part.assign(_weight=weight).groupby(list(part.columns), sort=True)["_weight"].sum()
    settings = [s if isinstance(s, tuple) else (s,) for s in counted.index]
    chance = counted.to_numpy(dtype=float) / float(weight.sum())
    if len(settings) <= _MOST_SETTINGS:
        return settings, chance
    drawn = rng.choice(len(settings), size=_MOST_SETTINGS, p=chance)
    return [settings[i] for i in drawn], np.full(_MOST_SETTINGS, 1.0 / _MOST_SETTINGS)


def noise_importances(
    pipeline_of: "Callable[[pd.DataFrame], Pipeline]",
    frame: pd.DataFrame,
    choices: Sequence[str],
    shares: np.ndarray,
    weight: np.ndarray,
    folds: Folds,
    rng: np.random.Generator,
    *,
    refits: int = 14,
) -> np.ndarray:
    """Return the importances that columns without any meaning reach: shuffled copies of choices, three a refit.

    Parameters
    ----------
    pipeline_of : callable
        Frame in, unfitted pipeline out.
    frame : pandas.DataFrame of n rows
        As made by `model_frame`.
    choices : sequence of str
        Whose copies are shuffled, in turn.
    shares : np.ndarray of float, shape (k, n)
        As made by `training_shares`.
    weight : np.ndarray, shape (n,)
        Units a row stands for.
    folds : Folds
        The folds.
    rng : numpy.random.Generator
        Chance.
    refits : int
        How many times three noise columns are added and all folds fitted again.

    Returns
    -------
    np.ndarray of float, shape (3 refits,)
        One a noise column.

    Raises
    ------
    Nothing.
    """
    found = []
    for refit in range(refits):
        sources = [choices[(3 * refit + i) % len(choices)] for i in range(3)]
        noise = {f"noise {i}": rng.permutation(frame[source].to_numpy()) for i, source in enumerate(sources)}
        wider = frame.assign(**noise)
        held_out = predict_held_out(pipeline_of(wider), wider, shares, weight, folds)
        found += [importance_of(held_out, wider, [name], weight, folds, rng) for name in noise]
    return np.array(found)


def together(frame: pd.DataFrame, choices: Sequence[str], weight: np.ndarray) -> list[tuple[str, ...]]:
    """Group choices that nearly say the same, by Cramér's V of at least 0.7, directly or through others.

    Parameters
    ----------
    frame : pandas.DataFrame of n rows
        As made by `model_frame`.
    choices : sequence of str
        To group; a number is compared by its value above or below its median.
    weight : np.ndarray, shape (n,)
        Units a row stands for.

    Returns
    -------
    list of tuple of str
        In order of the choices.

    Raises
    ------
    Nothing.

    References
    ----------
    Cramér (1946), Mathematical Methods of Statistics, ch. 21 (from memory).
    """
    from scipy.sparse.csgraph import connected_components

    size = len(choices)
    near = np.eye(size, dtype=bool)
    for i in range(size):
        for j in range(i):
            near[i, j] = near[j, i] = _cramer(frame[choices[i]], frame[choices[j]], weight) >= TOGETHER_FROM
    _, part = connected_components(near, directed=False)
    return [tuple(c for c, p in zip(choices, part, strict=True) if p == number) for number in dict.fromkeys(part)]


def _cramer(a: pd.Series, b: pd.Series, weight: np.ndarray) -> float:
    table = pd.crosstab(_as_levels(a), _as_levels(b), values=weight, aggfunc="sum").fillna(0.0).to_numpy(dtype=float)
    if min(table.shape) < 2:
        return 0.0
    expected = table.sum(axis=1, keepdims=True) * table.sum(axis=0) / table.sum()
    return float(np.sqrt(((table - expected) ** 2 / expected).sum() / table.sum() / (min(table.shape) - 1)))


def _as_levels(column: pd.Series) -> np.ndarray:
    if pd.api.types.is_numeric_dtype(column):
        return (column > column.median()).to_numpy().astype(str)
    return column.to_numpy()
