"""Common shape: does the risk change with age alike with every level of a choice, as one time ratio supposes?"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from workbench.estimate.likelihood import evaluate_likelihood
from workbench.estimate.shared import adjusted_by_holm
from workbench.mentions import Mention, Sentence
from workbench.ranking.checks.permute import choice_permutation_p
from workbench.ranking.model import Block, FittedDesign, fit_design, ranking_problem
from workbench.wording import p_text

__all__ = ["SHAPE_P", "ShapeCheck", "common_shapes"]

SHAPE_P = 0.05
"""p, corrected for the choices ranked, under which levels are said to differ in shape."""
MOST_ROWS = 2000
"""Above so many rows the question is not asked: each row's own score is needed."""


@dataclass(frozen=True, eq=False)
class ShapeCheck:
    """Whether the levels of one choice share a shape, and the gains if each had its own.

    Attributes
    ----------
    choice : str
        The choice.
    p_value : float
        Of one common shape, corrected for the choices ranked; NaN where it could not be asked.
    gains : mapping of level to float
        Gain of each ranked level over the reference with a shape of its own per level, where the shapes differ.
    """

    choice: str
    p_value: float
    gains: Mapping[str, float]

    @property
    def differs(self) -> bool:
        """Whether the levels differ in shape beyond chance."""
        return self.p_value < SHAPE_P

    @property
    def sentence(self) -> Sentence:
        """The difference in words, without full stop; "" where there is none."""
        if not self.differs:
            return Sentence()
        beyond = f" the risk changes with age in different ways, beyond chance ({p_text(self.p_value)})"
        return Sentence("with the levels of ", Mention(self.choice), beyond, ", so no one time ratio describes them")


def common_shapes(fitted: FittedDesign, mission: float, *, seed: int = 0) -> Mapping[str, ShapeCheck]:
    """Return for each choice whether its levels share one shape.

    The slope of each life's log-likelihood in the shape, less what goes with its slope in the location, changes places
    within sites. Where levels differ, each gets its own scale and shape from its own lives, with all other effects as
    in the common fit, and is put into the whole fleet.

    References
    ----------
    Score tests of a common shape: Lawless, Statistical Models and Methods for Lifetime Data (2003), ch. 6; exchange of
    residuals: Freedman & Lane (1983), J. Bus. Econ. Stat. 1, 292-298; both from memory.
    """
    design, lives = fitted.design, fitted.design.lives
    blocks = [b for b in design.choices if len(b.ranked) > 1]
    if len(lives) > MOST_ROWS or not blocks:
        return {b.name: ShapeCheck(b.name, float("nan"), {}) for b in blocks}
    slope = _shape_slopes(fitted)
    raw = []
    for number, block in enumerate(blocks):
        codes = np.asarray(block.codes)
        level = np.where(np.isin(codes, block.ranked_codes), codes, -1)
        rng = np.random.default_rng([seed, 23, number])
        raw.append(
            choice_permutation_p(slope, level, design.site_codes, weight=lives.weight, rng=rng, permutations=999)
        )
    adjusted = adjusted_by_holm(np.where(np.isfinite(raw), raw, 1.0))
    return {
        block.name: ShapeCheck(
            block.name,
            float(p) if np.isfinite(first) else float("nan"),
            _own_shapes(fitted, block, mission=mission) if p < SHAPE_P else {},
        )
        for block, first, p in zip(blocks, raw, adjusted, strict=True)
    }


def _shape_slopes(fitted: FittedDesign) -> np.ndarray:
    """Slope of each life's log-likelihood in 1 / scale, less what goes with its slope in the location; shape (n,)."""
    problem, fit, weight = fitted.problem, fitted.best, fitted.weight
    points = problem.layout.points_of(problem.cells.fold(np.eye(len(weight))))
    params = np.r_[fit.intercept[0] - problem.shift, fit.coefficients[0], 1.0] / fit.scale[0]
    with np.errstate(all="ignore"):
        slopes = evaluate_likelihood(problem.layout, problem.family, points, params=np.tile(params, (len(points), 1)))[
            1
        ]
    shape, location = slopes[:, -1], slopes[:, 0]
    spread = float(weight @ location**2)
    along = float(weight @ (shape * location)) / spread if spread > 0 else 0.0
    return np.asarray(shape - along * location)


def _own_shapes(fitted: FittedDesign, block: Block, *, mission: float) -> dict[str, float]:
    """Gains with a location and shape of its own for each level, all other effects as fitted to all."""
    design, fit = fitted.design, fitted.best
    lives, codes = design.lives, np.asarray(block.codes)
    own = slice(block.start, block.stop)
    others = design.columns @ fit.coefficients[0] - design.columns[:, own] @ fit.coefficients[0, own]
    factor = np.exp(-others)
    survival = {}
    for level, code in zip(block.ranked, block.ranked_codes, strict=True):
        rows = codes == code
        if not lives.failed[rows].any():
            return {}
        problem = ranking_problem(
            (lives.lower * factor)[rows],
            (lives.upper * factor)[rows],
            (lives.entry * factor)[rows],
            columns=np.zeros((int(rows.sum()), 0)),
            precision=np.zeros(0),
        )
        alone = fit_design(problem, lives.weight[rows].astype(float), f"the lives with {block.name} = {level}")
        z = (np.log(mission) - others - alone.intercept[0]) / alone.scale[0]
        survival[level] = float(np.average(np.exp(-np.exp(np.clip(z, -60.0, 60.0))), weights=lives.weight))
    return {level: share - survival[block.reference] for level, share in survival.items() if level != block.reference}
