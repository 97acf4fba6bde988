"""Table of the ranking: figures and checks in, rows with grades and reasons out, and the sentences under the table."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from workbench.mentions import Mention, Sentence, listed
from workbench.ranking.checks import (
    ALL_FAILED,
    DIFFERING_P,
    Alias,
    choice_never_mixes,
    detectable_ratio,
    e_value,
    e_value_of_interval,
    environments_of,
    extrapolated_shares,
)
from workbench.ranking.choices.bars import (
    Checks,
    Pair,
    blank_reasons,
    clock_reasons,
    shape_reasons,
    turned_by_shape,
    undone_by_missing,
    undone_by_one,
    uneven_reasons,
    weakest_without,
)
from workbench.ranking.choices.core import PRIOR_STRENGTHS, ChoiceFigures, last_known_days
from workbench.ranking.choices.grade import Judgement, comparisons_sentence, grade_of
from workbench.ranking.model import CHOICE_SD, EXPOSURE_SD, SHAPE_SD, SITE_PRIOR_SD, Block, Design
from workbench.wording import Grade, count_of, p_text, percent_text

__all__ = ["COLUMNS", "RankedTable", "about_causes", "notes_of", "table_of"]

MOST_EXTRAPOLATED = 0.5
"""Share of the fleet outside of a level's environments over which it cannot be told apart (a judgement, no source)."""
LOOSE_SHAPE = 3.5
"""Upper over lower limit of the shape from which on it is said to be an assumption (a judgement, no source)."""
CLEARLY_AHEAD = 2.0
"""Log-likelihood by which other lives must be ahead of the model's to be named (a judgement, no source)."""

COLUMNS = (
    *("choice", "level", "reference", "units", "failures", "mission_survival", "survival_gain", "lower", "upper"),
    *("days_gained", "days_lower", "days_upper", "time_ratio", "better_share", "first_share", "p_value", "p_adjusted"),
    *("extrapolated", "grade", "note"),
    *("gain_strong_shrinkage", "gain_weak_shrinkage", "restricted_mean", "time_ratio_lower", "time_ratio_upper"),
    *("raw_survival", "raw_gain", "raw_gain_within", "hazard_ratio", "gain_missing_failed", "gain_season_clock"),
    *("lost_to_anything", "e_value", "e_value_limit", "missing_flip"),
    *("detectable_hazard_ratio", "gain_second", "second_lower", "second_upper", "missing_share", "missing_tip"),
    *("weakest_unit", "gain_without_unit", "units_undoing", "weakest_site", "gain_without_site", "sites_undoing"),
    *("place_p", "shape_p", "gain_own_shapes", "within_lower", "within_upper"),
)
"""Columns of the table, in order; the first twenty are those of every ranking."""

_HIDDEN_BEYOND = (
    *("mission_survival", "survival_gain", "lower", "upper", "days_gained", "days_lower", "days_upper", "better_share"),
    *("first_share", "gain_strong_shrinkage", "gain_weak_shrinkage", "restricted_mean", "e_value", "e_value_limit"),
)
_HIDDEN_GAINS = tuple(n for n in _HIDDEN_BEYOND if n not in ("mission_survival", "first_share", "restricted_mean"))


@dataclass(frozen=True, eq=False)
class RankedTable:
    """The columns of the ranking's table, and what is judged of each of its rows."""

    columns: Mapping[str, Any]
    judgements: Mapping[Pair, Judgement]


