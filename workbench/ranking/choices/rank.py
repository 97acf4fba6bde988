"""Ranking of protection choices: lives in, adjusted gain of every level over its reference, limits and a grade out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from workbench.checks import check_columns, check_confidence, check_positive, check_whole
from workbench.errors import EstimateError, UsageError
from workbench.estimate.turnbull import pseudo_shares
from workbench.lives import Lives
from workbench.mentions import Sentence
from workbench.ranking.checks import (
    OpinionAgreement,
    Overlap,
    RawComparison,
    SecondEstimate,
    Sensitivity,
    agreement_of,
    common_shapes,
    leave_out_units,
    log_hazard_ratios,
    overlap_of,
    raw_comparisons,
    season_clock,
    second_estimates,
    sensitivity_of,
)
from workbench.ranking.choices.asking import choices_at_hand
from workbench.ranking.choices.bars import Checks, SingleUnits, single_units
from workbench.ranking.choices.core import ChoiceFigures, Looks, core_of, reaching_further, supported_mission
from workbench.ranking.choices.grade import RULES, Judgement
from workbench.ranking.choices.table import about_causes, notes_of, table_of
from workbench.ranking.model import Design, FittedDesign, build_design, fitted_design
from workbench.results import Result, columns_to_frame
from workbench.threads import on_one_thread
from workbench.wording import count_of

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Ranking", "rank_choices"]

CLOCK_RESAMPLES = 200
"""Replicates of the second ranking, with the day of the season as clock."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Ranking(Result):
    """Which protection choices go with longer field life; one row a ranked level, the reference of each choice too.

    `columns`: choice, level, reference (the level compared with), units, failures, mission_survival, survival_gain,
    lower, upper, days_gained, days_lower, days_upper, time_ratio, better_share, first_share, p_value, p_adjusted,
    extrapolated, grade, note; then gain_strong_shrinkage and gain_weak_shrinkage (sd 0.25 and 1), restricted_mean,
    time_ratio_lower, time_ratio_upper, raw_survival, raw_gain, raw_gain_within, hazard_ratio, gain_missing_failed,
    gain_season_clock, lost_to_anything, e_value, e_value_limit, missing_flip, detectable_hazard_ratio; gain_second,
    second_lower and second_upper (without time ratios), missing_share and missing_tip (share of the missing units that
    must have failed to turn the sign); weakest_unit and weakest_site (without which the gain is least),
    gain_without_unit and gain_without_site, units_undoing and sites_undoing (each of which makes a clear likely);
    place_p (of one effect in all kinds of place: under .05 the gain is that of what the level does in each), shape_p
    (of one shape for all levels) and gain_own_shapes (where that is under .05); within_lower and within_upper (of
    raw_gain_within).

    Attributes
    ----------
    mission : float
        Days a unit must last.
    confidence : float
        Of the limits.
    resamples, seed : int
        Replicates and seed.
    unit : str
        Of times.
    choices, adjust : tuple of str
        As given.
    causes : tuple of str
        Mechanisms that counted as failure; empty for all.
    units, failures : int
        Of all lives used.
    comparisons : int
        Levels compared with a reference.
    rules : tuple of str
        How the grades are given.
    overlap : Overlap
        Where each level stood, what is aliased, and advice for next season.
    sensitivity : Sensitivity
        Gains under other assumptions, with flips marked.
    agreements : tuple of OpinionAgreement
        With hazard ratios and with the raw comparisons.
    single_units : SingleUnits
        What every comparison would say without each unit.
    judgements : mapping of (choice, level) to Judgement
        Grade of each row, the reasons that its note holds one by one, and the site without which its gain is least.
    """

    notes: tuple[Sentence, ...] = ()
    mission: float
    confidence: float
    resamples: int
    seed: int
    unit: str
    choices: tuple[str, ...]
    adjust: tuple[str, ...]
    causes: tuple[str, ...]
    units: int
    failures: int
    comparisons: int
    rules: tuple[str, ...]
    overlap: Overlap
    sensitivity: Sensitivity
    agreements: tuple[OpinionAgreement, ...]
    single_units: SingleUnits
    judgements: Mapping[tuple[str, str], Judgement]

    def of(self, choice: str) -> "pd.DataFrame":
        """The rows of one choice.

        Parameters
        ----------
        choice : str
            A ranked choice.

        Returns
        -------
        pandas.DataFrame
            As in the table.

        Raises
        ------
        UsageError
            If the choice is not ranked.
        """
        check_columns(choice, list(dict.fromkeys(self.columns["choice"])), "choice")
        frame = columns_to_frame(self.columns)
        return frame[frame["choice"] == choice].reset_index(drop=True)


