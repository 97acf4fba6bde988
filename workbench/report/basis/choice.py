"""Choice: one protection choice compared level by level: shares lasting the mission, days, and tests."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from workbench.errors import WorkbenchError
from workbench.estimate.curves import DifferenceWithin, differences_within, restricted_mean, survival_curve
from workbench.estimate.rank_tests import compare_groups
from workbench.estimate.shared import failed_by, text_levels
from workbench.lives import Lives
from workbench.mentions import Mention, Sentence
from workbench.report.basis.season_data import SeasonData
from workbench.report.words import Pairs, ShareOfGroup, test_sentence

__all__ = ["ChoiceComparison", "Tested", "compare_choice", "test_levels", "with_levels"]

FEW_FAILURES = 10
"""Under this many failures in any group the p value comes from permuting (a common rule of thumb, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Tested:
    """A test over all levels and against the reference: `method` names it, `adjusted` holds Holm p by level."""

    p_value: float
    method: str
    adjusted: dict[str, float]
    result: Any
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class ChoiceComparison:
    """Everything that is said of one choice; levels in table order, the reference first.

    Attributes
    ----------
    column : str
        The covariate.
    levels : tuple of str
        Compared levels as in the covariates.
    reference : str
        Level that the others are compared with.
    lives : Lives
        Lives with one of the levels.
    shares : dict of str to ShareOfGroup
        By level; names as shown.
    differences, days : dict of str to (estimate, lower, upper)
        Against the reference, at the mission; no estimate (NaN) where failures that nobody can place before or after it
        leave only limits.
    means : RestrictedMeans or None
        Mean working days up to the mission; None, and no `days`, when they were not wanted.
    curve : SurvivalCurve
        By level.
    test : Tested
        Over all levels.
    within : Tested or None
        The same within environments.
    inside : dict of str to DifferenceWithin
        Difference in share within the values of that column, averaged over those that hold both levels; empty when it
        was not wanted.
    left_out : tuple of str
        Levels carried by too few units.
    unrecorded : int
        Lives without a value.
    notes : tuple of Sentence
        From the estimates.
    """

    column: str
    levels: tuple[str, ...]
    reference: str
    lives: Lives
    shares: dict[str, ShareOfGroup]
    differences: dict[str, tuple[float, float, float]]
    days: dict[str, tuple[float, float, float]]
    means: Any
    curve: Any
    test: Tested
    within: Tested | None
    inside: dict[str, DifferenceWithin]
    left_out: tuple[str, ...]
    unrecorded: int
    notes: tuple[Sentence, ...]

    @property
    def shown_notes(self) -> tuple[Sentence, ...]:
        """The notes with levels as they are shown."""

        def name(group: Mention) -> str:
            return self.shares[group.level].name

        return tuple(note.named(name) for note in self.notes)

    @property
    def counts(self) -> tuple[int, int]:
        """Units and failures behind the comparison."""
        return sum(s.units for s in self.shares.values()), sum(s.failures for s in self.shares.values())

    def overall(self, mission: str, *, inside: bool = False) -> str:
        """What the test over all levels says beside the single levels; `inside`, of units in one place."""
        test = (self.within or self.test) if inside else self.test
        limits = [(d.lower, d.upper) for d in self.inside.values()]
        if not inside:
            limits = [(lower, upper) for _, lower, upper in self.differences.values()]
        pairs = Pairs(
            base=self.shares[self.reference].name,
            differing=tuple(self.shares[level].name for level in self.levels if test.adjusted.get(level, 1.0) < 0.05),
            told=any(lower > 0 or upper < 0 for lower, upper in limits),
        )
        return test_sentence(test.p_value, levels=len(self.levels), pairs=pairs, mission=mission)


def compare_choice(
    data: SeasonData,
    column: str,
    *,
    within: str | None = "environment",
    with_days: bool = True,
    with_inside: bool = True,
) -> ChoiceComparison:
    """Compare the levels of one choice in share lasting the mission, in days, inside each environment and by tests."""
    levels = data.levels(column)
    lives = with_levels(data.lives, column, levels)
    reference = levels[0]
    curve = survival_curve(lives, column, confidence=data.confidence)
    means = restricted_mean(lives, data.mission, column, confidence=data.confidence) if with_days else None
    test = test_levels(lives, column, reference, seed=data.seed)
    inside = None
    apart: dict[str, DifferenceWithin] = {}
    if within is not None and within in lives.covariates and lives.covariates[within].nunique() > 1:
        inside = test_levels(lives, column, reference, within=within, seed=data.seed)
        if with_inside:
            apart = _inside(lives, column, within, mission=data.mission, confidence=data.confidence)
    shares = _shares(data, lives, column, levels=levels, curve=curve)
    open_ones = {level for level in levels if shares[level].may_have or shares[reference].may_have}
    every = [str(v) for v in data.lives.covariates[column].dropna().unique()]
    return ChoiceComparison(
        column=column,
        levels=tuple(levels),
        reference=reference,
        lives=lives,
        shares=shares,
        differences=_limits_alone(_by_level(curve.difference(data.mission, reference)), open_ones),
        days={} if means is None else _limits_alone(_by_level(means.difference), open_ones),
        means=means,
        curve=curve,
        test=test,
        within=inside,
        inside={level: found for level, found in apart.items() if level not in open_ones},
        left_out=tuple(data.label(column, level) for level in sorted(set(every) - set(levels))),
        unrecorded=int(data.lives.weight[data.lives.covariates[column].isna().to_numpy()].sum()),
        notes=tuple(dict.fromkeys(map(Sentence, [*curve.notes, *(means.notes if means else ()), *test.notes]))),
    )


def with_levels(lives: Lives, column: str, levels: Sequence[str]) -> Lives:
    """Return the lives that carry one of the levels, the column made categorical in their order."""
    names, codes = text_levels(lives.covariates[column])
    values = np.array([*names, ""], dtype=object)[codes]
    carried = np.isin(values, list(levels)) & (codes >= 0)
    kept = lives.take(carried)
    covariates = kept.covariates.copy()
    covariates[column] = pd.Categorical(values[carried], categories=list(levels))
    return kept.replace(covariates=covariates)


def test_levels(lives: Lives, column: str, reference: str, *, within: str | None = None, seed: int = 0) -> Tested:
    """Test all levels and each against the reference: by permutation where failures are few, else asymptotically."""
    failures = pd.Series(lives.weight * lives.failed).groupby(lives.covariates[column].astype(str).to_numpy()).sum()
    few = bool(failures.min() < FEW_FAILURES)
    reasons: list[str] = []
    for method in ("permutation", "asymptotic") if few else ("asymptotic",):
        try:
            result = compare_groups(lives, column, within=within, reference=reference, method=method, seed=seed)
        except WorkbenchError as error:
            reasons.append(str(Sentence(error.clause).finished()))
            continue
        pairs = result.pairwise
        adjusted = {}
        for first, second, p_value in zip(pairs["group_a"], pairs["group_b"], pairs["p_adjusted"], strict=True):
            adjusted[str(first if second == reference else second)] = float(p_value)
        name = "log-rank test" if lives.is_right_censored else "score test for spans"
        words = f"{name} by permutation" if method == "permutation" else name
        where = f" within {within.replace('_', ' ')}" if within else ""
        notes = (*reasons, *result.notes)
        return Tested(
            p_value=float(result.p_value), method=words + where, adjusted=adjusted, result=result, notes=notes
        )
    return Tested(p_value=float("nan"), method="no test", adjusted={}, result=None, notes=tuple(reasons))


test_levels.__test__ = False  # type: ignore[attr-defined]  # it tests levels and is no test of this code


def _shares(
    data: SeasonData, lives: Lives, column: str, *, levels: Sequence[str], curve: Any
) -> dict[str, ShareOfGroup]:
    at = curve.at(data.mission).set_index("group")
    codes = lives.covariates[column].astype(str).to_numpy()
    shares = {}
    for number, level in enumerate(curve.labels):
        own = codes == level
        row = at.loc[level]
        begins = curve.watched_from(level)
        known, may_have = failed_by(lives, data.mission, own)
        joined = bool((lives.entry[own] > 0).any())
        words = {}
        if begins > 0:
            words["unknown"] = (
                f"none was watched before day {begins:g}, so only units that had lasted so long were seen"
            )
        if joined:
            words["still"] = "of those watched from day 0 still observed at"
        shares[level] = ShareOfGroup(
            name=data.label(column, level),
            units=int(lives.weight[own].sum()),
            counted=data.counted,
            failures=int(lives.weight[own & lives.failed].sum()),
            share=float(row["survival"]),
            lower=float(row["lower"]),
            upper=float(row["upper"]),
            at_risk=float(curve.throughout.count_at(number, np.array([data.mission]))[0]),
            may_have=0 if known else may_have,
            **words,
        )
    return shares


def _inside(
    lives: Lives, column: str, within: str, *, mission: float, confidence: float
) -> dict[str, DifferenceWithin]:
    """Difference of each level to the first one in share lasting the mission, among units of one stratum."""
    levels, codes = text_levels(lives.covariates[column])
    places = text_levels(lives.covariates[within])[1]
    found = differences_within(lives, codes, places, time=mission, reference=0, confidence=confidence)
    return {levels[number]: one for number, one in found.items() if one.places}


def _limits_alone(
    found: dict[str, tuple[float, float, float]], levels: set[str]
) -> dict[str, tuple[float, float, float]]:
    """Take the estimates of some levels out; their limits stay."""
    return {level: (math.nan if level in levels else value, low, up) for level, (value, low, up) in found.items()}


def _by_level(frame: pd.DataFrame) -> dict[str, tuple[float, float, float]]:
    numbers = frame[["difference", "lower", "upper"]].to_numpy(dtype=float).tolist()
    return {str(name): (d, low, up) for name, (d, low, up) in zip(frame["group_a"], numbers, strict=True)}
