"""Ranking words: rows of the ranking as they are shown, and the sentences made of them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from workbench.mentions import Mention, Sentence, joined
from workbench.ranking.choices import Ranking
from workbench.report.basis import SeasonData, place_gap
from workbench.report.words import id_words, limits_words, shown_name
from workbench.wording import SUPPORTED_GRADES, Grade, count_of, join_words, percent_text, points_text, signed_points

__all__ = [
    "RankedRow",
    "caveats_of",
    "claim",
    "comparison_id",
    "flip_sentences",
    "foremost_choice",
    "labelled",
    "level_labels",
    "main_row",
    "ranked_rows",
    "shift_sentence",
]


@dataclass(frozen=True, kw_only=True)
class RankedRow:
    """One comparison of the ranking: level against base, with names as shown."""

    choice: str
    level: str
    base: str
    name: str
    base_name: str
    units: int
    failures: int
    base_units: int
    base_failures: int
    survival: float
    base_survival: float
    gain: float
    lower: float
    upper: float
    days: float
    days_lower: float
    days_upper: float
    ratio: float
    raw_gain: float
    within: float
    within_lower: float
    within_upper: float
    p_adjusted: float
    grade: str
    reasons: tuple[Sentence, ...]
    limits: str
    e_value: float
    e_value_limit: float
    counted: str = "unit"

    @property
    def reason(self) -> Sentence:
        """All reasons for the grade in one."""
        return joined("; ", self.reasons)


def ranked_rows(data: SeasonData, ranking: Ranking) -> list[RankedRow]:
    """Return every comparison in the order of the table."""
    table = ranking.table
    bases = {r.choice: r for r in table.itertuples() if r.level == r.reference}
    rows = []
    for r in table[table.level != table.reference].itertuples():
        base = bases[r.choice]
        known = np.isfinite(r.lower) and np.isfinite(r.upper)
        rows.append(
            RankedRow(
                choice=r.choice,
                level=r.level,
                base=r.reference,
                name=_bare(data, r.choice, r.level),
                base_name=_bare(data, r.choice, r.reference),
                units=r.units,
                failures=r.failures,
                base_units=base.units,
                base_failures=base.failures,
                survival=r.mission_survival,
                base_survival=base.mission_survival,
                gain=r.survival_gain,
                lower=r.lower,
                upper=r.upper,
                days=r.days_gained,
                days_lower=r.days_lower,
                days_upper=r.days_upper,
                ratio=r.time_ratio,
                raw_gain=r.raw_gain,
                within=r.raw_gain_within,
                within_lower=r.within_lower,
                within_upper=r.within_upper,
                p_adjusted=r.p_adjusted,
                grade=r.grade,
                reasons=tuple(labelled(data, reason) for reason in ranking.judgements[r.choice, r.level].reasons),
                limits=f"{signed_points(r.lower)} to {signed_points(r.upper)}" if known else "",
                e_value=r.e_value,
                e_value_limit=r.e_value_limit,
                counted=data.counted,
            )
        )
    return rows


def labelled(data: SeasonData, sentence: Sentence) -> Sentence:
    """Return a sentence of the ranking with labels for the levels that it names, and columns as words.

    `data` is the season whose labels are used. A level without a label stands with its column.
    """

    def name(mention: Mention) -> str:
        column = shown_name(mention.column)
        if not mention.level:
            return column
        label = data.label(mention.column, mention.level)
        return f"{column} {label}" if label == shown_name(mention.level) and not mention.alone else label

    return sentence.named(name)


def main_row(data: SeasonData, rows: list[RankedRow]) -> RankedRow | None:
    """Return the comparison a talk is about: the best supported, else one that a decision rests on, else the first."""
    if not rows:
        return None
    asked = data.asked_levels
    strong = [r for r in rows if r.grade in SUPPORTED_GRADES]
    pool = strong or [r for r in rows if r.choice in asked] or rows
    if not pool:
        return None
    grades: dict[str, int] = {grade: place for place, grade in enumerate(SUPPORTED_GRADES)}
    best = min(pool, key=lambda r: (grades.get(r.grade, len(grades)), r.choice not in asked, pool.index(r)))
    of_choice = [r for r in pool if r.choice == best.choice and r.grade == best.grade]
    named = [r for r in of_choice if r.level == asked.get(r.choice)]
    if named:
        return named[0]
    if best.grade in SUPPORTED_GRADES:
        return max(of_choice, key=lambda r: abs(np.nan_to_num(r.gain)))
    brought = {a.get("to") for a in data.settings.get("action") or () if a.get("choice") == best.choice}
    return next((r for r in of_choice if r.level in brought), of_choice[0])


def foremost_choice(data: SeasonData) -> str:
    """Return the choice that a talk is about; lid seal, or the first choice there is, where nothing is ranked."""
    row = None if data.ranking is None else main_row(data, ranked_rows(data, data.ranking))
    known = data.choices()
    return row.choice if row is not None else known[0] if known else "lid_seal"


def _bare(data: SeasonData, choice: str, level: str) -> str:
    """The name of a level without its choice's name before it."""
    return data.label(choice, level).removeprefix(f"{shown_name(choice, 24)}: ")


def comparison_id(ranking: Ranking, row: RankedRow) -> str:
    """Return the id of the finding on one comparison of the ranking."""
    words = id_words(list(dict.fromkeys([row.base, row.level])))
    return f"ranking.{id_words(list(ranking.choices))[row.choice]}.{words[row.level]}"


