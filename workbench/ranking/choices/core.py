"""Core of the ranking: gains with limits, shares of replicates, p values and bare grades of one design."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from workbench.ranking.checks import (
    DIFFERING_P,
    OtherLives,
    SecondEstimate,
    choice_p_values,
    differing_effects,
    environments_of,
    level_p_value,
)
from workbench.ranking.choices.grade import Evidence, adjusted_for_choices, grade_of
from workbench.ranking.model import (
    CHOICE_SD,
    SCALES,
    Block,
    Design,
    FittedDesign,
    Standardised,
    fitted_design,
    interact,
    resample_design,
    standardise,
    standardise_places,
)
from workbench.wording import Grade

__all__ = [
    "PRIOR_STRENGTHS",
    "ChoiceFigures",
    "Looks",
    "core_of",
    "last_known_days",
    "reaching_further",
    "supported_mission",
]

PRIOR_STRENGTHS = (0.25, 0.5, 1.0)
"""Prior standard deviations of the levels at which the gain is shown; the answer is the middle one."""

HALFWAY = 0.5
"""Part of the way from the gain to the second estimate by which the limits reach further on that side.

Without it limits held the truth in 0.89 to 0.98 of comparisons, in 4 of 19 kinds of attacked seasons under 0.92; with
it in 0.90 to 0.98, one of them under 0.92, at limits 9 % wider, and no clear was lost (`tests/studies/RESULTS.md`).
"""


@dataclass(frozen=True, eq=False)
class ChoiceFigures:
    """What the model says of the ranked levels of one choice; arrays have shape (L,) in the order of `block.ranked`.

    Attributes
    ----------
    block : Block
        The choice.
    survival, days : np.ndarray
        Mission survival and restricted mean of the fleet with each level.
    gain, lower, upper : np.ndarray
        Gain in mission survival over the reference with percentile limits, which `reaching_further` widens; NaN limits
        for the reference.
    days_gain, days_lower, days_upper : np.ndarray
        The same for the restricted mean.
    time_ratio, time_lower, time_upper : np.ndarray
        Time ratio to the reference with percentile limits.
    risk_ratio, risk_lower, risk_upper : np.ndarray
        (1 - lower survival) / (1 - higher survival) of level and reference, in the direction of the gain.
    better_share, first_share : np.ndarray
        Share of replicates with a gain, and with the highest mission survival of the choice.
    strengths : np.ndarray, shape (3, L)
        Gain at the three strengths of shrinkage.
    p_value, p_adjusted : float
        Of the choice.
    place_p : float
        p of one effect in all kinds of place, corrected; NaN where that cannot be asked.
    place_shift : np.ndarray
        What the gain rose by when the choice was taken to work differently by place; 0 where it was not.
    p_alone : mapping of level to float
        p of levels whose question was declared before the season, which needs no correction.
    held_shape : float
        Weibull shape at which the fit had to be held; NaN when it was free.
    shape_limits : tuple of float
        Weibull shape, 95 % of the replicates.
    """

    block: Block
    survival: np.ndarray
    days: np.ndarray
    gain: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    days_gain: np.ndarray
    days_lower: np.ndarray
    days_upper: np.ndarray
    time_ratio: np.ndarray
    time_lower: np.ndarray
    time_upper: np.ndarray
    risk_ratio: np.ndarray
    risk_lower: np.ndarray
    risk_upper: np.ndarray
    better_share: np.ndarray
    first_share: np.ndarray
    strengths: np.ndarray
    p_value: float
    p_adjusted: float
    held_shape: float
    shape_limits: tuple[float, float]
    place_p: float = float("nan")
    place_shift: np.ndarray = field(default_factory=lambda: np.zeros(0))
    p_alone: Mapping[str, float] = field(default_factory=dict)

    def p_of(self, level: int) -> tuple[float, float]:
        """p of a level before and after correction: its own where its question was declared, else the choice's."""
        alone = self.p_alone.get(self.block.ranked[level])
        return (self.p_value, self.p_adjusted) if alone is None else (alone, alone)

    def evidence(self, level: int) -> Evidence:
        """What the bare grade of a level rests on."""
        return Evidence(
            gain=float(self.gain[level]),
            lower=float(self.lower[level]),
            upper=float(self.upper[level]),
            better_share=float(self.better_share[level]),
            p_adjusted=self.p_of(level)[1],
            strengths=tuple(float(s) for s in self.strengths[:, level]),
        )

    def bare_grades(self) -> dict[str, Grade | None]:
        """Grade of each level but the reference before any further check."""
        levels = [(i, v) for i, v in enumerate(self.block.ranked) if v != self.block.reference]
        return {v: grade_of(self.evidence(i)).grade for i, v in levels}


