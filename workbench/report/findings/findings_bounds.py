"""Findings on how far the reading of lives matters: the shortcut of the day found, and the missing units."""

import math

import numpy as np

from workbench.errors import EstimateError
from workbench.estimate.curves import survival_curve
from workbench.ranking.choices import Ranking, tipping_point
from workbench.report.basis import ChoiceComparison, Drawing, Finding, SeasonData, missing_bounds
from workbench.report.findings.ranking_words import RankedRow
from workbench.report.words import as_headline, missing_flip_sentence, shown_name
from workbench.wording import NOT_KNOWN, interval_text, percent_text, points_text

__all__ = ["missing_findings", "shortcut_findings", "tipping_findings"]


def shortcut_findings(data: SeasonData, choice: ChoiceComparison, name: str) -> list[Finding]:
    """Return what taking the day found as the day of failure would have said, beside what the spans say."""
    lives = choice.lives
    if lives.is_right_censored:
        return []
    found = lives.replace(lower=np.where(lives.failed, lives.upper, lives.lower))
    at = survival_curve(found, choice.column, confidence=data.confidence).at(data.mission)
    said = dict(zip(at["group"], at["survival"].to_numpy(dtype=float).tolist(), strict=True))
    true = {level: choice.shares[level].share for level in choice.levels}
    open_ = {v for v in choice.levels if choice.shares[v].may_have and choice.shares[v].share > 0.995}
    known = [v for v in choice.levels if v not in open_ and math.isfinite(said[v]) and math.isfinite(true[v])]
    if not known:
        return []
    worst = max(known, key=lambda level: abs(said[level] - true[level]))
    statement = (
        f"Taking the day a failure was found for the day it happened would have said {percent_text(said[worst])}"
        f" instead of {percent_text(true[worst])} with {choice.shares[worst].name}. That shortcut is not used anywhere"
        " in this review."
    )
    units, failures = choice.counts
    return [
        Finding(
            id=f"{name}.shortcut",
            headline="What “failed on the day it was found” would have said",
            kind="check",
            section="appendix",
            order=15,
            statement=statement,
            estimate=said[worst] - true[worst],
            unit="share",
            units=units,
            failures=failures,
            method="The same curve from the same units, once with spans and once with failures moved to the day found.",
            table={
                shown_name(choice.column): [choice.shares[g].name for g in choice.levels],
                f"lasted {data.mission_text}, by spans": [
                    NOT_KNOWN if g in open_ else percent_text(true[g]) for g in choice.levels
                ],
                "as if failed on the day found": [percent_text(said[g]) for g in choice.levels],
                "shift": [NOT_KNOWN if g in open_ else points_text(said[g] - true[g]) for g in choice.levels],
            },
        )
    ]


def missing_findings(
    data: SeasonData, choice: ChoiceComparison, name: str, *, section: str, order: float, level: str
) -> list[Finding]:
    """Return what the missing units could do to the difference between a level and its reference."""
    bounds = missing_bounds(choice.lives, choice.column, level, reference=choice.reference, mission=data.mission)
    if bounds is None:
        return []
    shares = choice.shares
    flip = missing_flip_sentence(shares[bounds.better].name, bounds.flips_at, bounds.missing)
    crossed = interval_text(points_text(bounds.lowest), points_text(bounds.highest))
    units, failures = choice.counts
    return [
        Finding(
            id=f"{name}.missing",
            headline=as_headline(f"{shown_name(choice.column)}: what missing units could change"),
            kind="bounds",
            section=section,
            order=order,
            statement=(
                f"{flip} At the two extremes, one side's missing units all failed and the other's all worked on, the "
                f"difference between {shares[level].name} and {shares[choice.reference].name} lies at {crossed}."
            ),
            estimate=bounds.difference,
            lower=min(bounds.lowest, bounds.difference),
            upper=max(bounds.highest, bounds.difference),
            unit="share",
            units=units,
            failures=failures,
            method=(
                "Missing units were turned into failures one by one in the order of their last good day; bounds are not"
                " limits by chance."
            ),
            table={
                "if the missing units": [
                    "are like those still watched",
                    f"with {shares[level].name} all failed, the others worked on",
                    f"with {shares[level].name} worked on, the others all failed",
                ],
                "difference": [points_text(v) for v in (bounds.difference, bounds.lowest, bounds.highest)],
            },
            caveats=(
                ("The extremes disagree on the sign: missing units alone could explain the difference.",)
                if bounds.crossed_changes_sign
                else ()
            ),
        )
    ]


def tipping_findings(data: SeasonData, ranking: Ranking, row: RankedRow) -> list[Finding]:
    """Return at which numbers of failed missing units a comparison of the ranking no longer holds, as a picture."""
    try:
        tip = tipping_point(data.lives, ranking, row.choice, level=row.level)
    except EstimateError:
        return []
    labels = {row.level: row.name, row.base: row.base_name}
    sentence = tip.sentence(labels)
    return [
        Finding(
            id="ranking.tipping",
            headline=as_headline(f"{shown_name(row.choice)}: how many missing units would turn it"),
            kind="bounds",
            section="appendix",
            order=10.5,
            statement=f"{sentence[0].upper()}{sentence[1:]}.",
            units=row.units + row.base_units,
            failures=row.failures + row.base_failures,
            method=(
                "Missing units fail the day after they were last seen good, in that order, the others working on; the "
                "ranking refitted for each pair of numbers, limits moved along with the gain."
            ),
            figure=Drawing(
                result=tip,
                alt=(
                    f"A grid: across, how many missing units with {row.name} had failed; up, how many with "
                    f"{row.base_name}; each field holds the gain in points and is darker where limits or sign turn."
                ),
                options={"labels": {(row.choice, level): name for level, name in labels.items()}},
            ),
        )
    ]
