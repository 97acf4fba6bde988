"""How is a teardown survey shown in a terminal?"""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from workbench.printing import Grid, Part, Words
from workbench.wording import count_of, interval_text, join_words, percent_text

if TYPE_CHECKING:
    from workbench.lives import Lives
    from workbench.teardown.ends import AlikeUnits, CountedSurvey, EndsOfUnits, TeardownSurvey

__all__ = ["counted_blocks", "survey_blocks"]

MOST_NAMED, MOST_ENDS, MOST_ALIKE, MOST_UNITS = 3, 6, 7, 3
"""Mechanisms in the first line, rows of both tables, and units named in a row, without --all."""


def survey_blocks(log: Any, survey: "TeardownSurvey", said: Sequence[str]) -> list[Part]:
    """Return what ended units and which to open next, then what the signs say; the rest are details."""
    from workbench.teardown.ends import alike_units

    alike = alike_units(survey.suggestions)
    title = "What the signs of failed units suggest (a place to look, no proof)"
    again = [f"{r.unit_id}: {r.reason}" for r in survey.agreement.look_again.itertuples(index=False)]
    return [
        Part(sentences=[[(sentence, "warning")] for sentence in said]),
        Part(sentences=_answer(log, survey)),
        Part(title="What ended units", grid=_ends(survey)),
        Part(title=title, grid=_alike(alike)),
        Part(title="Before opening", sentences=_cautions(), is_detail=True),
        Part(title="Unit by unit", sentences=_unit_by_unit(survey), is_detail=True),
        Part(title="Verdicts beside the signs", sentences=[*survey.agreement.notes, *again], is_detail=True),
        Part(title=f"Lost by day {survey.mission:g}", sentences=_classes(survey), is_detail=True),
        Part(title="Early or late", sentences=_shapes(survey), is_detail=True),
        Part(title="Wet inside at the end", sentences=_inside(survey), is_detail=True),
        Part(title="Set aside from the teardown, not from the lives", sentences=_problems(survey), is_detail=True),
        Part(title="Notes", sentences=survey.all_notes(), is_detail=True),
    ]


def counted_blocks(log: Any, survey: "CountedSurvey", said: Sequence[str]) -> list[Part]:
    """Return what ended the units of a counted log, and the share lost to each mechanism; the rest are details."""
    from workbench.log.season_log import said_first
    from workbench.teardown.mechanisms import mechanism_words

    apart = (
        "The log was counted, so signs of single units are not weighed; for sheets and forms name the units: "
        "--units UNIT --sheets OUT.html"
    )
    lost = [] if survey.lost is None else list(survey.lost.itertuples(index=False))
    by_mechanism = [
        (mechanism_words(r.cause), *(f"{100 * share:.1f} %" for share in (r.incidence, r.lower, r.upper)))
        for r in sorted(lost, key=lambda r: (-r.incidence, r.cause))
        if math.isfinite(r.incidence)
    ]
    heads = ("mechanism", "of all units", f"{100 * survey.confidence:g} % limits from", "to")
    grid = Grid(headings=heads, rows=by_mechanism, right=(1, 2, 3), most=MOST_ENDS)
    return [
        Part(sentences=[[(sentence, "warning")] for sentence in said]),
        Part(sentences=[_failed_words(log.lives(), survey.ends), *said_first(log), apart]),
        Part(title="What ended units", grid=_ends(survey)),
        Part(title=f"Lost by day {survey.mission:g}", grid=grid if by_mechanism else None),
        Part(title="Early or late", sentences=_shapes(survey), is_detail=True),
        Part(title="Notes", sentences=survey.all_notes(), is_detail=True),
    ]


def _failed_words(lives: "Lives", found: "EndsOfUnits | None") -> str:
    """How many units failed, and of what."""
    from workbench.lives import UNDETERMINED
    from workbench.teardown.mechanisms import mechanism_words

    if found is None:
        return f"No unit of {count_of(lives.units, 'unit')} failed, so nothing is said of mechanisms."
    ends = found.table
    failed = ends[ends["share_of_failures"].notna()]
    named = failed[failed["end"] != UNDETERMINED].sort_values("units", ascending=False, kind="stable")
    unknown = int(failed[failed["end"] == UNDETERMINED]["units"].sum())
    told = [f"{mechanism_words(r.end)} {r.units}" for r in named.head(MOST_NAMED).itertuples()]
    rest = int(named["units"].sum()) - int(named["units"].head(MOST_NAMED).sum())
    told += [f"other mechanisms {rest}"] if rest else []
    told += [f"undetermined {unknown}"] if unknown else []
    return f"{lives.failures} of {count_of(lives.units, 'unit')} failed: {join_words(told)}."