class Looks(NamedTuple):
    """Number of choices looked at in all, if more than those ranked, and the level of a choice declared before."""

    tried: int = 0
    declared: Mapping[str, str] = MappingProxyType({})


def core_of(
    fitted: FittedDesign,
    mission: float,
    shares: np.ndarray,
    *,
    resamples: int,
    seed: int,
    confidence: float,
    looks: Looks,
) -> dict[str, ChoiceFigures]:
    """Resample and standardise a fitted design, and test each choice; a declared one alone.

    `shares` (n,) are the pseudo-values at the mission. A choice that works differently by place, beyond chance, is put
    into the fleet with what it does in each place.
    """
    design, best = fitted.design, fitted.best
    answer = standardise(design, best, mission)
    strengths = {}
    for sd in PRIOR_STRENGTHS:
        if sd == CHOICE_SD:
            strengths[sd] = answer
            continue
        fit = fitted.refit(f"the ranking model with shrinkage sd {sd:g}", precision=design.with_choice_sd(sd))
        strengths[sd] = standardise(design, fit, mission, days=False)
    replicates = resample_design(fitted, resamples, seed)
    spread = standardise(design, replicates, mission)
    p_values = choice_p_values(fitted, seed)
    adjusted = dict(zip(p_values, adjusted_for_choices(np.array(list(p_values.values())), looks.tried), strict=True))
    shown = [b for b in design.choices if len(b.ranked) > 1]
    by_place = differing_effects(design, shares, seed=seed)
    put_in = {b.name: (answer[b.name], spread[b.name]) for b in shown} | {
        name: _by_place(design, name, mission, resamples=resamples, seed=seed)
        for name, p in by_place.items()
        if p < DIFFERING_P
    }
    low, high = np.quantile(1.0 / replicates.scale, [0.025, 0.975]).tolist()
    shape = (1.0 / best.scale[0] if best.scale[0] in SCALES else float("nan"), (low, high))
    return {
        block.name: replace(
            _figures(
                block,
                *put_in[block.name],
                effects=(
                    best.coefficients[:, block.start : block.stop],
                    replicates.coefficients[:, block.start : block.stop],
                ),
                strengths=np.stack([_gains(block, strengths[sd][block.name].survival)[0] for sd in PRIOR_STRENGTHS]),
                p=(p_values[block.name], float(adjusted[block.name])),
                confidence=confidence,
            ),
            held_shape=shape[0],
            shape_limits=shape[1],
            place_p=by_place.get(block.name, float("nan")),
            place_shift=_gains(block, put_in[block.name][0].survival - answer[block.name].survival)[0],
            p_alone=_p_alone(design, block, looks.declared, p_value=p_values[block.name], seed=seed),
        )
        for block in shown
    }


def reaching_further(
    figures: Mapping[str, ChoiceFigures],
    second: Mapping[tuple[str, str], SecondEstimate],
    others: Sequence[OtherLives] = (),
) -> dict[str, ChoiceFigures]:
    """Return the figures with limits of the gain that reach as far as other ways of asking would move it.

    A model that is wrong moves the gain and not its limits: what another way of asking says is the only sign of it.
    Limits reach by `HALFWAY` to the second estimate, or to the gain under another life distribution by as much as it
    is as likely as the model's, where that is further.

    References
    ----------
    Buckland, Burnham & Augustin (1997), Biometrics 53, 603-618 (weights of models by likelihood; from memory).
    """
    wider = {}
    for name, figure in figures.items():
        pairs = [(name, v) for v in figure.block.ranked]
        moves = [HALFWAY * (np.array([second[p].gain if p in second else np.nan for p in pairs]) - figure.gain)]
        for other in others:
            gains = np.array([other.gains.get(p, np.nan) for p in pairs]) + figure.place_shift
            moves.append(other.likelihood * (gains - figure.gain))
        reach = np.nan_to_num(np.stack(moves))
        lower, upper = figure.lower + reach.min(axis=0, initial=0.0), figure.upper + reach.max(axis=0, initial=0.0)
        wider[name] = replace(figure, lower=np.maximum(lower, -1.0), upper=np.minimum(upper, 1.0))
    return wider


def _by_place(
    design: Design, name: str, mission: float, *, resamples: int, seed: int
) -> tuple[Standardised, Standardised]:
    """Answer and replicates of one choice for the fleet as it stands, each level at work as it is in each place."""
    _, places, place = environments_of(design)
    wider = interact(design, design.block(name), places=places, place=place)
    share = np.bincount(place, design.lives.weight, len(places)) / design.lives.weight.sum()
    fitted = fitted_design(wider.design)
    found = []
    for fits in (fitted.best, resample_design(fitted, resamples, seed)):
        in_places = standardise_places(wider, fits, mission, days=True)
        means = [np.nansum(v * share, axis=2) for v in (in_places.survival, in_places.days)]
        found.append(Standardised(in_places.levels, *means))
    return found[0], found[1]