@on_one_thread
def rank_choices(
    lives: Lives,
    choices: Sequence[str] | str,
    *,
    adjust: Sequence[str] | str = (),
    mission: float,
    site: str | None = "site",
    cause: Sequence[str] | str | None = None,
    resamples: int = 1000,
    seed: int = 0,
    confidence: float = 0.95,
    tried: Sequence[str] | None = None,
    reference: Mapping[str, str] | None = None,
    declared: Mapping[str, str] | None = None,
) -> Ranking:
    """Rank protection choices by the share of the whole fleet that would last the mission with each level.

    One Weibull time-ratio model takes all choices and exposures together, with lives known to an interval, suspended or
    entered late as they are. Every level is shrunken (normal, sd 0.5 on log time; exposures and sites sd 1; seasons
    sd 0.5). Each level is then put into every unit of the fleet. Limits come from replicates with random weights per
    unit (cluster) and prior centres drawn anew, each refitted; with over 20,000 different lives and 200 failures of
    every ranked level they are one Newton step along score sums drawn from their normal limit. Limits reach half-way to
    a second estimate without time ratios, or to the gain with lognormal or log-logistic lives as far as these are as
    likely. p values come from exchanging units within sites. An association is not a cause.

    Parameters
    ----------
    lives : Lives
        n lives with covariates. `outcome`, `followed_to` and `deployed_on` are used for sensitivity when present,
        `environment` for the overlap, `season` as a term when there are several.
    choices : sequence of str, or str
        Protection choices to rank; a number with up to 12 values counts as levels.
    adjust : sequence of str, or str
        Exposures to hold equal.
    mission : float
        Days a unit must last.
    site : str or None
        Site column, used when the lives have it.
    cause : str or sequence of str, optional
        Only these mechanisms count as failure; others end observation.
    resamples : int
        Replicates, at least 20.
    seed : int
        Of everything drawn.
    confidence : float in (0, 1)
        Level of the limits.
    tried : sequence of str, optional
        Choices looked at in all, those left out included: they count in the correction of p. Unless named, all
        protection choices of the dictionary that the lives could be ranked by; an empty list counts those ranked alone.
    reference : mapping of str to str, optional
        Reference level of some choices; otherwise the level carried by most units.
    declared : mapping of str to str, optional
        The one choice whose question was declared before the season, and its level ("" for all): tested alone.

    Returns
    -------
    Ranking
        Choices by p value, levels by mission survival. NaN where something cannot be estimated, with the reason.

    Raises
    ------
    UsageError
        An unknown column, level or option value.
    EstimateError
        No failure; a choice or exposure with one level; no level with enough units; a mission beyond anything observed
        (names the longest supported).
    LivesError
        A missing number in an exposure; an unknown cause.

    References
    ----------
    Weights: Rubin (1981), Annals of Statistics 9, 130-134; Xu et al. (2020), American Statistician 74, 345-358.
    Standardisation: Hernán & Robins, Causal Inference: What If, ch. 13. p: Freedman & Lane (1983), J. Bus. Econ. Stat.
    1, 292-298. Correction: Holm (1979), Scand. J. Stat. 6, 65-70.
    """
    mission, confidence = check_positive("mission", mission), check_confidence(confidence)
    resamples, seed = check_whole("resamples", resamples, least=20), check_whole("seed", seed)
    counted = _enough(lives if cause is None else lives.for_causes(cause))
    design = _supported(build_design(counted, choices, adjust, site=site, reference=reference), mission)
    looks = Looks(_count_tried(tried, design), _checked_question(declared or {}, design))
    fitted, shares, clock = fitted_design(design), pseudo_shares(design.lives, mission), season_clock(design)
    figures = core_of(fitted, mission, shares, resamples=resamples, seed=seed, confidence=confidence, looks=looks)
    second, (hazard, not_asked) = second_estimates(design, shares, confidence=confidence), log_hazard_ratios(design)
    checks = Checks(
        overlap=overlap_of(design),
        sensitivity=sensitivity_of(fitted, mission, clock, seed=seed),
        raw=raw_comparisons(design, mission),
        hazard=hazard,
        clock=_clock_grades(clock, mission, second, seed=seed, confidence=confidence, looks=looks),
        every_cause=None if cause is None else _every_cause(lives, design, mission, site=site),
        second=second,
        left_out=leave_out_units(fitted, mission, second),
        shapes=common_shapes(fitted, mission, seed=seed),
    )
    figures = reaching_further(figures, second, checks.sensitivity.other_lives)
    found = table_of(design, figures, checks, mission=mission)
    causes = () if cause is None else ((cause,) if isinstance(cause, str) else tuple(cause))
    said = notes_of(design, found, checks, mission=mission, resamples=resamples, tried=looks.tried, figures=figures)
    return Ranking(
        columns=found.columns,
        notes=(*about_causes(causes), *said, *not_asked),
        mission=mission,
        confidence=confidence,
        resamples=resamples,
        seed=seed,
        unit=lives.unit,
        choices=tuple(b.name for b in design.choices),
        adjust=tuple(b.name for b in design.blocks if b.role == "adjust"),
        causes=causes,
        units=design.lives.units,
        failures=design.lives.failures,
        comparisons=len(_gains(found.columns)),
        rules=tuple(rule.sentence for rule in RULES),
        overlap=checks.overlap,
        sensitivity=checks.sensitivity,
        agreements=_agreements(found.columns, checks),
        single_units=single_units(figures, checks, design.rows_from),
        judgements=found.judgements,
    )