def _answer(log: Any, survey: "TeardownSurvey") -> list[Words]:
    from workbench.log.season_log import said_first
    from workbench.teardown.ends import units_next

    lives = log.lives()
    if survey.ends is None:
        return [_failed_words(lives, None)]
    caution: Words = [
        ("CAUTION. ", "warning"),
        "Before opening: local codes and qualified people come first; see --all.",
    ]
    answer: list[Words] = [caution, _failed_words(lives, survey.ends)]
    following = units_next(survey.suggestions, lives)
    shut = [unit.unit_id for unit in following if unit.is_shut]
    if shut:
        answer.append(f"Open next: {join_words(shut)} (failed and not opened; those that cost most days first).")
    teardowns = survey.suggestions.teardowns
    kept_shut = list(dict.fromkeys(teardowns.records["unit_id"][teardowns.stopped].map(str)))
    if kept_shut:
        line = f"Leave shut: {join_words(kept_shut)} (work stopped for safety; whoever is responsible comes first)."
        answer.append([(line, "warning")])
    near = [unit for unit in following if not unit.is_shut]
    if near:
        answer.append(f"Look again at {'; '.join(f'{unit.unit_id} ({unit.reason})' for unit in near)}.")
    answer += said_first(log)
    return answer


def _ends(survey: "TeardownSurvey | CountedSurvey") -> Grid | None:
    from workbench.teardown.mechanisms import mechanism_words

    if survey.ends is None:
        return None
    rows = [
        (
            mechanism_words(r.end),
            str(r.units),
            percent_text(r.share_of_failures) if math.isfinite(r.share_of_failures) else "",
            percent_text(r.share_of_lost_days),
            f"{r.lost_days_low:,.0f} to {r.lost_days_high:,.0f}",
        )
        for r in survey.ends.table.itertuples(index=False)
    ]
    heads = ("end", "units", "of failures", "of days lost", "unit-days lost")
    return Grid(headings=heads, rows=rows, right=(1, 2, 3, 4), most=MOST_ENDS)


def _alike(alike: "Sequence[AlikeUnits]") -> Grid:
    rows: list[tuple[Words, ...]] = []
    for group in alike:
        shown, left = group.units[:MOST_UNITS], len(group.units) - MOST_UNITS
        which = ", ".join(shown) + (f" and {left} more" if left > 0 else "")
        tone = "" if group.named else "faint"
        rows.append(([(group.what, tone)], str(len(group.units)), which))
    return Grid(headings=("signs suggest", "units", "which"), rows=rows, right=(1,), most=MOST_ALIKE)


def _cautions() -> list[str]:
    from workbench.log.dictionary import HEADLINE
    from workbench.teardown.sheets import CAUTIONS

    return [f"CAUTION. {HEADLINE}", *(f"! {topic}: {line}" for topic, line in CAUTIONS.items())]


def _unit_by_unit(survey: "TeardownSurvey") -> list[str]:
    from workbench.lives import UNDETERMINED
    from workbench.teardown.mechanisms import mechanism_words

    lines = []
    for row in survey.suggestions.table.to_dict("records"):
        best = row["best"] if row["mechanism"] == UNDETERMINED else row["mechanism"]
        head = f"{mechanism_words(best)} {percent_text(row['probability'])}"
        head = f"undetermined; best {head}" if row["mechanism"] == UNDETERMINED else head
        second = f"{mechanism_words(row['second'])} {percent_text(row['second_probability'])}"
        parts = [f"{word} {mechanism_words(row[word])}" for word in ("for", "against") if row[word]]
        lines += ["; ".join([f"{row['unit_id']}: {head}, then {second}", *parts]), f"  next: {row['next_check']}"]
    return lines


def _classes(survey: "TeardownSurvey") -> list[str]:
    if survey.classes is None:
        return []
    return [
        f"{r.cause}: {percent_text(r.incidence)} ({100 * survey.classes.confidence:g} % limits "
        f"{interval_text(percent_text(r.lower), percent_text(r.upper))}; at least {percent_text(r.recorded)} as "
        f"recorded, at most {percent_text(r.most)} by known days)"
        for r in survey.classes.table.itertuples(index=False)
    ]


def _shapes(survey: "TeardownSurvey | CountedSurvey") -> list[str]:
    return [] if survey.shapes is None else list(survey.shapes.columns["statement"])


def _inside(survey: "TeardownSurvey") -> list[str]:
    from workbench.teardown.mechanisms import mechanism_words

    if survey.inside is None:
        return []
    return [
        f"{mechanism_words(r.group)}: {r.wet} of {r.opened} opened wet "
        + (
            f"({interval_text(percent_text(r.lower), percent_text(r.upper))}); {r.wet_working} of them worked, "
            f"{r.dry_failed} dry and failed; {r.not_opened} not opened"
            if r.opened
            else f"(none opened; {r.not_opened} not opened)"
        )
        for r in survey.inside.table.itertuples(index=False)
    ]


def _problems(survey: "TeardownSurvey") -> list[str]:
    rows = survey.suggestions.problems.to_dict("records")
    return [
        f"{row['cell'] or 'row {}, column {}'.format(row['row'], row['column'])}: {row['reason']}; {row['advice']}"
        for row in rows
    ]