def claim(row: RankedRow, mission: str, confidence: float, *, causes: tuple[str, ...] = ()) -> str:
    """Return what the ranking says of one comparison: shares, the gain with limits, the grade; without full stop."""
    what = shown_name(row.choice)
    head = f"{what[0].upper()}{what[1:]}: "
    if not (np.isfinite(row.gain) and np.isfinite(row.lower)):
        return f"{head}{row.name} cannot be told apart from {row.base_name}: {row.reason}"
    would = f"have lasted {mission}"
    if causes:
        would = f"not have been lost to {join_words([shown_name(c) for c in causes])} by {mission}"
    shares = (
        f"with {row.name} {percent_text(row.survival)} of the fleet would {would}, with {row.base_name} "
        f"{percent_text(row.base_survival)}"
    )
    ends = limits_words(signed_points(row.lower), points_text(row.upper), confidence)
    figures = f"{points_text(row.gain)}, {ends}, time ratio {row.ratio:.2g}"
    ours, theirs = (
        f"{count_of(row.units, row.counted)} with {row.failures} failed",
        f"{row.base_units} with {row.base_failures}",
    )
    counts = f"{ours} against {theirs} failed"
    if row.grade in SUPPORTED_GRADES:
        # a unit not lost to some mechanisms has not thereby lasted: others may have ended it
        better, worse = ("fewer losses to these", "more losses to these") if causes else ("longer life", "shorter life")
        goes = "goes" if row.grade == Grade.CLEAR else "may go"
        outcome = better if row.gain > 0 else worse
        return f"{head}{shares}, so {row.name} {goes} with {outcome} ({row.grade}: {figures}; {counts})"
    return f"{head}{shares}, which could not be told apart ({figures}; {counts})"


def shift_sentence(data: SeasonData, ranking: Ranking, row: RankedRow) -> str:
    """Return how far the raw difference is from the adjusted gain, and where the units of the two levels stood."""
    what = f"{row.name} over {row.base_name} ({shown_name(row.choice)})"
    if not np.isfinite(row.raw_gain):
        held = f"with places held equal the gain is {points_text(row.gain)}"
        return f"The raw curves do not reach the mission for {what}; {held}."
    head = (
        f"For {what} the raw curves show {points_text(row.raw_gain)}, and {points_text(row.gain)} once environment, "
        "site and the other choices are held equal."
    )
    places = ranking.overlap.table
    places = places[(places.choice == row.choice) & (places.place == "environment")]
    ours, theirs = (places[places.level == level].set_index("value").units for level in (row.level, row.base))
    gap = place_gap(ours, theirs)
    if gap is None:
        return head
    return (
        f"{head} The units stood in different places: {percent_text(gap.ours)} of those with {row.name} in "
        f"{shown_name(gap.place)}, against {percent_text(gap.theirs)} of those with {row.base_name}."
    )


def level_labels(rows: Sequence[RankedRow], choice: str = "") -> dict[tuple[str, str], str]:
    """Return how each level compared is shown, by choice and level; of one choice where it is named."""
    own = [row for row in rows if choice in ("", row.choice)]
    return {(r.choice, r.level): r.name for r in own} | {(r.choice, r.base): r.base_name for r in own}


def caveats_of(ranking: Ranking, row: RankedRow) -> tuple[str, ...]:
    """Return what stands against a comparison: the grade's reason, assumptions that flip it, and missing units."""
    caveats = [f"Grade '{row.grade}': {row.reason}."]
    runs = ranking.sensitivity.table
    runs = runs[(runs.choice == row.choice) & (runs.level == row.level)]
    flips = [shown_name(run, 120) for run in runs[runs.flips].run]
    if flips and row.grade in SUPPORTED_GRADES:
        caveats.append(f"The sign changes in {len(flips)} of {len(runs)} other runs: {'; '.join(flips[:4])}.")
    caveats += _without_one(ranking, row)
    count = ranking.sensitivity.flip_counts.get((row.choice, row.level))
    if count is not None and count.missing:
        sides = {row.level: row.name, row.base: row.base_name}
        caveats.append(f"This {count.sentence(row.choice).named(lambda side: sides[side.level])}.")
    return tuple(caveats)


def flip_sentences(ranking: Ranking) -> list[Sentence]:
    """Return what other assumptions would change for the comparisons that the ranking supports."""
    table = ranking.table[ranking.table.grade.isin(SUPPORTED_GRADES)]
    runs = ranking.sensitivity.table
    said = []
    for choice, level in zip(table.choice, table.level, strict=True):
        gain = Sentence("The gain of ", Mention(choice, level), " ")
        flips = runs[(runs.choice == choice) & (runs.level == level) & runs.flips].run
        if len(flips):
            said.append(Sentence(gain, f"changes its sign {'; '.join(flips)}."))
        count = ranking.sensitivity.flip_counts.get((choice, level))
        if count is not None and count.missing:
            said.append(Sentence(gain, count.sentence(choice), "."))
    return said


def _without_one(ranking: Ranking, row: RankedRow) -> list[str]:
    """Return how little a supported comparison loses without one unit or site; the grade's reason says where much."""
    if row.grade not in SUPPORTED_GRADES:
        return []
    at = ranking.of(row.choice).set_index("level").loc[row.level]
    most = "at least" if row.gain > 0 else "at most"
    site = ranking.judgements[row.choice, row.level].weakest_site
    asked = (
        ("any one unit", at.units_undoing, at.gain_without_unit, at.weakest_unit),
        ("the units of any one site", at.sites_undoing, at.gain_without_site, site),
    )
    safe = [
        f"without {words} it is {most} {points_text(gain)} ({weakest})"
        for words, undoing, gain, weakest in asked
        if undoing == 0 and np.isfinite(gain)
    ]
    return [joined("; ", safe).finished()] if safe else []
