"""Mission importance: what held-out predictions lose when choices are handed out anew, against pure noise."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workbench.lives import Lives
from workbench.ranking.mission.mission_folds import Folds
from workbench.ranking.mission.mission_labels import life_curve, share_failed
from workbench.ranking.mission.mission_model import ModelColumns, fit_on_shares

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

        Shapes: predicted (n,), returns (n,).
        """
        return np.asarray(self.share * (1.0 - predicted) ** 2 + (1.0 - self.share) * predicted**2)


def training_shares(lives: Lives, labels: np.ndarray, mission: float, *, folds: Folds) -> np.ndarray:
    """Return the chance of failure of every row by the curve of each fold's training rows.

    Shapes: labels (n,), returns (k, n).
    """
    curves = [life_curve(lives.take(folds.fold != f)) for f in range(folds.count)]
    return np.array([share_failed(lives, labels, mission, curve=curve) for curve in curves])


def predict_held_out(
    pipeline: "Pipeline", values: np.ndarray, shares: np.ndarray, *, weight: np.ndarray, folds: Folds
) -> HeldOut:
    """Predict every row by the model of the other folds.

    Shapes: values (n, number of columns), shares (k, n), weight (n,).
    """
    n = len(values)
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
        model = fit_on_shares(pipeline, values[trained], share[trained], weight=weight[trained])
        predicted[held] = model.predict_proba(values[held])[:, 1]
        models.append(model)
    return HeldOut(predicted=predicted, base=base, share=own, models=tuple(models))


def importance_of(
    held_out: HeldOut,
    values: np.ndarray,
    places: Sequence[int],
    *,
    weight: np.ndarray,
    folds: Folds,
    rng: np.random.Generator,
) -> float:
    """Return how much the Brier score rises when the values of some columns are handed out anew among held-out rows.

    The mean over all ways to hand them out (with replacement, by weight) is taken, so that no chance enters; beyond
    50 distinct settings in a fold, 50 are drawn.

    Shapes: values (n, number of columns), weight (n,).
    """
    whole = held_out.loss(held_out.predicted)
    changed = whole.copy()
    for f, model in enumerate(held_out.models):
        if model is None:
            continue
        rows = np.flatnonzero(folds.fold == f)
        settings, chance = _settings(values[rows][:, list(places)], weight[rows], rng)
        handed = np.tile(values[rows], (len(settings), 1))
        handed[:, list(places)] = np.repeat(settings, len(rows), axis=0)
        predicted = model.predict_proba(handed)[:, 1].reshape(len(settings), len(rows))
        truth = held_out.share[rows]
        changed[rows] = chance @ (truth * (1.0 - predicted) ** 2 + (1.0 - truth) * predicted**2)
    return float(np.average(changed - whole, weights=weight))


def _settings(part: np.ndarray, weight: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    settings, place = np.unique(part, axis=0, return_inverse=True)
    chance = np.bincount(place.ravel(), weights=weight) / weight.sum()
    if len(settings) <= _MOST_SETTINGS:
        return settings, chance
    drawn = rng.choice(len(settings), size=_MOST_SETTINGS, p=chance)
    return settings[drawn], np.full(_MOST_SETTINGS, 1.0 / _MOST_SETTINGS)


def noise_importances(
    pipeline_of: "Callable[[ModelColumns], Pipeline]",
    columns: ModelColumns,
    sources: Sequence[int],
    *,
    labelled: tuple[np.ndarray, np.ndarray],
    folds: Folds,
    rng: np.random.Generator,
    refits: int,
) -> np.ndarray:
    """Return the importances that columns without any meaning reach: shuffled copies of choices, three a refit.

    Shapes: labelled (k, n) shares and (n,) weights, returns (3 refits,).
    """
    shares, weight = labelled
    own = list(range(len(columns.names)))
    found = []
    for refit in range(refits):
        copied = [sources[(3 * refit + i) % len(sources)] for i in range(3)]
        wider = columns.take([*own, *copied])
        for place in range(len(own), len(wider.names)):
            wider.values[:, place] = rng.permutation(wider.values[:, place])
        held_out = predict_held_out(pipeline_of(wider), wider.values, shares, weight=weight, folds=folds)
        noise = range(len(own), len(wider.names))
        found += [
            importance_of(held_out, wider.values, [place], weight=weight, folds=folds, rng=rng) for place in noise
        ]
    return np.array(found)


def together(columns: ModelColumns, places: Sequence[int], weight: np.ndarray) -> list[tuple[int, ...]]:
    """Group choices that nearly say the same, by Cramér's V of at least 0.7, directly or through others.

    Shapes: weight (n,).

    References
    ----------
    Cramér (1946), Mathematical Methods of Statistics, ch. 21 (from memory).
    """
    from scipy.sparse.csgraph import connected_components

    codes = [_codes(columns, place) for place in places]
    near = np.array([[a is b or _cramer(a, b, weight) >= TOGETHER_FROM for b in codes] for a in codes])
    _, part = connected_components(near, directed=False)
    return [
        tuple(place for place, p in zip(places, part, strict=True) if p == number) for number in dict.fromkeys(part)
    ]


def _codes(columns: ModelColumns, place: int) -> np.ndarray:
    column = columns.values[:, place]
    return column.astype(np.int64) if columns.levels[place] else (column > np.median(column)).astype(np.int64)


def _cramer(a: np.ndarray, b: np.ndarray, weight: np.ndarray) -> float:
    table = np.zeros((a.max() + 1, b.max() + 1))
    np.add.at(table, (a, b), weight)
    table = table[table.sum(axis=1) > 0][:, table.sum(axis=0) > 0]
    if min(table.shape) < 2:
        return 0.0
    expected = table.sum(axis=1, keepdims=True) * table.sum(axis=0) / table.sum()
    return float(np.sqrt(((table - expected) ** 2 / expected).sum() / table.sum() / (min(table.shape) - 1)))