def table_of(design: Design, figures: Mapping[str, ChoiceFigures], checks: Checks, *, mission: float) -> RankedTable:
    """Return the ranking's table: a declared choice, then choices by p; levels by mission survival."""
    known, shares, gone = last_known_days(design), extrapolated_shares(design), _missing(design)
    failed_if_missing = checks.run_gains(ALL_FAILED)
    rows: list[dict[str, Any]] = []
    judgements: dict[Pair, Judgement] = {}
    order = sorted(figures.values(), key=lambda f: (not f.p_alone, np.isnan(f.p_value), f.p_value))
    for choice in order:
        block = choice.block
        here = []
        for number, level in enumerate(block.ranked):
            pair, here_with = (block.name, level), block.codes == block.levels.index(level)
            row = _figures_of(design, choice, number) | {"extrapolated": shares[pair]} | _check_columns(pair, checks)
            row["gain_missing_failed"] = failed_if_missing.get(pair, np.nan)
            unit, site = (weakest_without(choice, number, checks, of_sites=of_sites) for of_sites in (False, True))
            row |= {"weakest_unit": str(unit.name), "gain_without_unit": unit.gain, "units_undoing": unit.undoing}
            row |= {"weakest_site": str(site.name), "gain_without_site": site.gain, "sites_undoing": site.undoing}
            row["missing_share"] = np.average(gone[here_with], weights=design.lives.weight[here_with])
            if known[pair] < mission:
                row |= dict.fromkeys(_HIDDEN_BEYOND, np.nan)
            elif known[block.name, block.reference] < mission:
                row |= dict.fromkeys(_HIDDEN_GAINS, np.nan)
            judged = _judged(design, choice, number, checks=checks, known=known, shares=shares, mission=mission)
            judgements[pair] = replace(judged, weakest_site=site.site)
            row["grade"], row["note"] = str(judged.grade or "reference"), str(judged.note)
            here.append(row)
        _add_detectable(here)
        here.sort(key=lambda r: (np.isnan(r["mission_survival"]), -np.nan_to_num(r["mission_survival"])))
        rows += here
    return RankedTable({name: [row[name] for row in rows] for name in COLUMNS}, judgements)


def _missing(design: Design) -> np.ndarray:
    """1 for each life that is missing, 0 for others; NaN where no outcome is known. Shape (n,)."""
    frame = design.lives.covariates
    if "outcome" not in frame.columns:
        return np.full(len(design.lives), np.nan)
    return np.where((frame["outcome"].astype(str) == "missing").to_numpy() & ~design.lives.failed, 1.0, 0.0)


def _add_detectable(rows: list[dict[str, Any]]) -> None:
    """What each comparison of one choice could have shown, from its counts and those of the reference."""
    base = next(row for row in rows if row["level"] == row["reference"])
    for row in rows:
        units, failures = row["units"] + base["units"], row["failures"] + base["failures"]
        ratio = detectable_ratio(failures, row["units"] / units) if row is not base else np.nan
        row["detectable_hazard_ratio"] = ratio


def _figures_of(design: Design, choice: ChoiceFigures, number: int) -> dict[str, Any]:
    block = choice.block
    rows = block.codes == block.levels.index(block.ranked[number])
    weight, is_reference = design.lives.weight, block.ranked[number] == block.reference
    evalue = e_value(choice.risk_ratio[number])[0]
    limit = e_value_of_interval(choice.risk_lower[number], choice.risk_upper[number])[0]
    return {
        "choice": block.name,
        "level": block.ranked[number],
        "reference": block.reference,
        "units": int(weight[rows].sum()),
        "failures": int(weight[rows & design.lives.failed].sum()),
        "mission_survival": choice.survival[number],
        "survival_gain": choice.gain[number],
        "lower": choice.lower[number],
        "upper": choice.upper[number],
        "days_gained": choice.days_gain[number],
        "days_lower": choice.days_lower[number],
        "days_upper": choice.days_upper[number],
        "time_ratio": choice.time_ratio[number],
        "better_share": choice.better_share[number],
        "first_share": choice.first_share[number],
        "place_p": choice.place_p,
        "p_value": choice.p_of(number)[0],
        "p_adjusted": choice.p_of(number)[1],
        "gain_strong_shrinkage": choice.strengths[PRIOR_STRENGTHS.index(0.25), number],
        "gain_weak_shrinkage": choice.strengths[PRIOR_STRENGTHS.index(1.0), number],
        "restricted_mean": choice.days[number],
        "time_ratio_lower": choice.time_lower[number],
        "time_ratio_upper": choice.time_upper[number],
        "e_value": np.nan if is_reference else evalue,
        "e_value_limit": np.nan if is_reference else limit,
    }


def _check_columns(pair: Pair, checks: Checks) -> dict[str, Any]:
    raw, second, shape = checks.raw[pair], checks.second.get(pair), checks.shapes[pair[0]]
    clock = np.nan
    if checks.clock is not None:
        moved = checks.clock[pair[0]]
        clock = moved.gain[moved.block.ranked.index(pair[1])]
    flip = checks.sensitivity.flip_counts.get(pair)
    lost = 1.0 - (raw if checks.every_cause is None else checks.every_cause[pair]).survival
    return {
        "raw_survival": raw.survival,
        "raw_gain": raw.gain,
        "raw_gain_within": raw.within.difference,
        "within_lower": raw.within.lower,
        "within_upper": raw.within.upper,
        "hazard_ratio": float(np.exp(checks.hazard[pair])),
        "gain_season_clock": clock,
        "lost_to_anything": lost,
        "missing_flip": np.nan if flip is None or flip.needed is None else float(flip.needed),
        "missing_tip": np.nan if flip is None or flip.needed is None else flip.needed / flip.missing,
        "gain_second": 0.0 if second is None else second.gain,
        "second_lower": np.nan if second is None else second.lower,
        "shape_p": shape.p_value,
        "gain_own_shapes": shape.gains.get(pair[1], np.nan),
        "second_upper": np.nan if second is None else second.upper,
    }


