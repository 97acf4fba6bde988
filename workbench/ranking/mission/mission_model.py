"""Mission model: choices in, chance of failing by the mission out, by a penalised logistic model with equal weights."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from sklearn.base import BaseEstimator, TransformerMixin
from sklearn.utils.validation import check_is_fitted, validate_data

from workbench.errors import UsageError
from workbench.estimate.shared import Term

if TYPE_CHECKING:
    from sklearn.pipeline import Pipeline

__all__ = ["FOREST_FROM", "LevelColumns", "ModelColumns", "fit_on_shares", "mission_pipeline", "model_columns"]

FOREST_FROM = 100
"""Failures from which a forest is averaged with the logistic model."""

CHOICE_SD, EXPOSURE_SD = 0.5, 1.0
"""Prior standard deviations of log odds: of a choice's level; of an exposure's level, or a number per its own sd."""


@dataclass(frozen=True, eq=False)
class ModelColumns:
    """The columns of the model for n rows.

    Attributes
    ----------
    names : tuple of str
        Covariates.
    levels : tuple of tuple of str
        Levels of each; () for a number.
    wide : tuple of bool
        Whether the column has the wider prior of exposures.
    values : np.ndarray of float, shape (n, number of columns)
        Level numbers, or standardised numbers.
    """

    names: tuple[str, ...]
    levels: tuple[tuple[str, ...], ...]
    wide: tuple[bool, ...]
    values: np.ndarray

    def places(self, names: Iterable[str]) -> list[int]:
        """Column numbers of some names."""
        return [self.names.index(name) for name in names]

    def take(self, places: Sequence[int]) -> "ModelColumns":
        """Some of the columns."""
        return replace(
            self,
            names=tuple(self.names[p] for p in places),
            levels=tuple(self.levels[p] for p in places),
            wide=tuple(self.wide[p] for p in places),
            values=self.values[:, list(places)],
        )


def model_columns(terms: Sequence[Term], weight: np.ndarray, adjust: Sequence[str]) -> ModelColumns:
    """Return the columns of the model.

    Shapes: weight (n,).
    """
    return ModelColumns(
        names=tuple(t.name for t in terms),
        levels=tuple(() if t.codes is None else t.levels for t in terms),
        wide=tuple(t.codes is None or t.name in adjust for t in terms),
        values=np.column_stack([_column(t, weight) for t in terms]),
    )


def _column(term: Term, weight: np.ndarray) -> np.ndarray:
    if term.values is None:
        return np.asarray(term.codes, dtype=float)
    mean = np.average(term.values, weights=weight)
    return np.asarray((term.values - mean) / np.sqrt(np.average((term.values - mean) ** 2, weights=weight)))


class LevelColumns(TransformerMixin, BaseEstimator):
    """Turn level numbers into one column a level, all of them, so that naming a reference changes nothing."""

    def __init__(self, sizes: Sequence[int] | None = None, scales: Sequence[float] | None = None) -> None:
        self.sizes = sizes
        self.scales = scales

    def fit(self, X: Any, y: Any = None) -> "LevelColumns":
        """Check the width of the input; there is nothing else to learn.

        Shapes: X (n, k).
        """
        width = validate_data(self, X).shape[1]
        for name in ("sizes", "scales"):
            given = getattr(self, name)
            if given is not None and len(given) != width:
                raise UsageError(f"{name} has {len(given)} values for {width} columns")
        return self

    def transform(self, X: Any) -> np.ndarray:
        """Return the columns of the levels.

        Shapes: X (n, k), returns (n, sum of sizes, numbers counted as 1).
        """
        check_is_fitted(self, "n_features_in_")
        values = validate_data(self, X, reset=False).astype(float)
        sizes = self.sizes if self.sizes is not None else [0] * values.shape[1]
        scales = self.scales if self.scales is not None else [1.0] * values.shape[1]
        parts = [
            scale * (column[:, None] == np.arange(size) if size else column[:, None])
            for column, size, scale in zip(values.T, sizes, scales, strict=True)
        ]
        return np.hstack(parts)


def mission_pipeline(columns: ModelColumns, *, forest: bool = False, seed: int = 0) -> "Pipeline":
    """Return the unfitted scikit-learn pipeline. No class weights: what is predicted is a chance."""
    from sklearn.ensemble import RandomForestClassifier, VotingClassifier
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import Pipeline

    sizes = [len(levels) for levels in columns.levels]
    scales = [EXPOSURE_SD / CHOICE_SD if wide else 1.0 for wide in columns.wide]
    model: Any = LogisticRegression(C=CHOICE_SD**2, max_iter=1000)
    if forest:
        trees = RandomForestClassifier(n_estimators=40, min_samples_leaf=10, random_state=seed)
        model = VotingClassifier([("logistic", model), ("forest", trees)], voting="soft")
    return Pipeline([("levels", LevelColumns(sizes=sizes, scales=scales)), ("model", model)])


def fit_on_shares(pipeline: "Pipeline", values: np.ndarray, share: np.ndarray, *, weight: np.ndarray) -> "Pipeline":
    """Fit to rows that failed with some chance: each becomes a failed row of weight q and a lasted one of 1 - q.

    Shapes: values (n, k), share (n,), weight (n,).
    """
    from sklearn.base import clone

    target = np.repeat([1, 0], len(values))
    both = np.concatenate([share * weight, (1.0 - share) * weight])
    used = both > 0
    return clone(pipeline).fit(np.tile(values, (2, 1))[used], target[used], model__sample_weight=both[used])
