"""Mission model: choices in, chance of failing by the mission out, by a penalised logistic model with equal weights."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from workbench.estimate.terms import Term

if TYPE_CHECKING:
    from sklearn.pipeline import Pipeline

__all__ = ["FOREST_FROM", "fit_on_shares", "mission_pipeline", "model_frame"]

FOREST_FROM = 100
"""Failures from which a forest is averaged with the logistic model."""

CHOICE_SD, EXPOSURE_SD = 0.5, 1.0
"""Prior standard deviations of log odds: of a choice's level; of an exposure's level, or a number per its own sd."""


def model_frame(terms: Sequence[Term], weight: np.ndarray) -> pd.DataFrame:
    """Return the columns of the model: levels as text, numbers standardised.

    Parameters
    ----------
    terms : sequence of Term
        Of n lives.
    weight : np.ndarray, shape (n,)
        Units a row stands for.

    Returns
    -------
    pandas.DataFrame of n rows
        One column a term. Outcomes take no part, so that nothing leaks between folds.

    Raises
    ------
    Nothing.
    """
    return pd.DataFrame({term.name: _column(term, weight) for term in terms})


def _column(term: Term, weight: np.ndarray) -> np.ndarray:
    if term.values is None:
        return np.array(term.levels, dtype=object)[term.codes]
    mean = np.average(term.values, weights=weight)
    return (term.values - mean) / np.sqrt(np.average((term.values - mean) ** 2, weights=weight))


def mission_pipeline(frame: pd.DataFrame, adjust: Sequence[str], *, forest: bool = False, seed: int = 0) -> "Pipeline":
    """Return the unfitted scikit-learn pipeline.

    Levels become columns, all of them penalised alike, so that the naming of a reference changes nothing; numbers are
    standardised. No class weights: what is predicted is a chance.

    Parameters
    ----------
    frame : pandas.DataFrame
        As made by `model_frame`; only names and types are used.
    adjust : sequence of str
        Columns with the wider prior of exposures.
    forest : bool
        Whether to average the logistic model with a forest.
    seed : int
        Of the forest.

    Returns
    -------
    sklearn.pipeline.Pipeline
        Steps "columns" and "model".

    Raises
    ------
    Nothing.
    """
    from sklearn.compose import ColumnTransformer
    from sklearn.ensemble import RandomForestClassifier, VotingClassifier
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import Pipeline
    from sklearn.preprocessing import OneHotEncoder

    numbers = [c for c in frame.columns if pd.api.types.is_numeric_dtype(frame[c])]
    exposures = [c for c in frame.columns if c in adjust and c not in numbers]
    choices = [c for c in frame.columns if c not in numbers and c not in exposures]
    levels = OneHotEncoder(handle_unknown="ignore", sparse_output=False)
    parts = [("choices", levels, choices), ("exposures", levels, exposures), ("numbers", "passthrough", numbers)]
    used = [part for part in parts if part[2]]
    wider = {part[0]: EXPOSURE_SD / CHOICE_SD for part in used if part[0] != "choices"}
    model: Any = LogisticRegression(C=CHOICE_SD**2, max_iter=1000)
    if forest:
        trees = RandomForestClassifier(n_estimators=100, min_samples_leaf=10, random_state=seed)
        model = VotingClassifier([("logistic", model), ("forest", trees)], voting="soft")
    return Pipeline([("columns", ColumnTransformer(used, transformer_weights=wider or None)), ("model", model)])


def fit_on_shares(pipeline: "Pipeline", frame: pd.DataFrame, share: np.ndarray, weight: np.ndarray) -> "Pipeline":
    """Fit to rows that failed with some chance: each becomes a failed row of weight q and a lasted one of 1 - q.

    Parameters
    ----------
    pipeline : sklearn Pipeline
        A fresh clone is fitted; the one given stays as it is.
    frame : pandas.DataFrame of n rows
        As made by `model_frame`.
    share : np.ndarray of float, shape (n,)
        Chance that the row failed.
    weight : np.ndarray, shape (n,)
        Units a row stands for.

    Returns
    -------
    sklearn Pipeline
        Fitted; `predict_proba(frame)[:, 1]` is the chance of failure.

    Raises
    ------
    Nothing.
    """
    from sklearn.base import clone

    doubled = np.tile(np.arange(len(frame)), 2)
    target = np.repeat([1, 0], len(frame))
    both = np.concatenate([share * weight, (1.0 - share) * weight])
    used = both > 0
    rows = frame.iloc[doubled[used]].reset_index(drop=True)
    return clone(pipeline).fit(rows, target[used], model__sample_weight=both[used])