def _judged(
    design: Design,
    choice: ChoiceFigures,
    number: int,
    *,
    checks: Checks,
    known: Mapping[Pair, float],
    shares: Mapping[Pair, float],
    mission: float,
) -> Judgement:
    block = choice.block
    level = block.ranked[number]
    pair, base = (block.name, level), (block.name, block.reference)
    apart = _apart(design, block, level, aliases=checks.overlap.aliases, known=known, shares=shares, mission=mission)
    if level == block.reference:
        lonely = apart if known[base] < mission or choice_never_mixes(design, block) else ()
        return Judgement(None, lonely or (Sentence("the level that the others are compared with"),))
    failed, second = checks.run_gains(ALL_FAILED).get(pair, np.nan), checks.second[pair]
    bars = (
        *blank_reasons(design, block),
        *clock_reasons(choice, number, checks),
        *undone_by_missing(choice, number, checks),
        *undone_by_one(choice, number, checks),
        *shape_reasons(choice, number, checks),
    )
    evidence = replace(
        choice.evidence(number),
        same_sign=(
            ("in the raw comparison within environments", checks.raw[pair].within.difference),
            ("by hazard ratios", -checks.hazard[pair]),
            ("with all missing units failed", failed),
        ),
        apart=apart,
        at_most_likely=bars,
        at_most_unclear=(*uneven_reasons(choice, number, checks), *turned_by_shape(choice, number, checks)),
        second_gain=second.gain,
        second_error=second.std_error,
        second_lower=second.lower,
        second_upper=second.upper,
    )
    return grade_of(evidence)


def _apart(
    design: Design,
    block: Block,
    level: str,
    *,
    aliases: Sequence[Alias],
    known: Mapping[Pair, float],
    shares: Mapping[Pair, float],
    mission: float,
) -> tuple[Sentence, ...]:
    """Why a level cannot be told apart, if so; the design comes first, then the reach of what was observed."""
    if choice_never_mixes(design, block):
        choice, site = Mention(block.name), Mention(next(b.name for b in design.blocks if b.role == "site"))
        same = (choice, " and the ", site, " ", Grade.NOT_APART)
        return (Sentence(choice, " never varied within a ", site, ", so ", *same),)
    found = tuple(a.sentence for a in aliases if (a.choice, a.level) == (block.name, level))
    if found:
        return found
    place = Mention(environments_of(design)[0])
    for name in (level, block.reference):
        if shares[block.name, name] > MOST_EXTRAPOLATED:
            of_fleet = f"{percent_text(shares[block.name, name])} of the fleet stood in a kind of "
            return (Sentence(of_fleet, place, " where ", Mention(block.name, name), " never was"),)
    unit = design.lives.unit.rstrip("s")
    for name in (level, block.reference):
        if known[block.name, name] < mission:
            last = f" after {unit} {known[block.name, name]:g}"
            return (Sentence("nothing is known of ", Mention(block.name, name), last),)
    return ()


def _about_shape(figures: ChoiceFigures) -> list[str]:
    """Say where the lives leave the shape to an assumption."""
    low, high = figures.shape_limits
    if np.isfinite(figures.held_shape):
        return [
            "The failures do not show how the risk changes with age (all came at once, or at the start), so the "
            f"Weibull shape is held at {figures.held_shape:.2g}."
        ]
    if high < LOOSE_SHAPE * low:
        return []
    return [
        f"The failures hardly show how the risk changes with age (Weibull shape {low:.2g} to {high:.2g}), so figures "
        f"for days on which nobody looked lean on an assumption: a shape near 1, sd {SHAPE_SD:g} on its log."
    ]


def _about_lives(checks: Checks) -> list[str]:
    """Say which other life distribution describes the failures clearly better than the model's."""
    return [
        f"{other.name.capitalize()} lives describe these failures better than Weibull lives do (log-likelihood higher "
        f"by {other.ahead:.1f}); limits reach to the gain with them."
        for other in checks.sensitivity.other_lives
        if other.ahead > CLEARLY_AHEAD
    ]


