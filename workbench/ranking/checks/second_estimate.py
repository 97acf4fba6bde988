"""Second estimate: what is each level worth at the mission without any life distribution or time ratio?"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from workbench.ranking.checks.overlap import environments_of
from workbench.ranking.model import LEAST_UNITS, Block, Design

__all__ = ["SecondEstimate", "second_estimates"]

MOST_LEVERAGE = 0.95
"""A unit that the regression follows more closely than that counts as if it were followed so far."""


@dataclass(frozen=True, eq=False)
class SecondEstimate:
    """Gain of one level over its reference in the share of the fleet lasting the mission.

    Attributes
    ----------
    gain, std_error, lower, upper : float
        NaN where the design does not determine it, the lives do not reach the mission or none is known to have ended
        by it.
    moves : np.ndarray of float, shape (n,)
        By how much the gain rises with one unit of each row of the design.
    """

    gain: float
    std_error: float
    lower: float
    upper: float
    moves: np.ndarray


@dataclass(frozen=True, eq=False)
class _Regression:
    """Least squares of the pseudo-values on the P distinct rows of the design's columns.

    `way` (k, P) gives the coefficients from sums of values over the units of each row, `left` (n,) is what is left of
    each value by the regression without its unit.
    """

    design: Design
    values: np.ndarray
    columns: np.ndarray
    way: np.ndarray
    left: np.ndarray
    determined: np.ndarray
    freedom: float


def second_estimates(
    design: Design, shares: np.ndarray, *, confidence: float = 0.95
) -> Mapping[tuple[str, str], SecondEstimate]:
    """Return the second estimate of every ranked level but the references.

    Each life's pseudo-value at the mission, `shares` (n,), is regressed, by units, on all choices, exposures and sites,
    without shrinkage. What is left over is compared within environments in which both levels have at least 5 units, and
    counts by the fleet's share in each: a level that works differently in different environments is so put into the
    fleet as it stands. Standard errors leave each unit (cluster) out once.

    References
    ----------
    Andersen & Pohar Perme (2010), Stat. Methods Med. Res. 19, 71-99 (pseudo-values); Robins, Rotnitzky & Zhao (1994),
    J. Am. Stat. Assoc. 89, 846-866 (regression with weighted residuals); MacKinnon & White (1985), J. Econometrics 29,
    305-325 (standard errors); the three from memory.
    """
    regression = _regression(design, shares)
    return {
        (block.name, level): _estimate(regression, block, level, confidence=confidence)
        for block in design.choices
        for level in block.ranked
        if level != block.reference
    }


def _regression(design: Design, values: np.ndarray) -> _Regression:
    weight = design.lives.weight.astype(float)
    distinct, pattern = design.patterns
    columns = np.column_stack([np.ones(len(distinct)), distinct])
    units, sums = (np.bincount(pattern, v, len(columns)) for v in (weight, weight * values))
    gram = (columns * units[:, None]).T @ columns
    inverse = np.linalg.pinv(gram, rcond=1e-9, hermitian=True)
    way = inverse @ columns.T
    followed = np.einsum("ij,ji->i", columns, way)
    left = (values - (columns @ (way @ sums))[pattern]) / (1.0 - np.minimum(followed, MOST_LEVERAGE))[pattern]
    return _Regression(design, values, columns, way, left, inverse @ gram, weight.sum() - float(followed @ units))


def _estimate(regression: _Regression, block: Block, level: str, *, confidence: float) -> SecondEstimate:
    design, lives = regression.design, regression.design.lives
    ours, theirs = (block.levels.index(v) for v in (level, block.reference))
    contrast = np.zeros(regression.columns.shape[1])
    contrast[1 + block.start + ours], contrast[1 + block.start + theirs] = 1.0, -1.0
    within, pattern = (
        _within_environments(design, np.asarray(block.codes), ours=ours, theirs=theirs),
        design.patterns[1],
    )
    of_patterns = np.bincount(pattern, within * lives.weight, len(regression.columns))
    parts = (regression.way.T @ (contrast - regression.columns.T @ of_patterns))[pattern] + within
    moves = parts * regression.left
    gain = float(parts @ (lives.weight * regression.values))
    known = np.abs(contrast @ regression.determined - contrast).max() < 1e-6 and regression.freedom >= 1
    known = known and np.ptp(regression.values) > 0
    if not known or not np.isfinite(gain):
        nan = float("nan")
        return SecondEstimate(nan, nan, nan, nan, np.full(len(lives), nan))
    if design.clusters is None:
        error = float(np.sqrt(lives.weight @ moves**2))
    else:
        error = float(np.linalg.norm(np.bincount(design.clusters, lives.weight * moves)))
    reach = float(stdtrit(regression.freedom, 0.5 + 0.5 * confidence)) * error
    # no share is below nothing or above all, whatever a straight line says
    return SecondEstimate(float(np.clip(gain, -1, 1)), error, max(gain - reach, -1.0), min(gain + reach, 1.0), moves)


def _within_environments(design: Design, codes: np.ndarray, *, ours: int, theirs: int) -> np.ndarray:
    """Part of each unit in the difference of means within environments, by the fleet's share in each; shape (n,)."""
    weight = design.lives.weight.astype(float)
    _, names, environment = environments_of(design)
    share = np.bincount(environment, weight, len(names)) / weight.sum()
    parts = np.zeros(len(weight))
    units = [np.bincount(environment[codes == v], weight[codes == v], len(names)) for v in (ours, theirs)]
    both = np.minimum(*units) >= LEAST_UNITS
    for number, sign, count in ((ours, 1.0, units[0]), (theirs, -1.0, units[1])):
        rows = (codes == number) & both[environment]
        parts[rows] = sign * (share / np.maximum(count, 1))[environment[rows]]
    return parts