def _p_alone(
    design: Design, block: Block, declared: Mapping[str, str], *, p_value: float, seed: int
) -> Mapping[str, float]:
    """p of the levels that a declared question is about, by level."""
    if block.name not in declared:
        return {}
    level = declared[block.name]
    if level:
        return {level: level_p_value(design, block.name, level, seed=seed)}
    return {v: p_value for v in block.ranked if v != block.reference}


def _gains(block: Block, values: np.ndarray) -> np.ndarray:
    base = block.ranked.index(block.reference)
    return np.asarray(values - values[:, base : base + 1])


def _figures(
    block: Block,
    answer: Standardised,
    spread: Standardised,
    *,
    effects: tuple[np.ndarray, np.ndarray],
    strengths: np.ndarray,
    p: tuple[float, float],
    confidence: float,
) -> ChoiceFigures:
    base = block.ranked.index(block.reference)
    gain, gains = _gains(block, answer.survival)[0], _gains(block, spread.survival)
    log_ratio, log_ratios = (_gains(block, e[:, block.ranked_codes]) for e in effects)
    sign = np.where(gain < 0, -1.0, 1.0)
    risk, risks = (_risk_ratio(s, base, sign) for s in (answer.survival, spread.survival))
    days_gain = _gains(block, answer.days)[0]
    figures = ((gain, gains), (days_gain, _gains(block, spread.days)), (log_ratio[0], log_ratios), (risk[0], risks))
    limits = [_limits(estimate, values, base, confidence=confidence) for estimate, values in figures]
    return ChoiceFigures(
        block=block,
        survival=answer.survival[0],
        days=answer.days[0],
        gain=gain,
        lower=limits[0][0],
        upper=limits[0][1],
        days_gain=days_gain,
        days_lower=limits[1][0],
        days_upper=limits[1][1],
        time_ratio=np.exp(log_ratio[0]),
        time_lower=np.exp(limits[2][0]),
        time_upper=np.exp(limits[2][1]),
        risk_ratio=risk[0],
        risk_lower=limits[3][0],
        risk_upper=limits[3][1],
        better_share=np.where(np.arange(len(gain)) == base, np.nan, (gains > 0).mean(axis=0)),
        first_share=_first_shares(spread.survival),
        strengths=strengths,
        p_value=p[0],
        p_adjusted=p[1],
        held_shape=float("nan"),
        shape_limits=(float("nan"), float("nan")),
    )


def _limits(estimate: np.ndarray, values: np.ndarray, base: int, *, confidence: float) -> tuple[np.ndarray, np.ndarray]:
    """Percentiles of the replicates, which hold the estimate too: where levels are separated it may lie outside."""
    tail = 0.5 * (1 - confidence)
    lower, upper = np.quantile(values, [tail, 1 - tail], axis=0)
    lower, upper = np.minimum(lower, estimate), np.maximum(upper, estimate)
    lower[base] = upper[base] = np.nan
    return lower, upper


def _risk_ratio(survival: np.ndarray, base: int, sign: np.ndarray) -> np.ndarray:
    """Ratio of the risk with the worse to that with the better of level and reference (as the estimate has them)."""
    risk = np.maximum(1.0 - survival, 1e-12)
    ratio = risk[:, base : base + 1] / risk
    return np.where(sign > 0, ratio, 1.0 / ratio)


def _first_shares(survival: np.ndarray) -> np.ndarray:
    best = survival == survival.max(axis=1, keepdims=True)
    return np.asarray((best / best.sum(axis=1, keepdims=True)).mean(axis=0))


def last_known_days(design: Design) -> Mapping[tuple[str, str], float]:
    """Return the last day on which anything is known of each ranked level; inf where every unit failed."""
    days = {}
    for block in design.choices:
        for level, number in zip(block.ranked, block.ranked_codes, strict=True):
            days[block.name, level] = supported_mission(design, block.codes == number)
    return days


def supported_mission(design: Design, rows: np.ndarray | None = None) -> float:
    """Return the longest mission that lives support: their last known day, or inf if all of them failed.

    Shapes: rows (n,).
    """
    lives = design.lives if rows is None else design.lives.take(rows)
    if lives.failed.all():
        return float("inf")
    return float(np.max(np.where(lives.failed, lives.upper, lives.lower)))