def _about_places(design: Design, figures: Mapping[str, ChoiceFigures]) -> list[Sentence]:
    """Say which choices work differently by place, and what their gain then is."""
    place = Mention(environments_of(design)[0])
    return [
        Sentence(
            Mention(name),
            " works differently by ",
            place,
            f", beyond chance ({p_text(figure.place_p)} after correction): its gain is that of the fleet as it "
            "stands, each level with what it does in each ",
            place,
            ".",
        )
        for name, figure in figures.items()
        if figure.place_p < DIFFERING_P
    ]


def about_causes(causes: Sequence[str]) -> tuple[Sentence, ...]:
    """Say what survival means where only some mechanisms count."""
    if not causes:
        return ()
    lost_to = listed([Mention("mechanism", cause, alone=True) for cause in causes])
    other = "; failures of other mechanisms ended observation without counting."
    return (Sentence("Survival means not lost to ", lost_to, other),)


def notes_of(
    design: Design,
    table: RankedTable,
    checks: Checks,
    *,
    mission: float,
    resamples: int,
    tried: int,
    figures: Mapping[str, ChoiceFigures],
) -> tuple[Sentence, ...]:
    """Return the sentences under the table."""
    lives, unit, columns = design.lives, design.lives.unit, table.columns
    compared = sum(level != base for level, base in zip(columns["level"], columns["reference"], strict=True))
    ranked = len(dict.fromkeys(columns["choice"]))
    notes: list[str] = [comparisons_sentence(compared)]
    if tried > ranked:
        notes.append(
            f"p values are corrected for {count_of(tried, 'choice')} looked at, not for {ranked} alone: whoever holds "
            "these lives can ask them of every choice, now or later."
        )
    notes.append("Longer life goes with a level here; that is an association, not a proof of cause.")
    sites = sum(b.role == "site" for b in design.blocks)
    of_sites = f", sites sd {SITE_PRIOR_SD:g}" if sites else ""
    counted = "unit" if lives.units_among() == lives.units else "deployment"
    sds = f"levels sd {CHOICE_SD:g}, exposures sd {EXPOSURE_SD:g}{of_sites} on log time"
    notes.append(
        f"Weibull time ratios, shrunken ({sds}), standardised over {count_of(lives.units, counted)} to a mission of "
        f"{mission:g} {unit}; limits from {resamples:,} replicates weighted at random, reaching half-way to the second "
        "estimate, which needs no time ratios, or to the gain with lognormal or log-logistic lives as far as "
        "these are as likely."
    )
    notes += _about_shape(next(iter(figures.values()))) + _about_lives(checks)
    notes += _about_places(design, figures)
    seen = np.array([r for r in columns["detectable_hazard_ratio"] if np.isfinite(r)])
    if seen.size:
        span = f"{seen.min():.2g}" if seen.size == 1 else f"{seen.min():.2g} to {seen.max():.2g}, by comparison,"
        notes.append(
            f"With its counts of failures the season could show a hazard ratio of {span} or more, 8 times in 10."
        )
    if lives.failures < compared:
        notes.append(
            f"{count_of(compared, 'comparison')} rest on {count_of(lives.failures, 'failure')}: "
            "there are more levels than failures, so shrinkage decides much of what is shown."
        )
    notes += design.notes
    blanks = [reason for block in design.choices for reason in blank_reasons(design, block)]
    notes += [Sentence(reason, ", so it can be likely at most.") for reason in blanks]
    if not environments_of(design)[0]:
        notes.append("No environment is recorded, so the share extrapolated counts the whole fleet as one.")
    if not sites:
        notes.append(
            "No site is recorded, so residuals change places over the whole fleet and sites are not held equal."
        )
    seasons = [b for b in design.blocks if b.role == "season"]
    if seasons:
        notes.append(f"{count_of(len(seasons[0].levels), 'season')} are pooled, with the season as a shrunken term.")
    notes += checks.sensitivity.notes
    hidden = sorted({b for b, g in zip(columns["choice"], columns["mission_survival"], strict=True) if np.isnan(g)})
    unseen = ": a level was not observed up to the mission; its figures are not known (NaN)."
    notes += [Sentence(Mention(name), unseen) for name in hidden]
    return tuple(map(Sentence, [*notes, *checks.left_out.notes]))
