"""Shapes: whether each mechanism strikes early, steadily or by wear-out, as far as its failures can tell."""

from dataclasses import dataclass

import numpy as np

from workbench.checks import check_confidence
from workbench.errors import EstimateError
from workbench.estimate.life import LEAST_FAILURES_FOR_A_SHAPE, fit_distribution, shape_statement
from workbench.lives import UNDETERMINED, Lives
from workbench.results import Result
from workbench.teardown.mechanisms import mechanism_words
from workbench.wording import count_of

__all__ = ["MechanismShapes", "shapes_by_mechanism"]


@dataclass(frozen=True, kw_only=True, eq=False)
class MechanismShapes(Result):
    """Weibull shape of each mechanism, the others counted as suspensions.

    `columns`: mechanism, failures, shape, lower, upper (NaN under five failures), statement.

    Attributes
    ----------
    confidence : float
        Level of the likelihood limits.
    ages : tuple of str
        What each row says of age, a sentence without the mechanism's name.
    """

    confidence: float
    ages: tuple[str, ...]


def shapes_by_mechanism(lives: Lives, *, confidence: float = 0.95) -> MechanismShapes:
    """Fit a Weibull to each mechanism, failures of another kind being suspensions, and say what its shape means.

    References
    ----------
    Competing mechanisms fitted one by one with the others as suspensions: IEC 61649:2008 and the NIST/SEMATECH
    e-Handbook, section 8.1.3, from memory.
    """
    confidence = check_confidence(confidence)
    if lives.cause is None:
        raise EstimateError("these lives carry no causes, so no mechanism has a shape")
    names = sorted({str(c) for c in lives.cause if c and c != UNDETERMINED})
    failures = {name: int(lives.weight[lives.cause == name].sum()) for name in names}
    rows = [
        _row(lives, name, failures[name], confidence=confidence)
        for name in sorted(names, key=lambda n: (-failures[n], n))
    ]
    unknown = int(lives.weight[lives.cause == UNDETERMINED].sum())
    notes = ["A shape says how the risk changes with age, not why; mixed mechanisms show a shape of their own."]
    if unknown:
        notes.append(f"{count_of(unknown, 'failure')} without a mechanism count as suspensions in every row.")
    columns: dict[str, np.ndarray] = {
        key: np.array([row[key] for row in rows], dtype=kind)
        for key, kind in (
            ("mechanism", object),
            ("failures", np.int64),
            ("shape", float),
            ("lower", float),
            ("upper", float),
        )
    }
    ages = tuple(str(row["age"]) for row in rows)
    said = [f"{mechanism_words(str(row['mechanism']))}: {age}" for row, age in zip(rows, ages, strict=True)]
    columns["statement"] = np.array(said, dtype=object)
    return MechanismShapes(columns=columns, notes=tuple(notes), ages=ages, confidence=confidence)


def _row(lives: Lives, name: str, failures: int, *, confidence: float) -> dict[str, object]:
    row: dict[str, object] = {
        "mechanism": name,
        "failures": failures,
        "shape": np.nan,
        "lower": np.nan,
        "upper": np.nan,
    }
    if failures < LEAST_FAILURES_FOR_A_SHAPE:
        row["age"] = f"too few failures for a shape ({failures}; {LEAST_FAILURES_FOR_A_SHAPE} are needed)."
        return row
    try:
        fit = fit_distribution(lives.for_causes(name), confidence=confidence)
    except EstimateError as error:
        row["age"] = f"no shape, because {error}."
        return row
    place = list(fit.columns["parameter"]).index("shape")
    row |= {
        key: float(fit.columns[column][place])
        for key, column in (("shape", "estimate"), ("lower", "lower"), ("upper", "upper"))
    }
    row["age"] = shape_statement(fit)[0]
    return row