def _enough(lives: Lives) -> Lives:
    """The lives, unless there is too little to rank."""
    if len(lives) == 0:
        raise EstimateError("there are no lives, so nothing can be ranked")
    if not lives.failed.any():
        raise EstimateError(
            f"none of the {count_of(lives.units, 'unit')} is known to have failed, so no choice can be ranked; "
            "'workbench compare LOG --by COLUMN' (survival_curve) shows how many could have failed all the same"
        )
    at_zero = np.flatnonzero(lives.exact & (lives.upper <= 0))
    if at_zero.size:
        raise EstimateError(
            f"row {at_zero[0]}: the failure is at time 0, which a ranking cannot use; "
            "give the interval in which it happened, such as lower=0, upper=1"
        )
    return lives


def _supported(design: Design, mission: float) -> Design:
    """The design, unless nothing is known as late as the mission."""
    longest = supported_mission(design)
    if mission > longest:
        raise EstimateError(
            f"mission={mission:g} lies beyond the last known {design.lives.unit.rstrip('s')} of every unit; "
            f"the longest mission that these lives support is {longest:g} {design.lives.unit}"
        )
    return design


def _count_tried(tried: Sequence[str] | None, design: Design) -> int:
    named = {b.name for b in design.choices}
    if isinstance(tried, str):
        raise UsageError(f"tried takes a list of choices, not {tried!r}; write [{tried!r}]")
    return len(named | set(choices_at_hand(design.lives) if tried is None else tried))


def _checked_question(declared: Mapping[str, str], design: Design) -> Mapping[str, str]:
    ranked = {b.name: b for b in design.choices if len(b.ranked) > 1}
    if len(declared) > 1:
        raise UsageError(f"declared names {len(declared)} choices; one question can be tested alone, not several")
    for choice, level in declared.items():
        if choice not in ranked:
            raise UsageError(f"declared names {choice!r}, which is not among the ranked choices: {', '.join(ranked)}")
        others = [v for v in ranked[choice].ranked if v != ranked[choice].reference]
        if level and level not in others:
            raise UsageError(f"declared names the level {level!r} of {choice} (there are: {', '.join(others)})")
    return declared


def _clock_grades(
    clock: FittedDesign | None,
    mission: float,
    second: Mapping[tuple[str, str], SecondEstimate],
    *,
    seed: int,
    confidence: float,
    looks: Looks,
) -> Mapping[str, ChoiceFigures] | None:
    """The ranking with the day of the season as clock, when deployment days spread too far to ignore it."""
    if clock is None:
        return None
    shares = pseudo_shares(clock.design.lives, mission)
    figures = core_of(clock, mission, shares, resamples=CLOCK_RESAMPLES, seed=seed, confidence=confidence, looks=looks)
    return reaching_further(figures, second)


def _every_cause(
    lives: Lives, design: Design, mission: float, *, site: str | None
) -> Mapping[tuple[str, str], RawComparison]:
    """Raw comparisons of the same choices with failures of every cause."""
    names = [b.name for b in design.choices]
    adjust = [b.name for b in design.blocks if b.role == "adjust"]
    return raw_comparisons(build_design(lives, names, adjust, site=site), mission)


def _agreements(columns: Mapping[str, Sequence[Any]], checks: Checks) -> tuple[OpinionAgreement, ...]:
    gains = _gains(columns)
    return (
        agreement_of("hazard ratios", gains, {p: -v for p, v in checks.hazard.items()}),
        agreement_of("the raw curves", gains, {p: v.gain for p, v in checks.raw.items()}),
        agreement_of(
            "raw comparisons within environments", gains, {p: v.within.difference for p, v in checks.raw.items()}
        ),
    )


def _gains(columns: Mapping[str, Sequence[Any]]) -> dict[tuple[str, str], float]:
    rows = zip(columns["choice"], columns["level"], columns["reference"], columns["survival_gain"], strict=True)
    return {(choice, level): gain for choice, level, reference, gain in rows if level != reference}
