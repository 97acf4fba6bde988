"""What do we ask, what went out and came back, how long did it last, and what ended it?"""

import math
from collections.abc import Mapping

import numpy as np

from workbench.estimate.shared import failed_by, text_levels
from workbench.lives import UNDETERMINED
from workbench.log.season_log import coloured_aside
from workbench.report.basis import Drawing, Finding, site_positions
from workbench.report.figures import Places, Stacks
from workbench.report.talk.decisions import AnswerKind, Decision, asks_nothing, decision_columns
from workbench.report.talk.told import Told
from workbench.report.words import limits_words, short_name, shown_name
from workbench.teardown.mechanisms import MOISTURE_RELATED, mechanism_words
from workbench.wording import by_number, count_of, join_words, percent_text

__all__ = ["asked_slide", "ended_slide", "lasted_slide", "sent_slide", "where_slide"]

OUTCOMES = {"failed": "failed", "missing": "never came back", "withdrawn": "taken out", "working": "still working"}
SHOWN_COUNTS = {"failures": "failed", "missing": "missing", "working": "working"}
"""Meaning of a number of the second slide, and the outcome counted."""
MOST_PLACES = 10
"""Places with a bar of their own; the rest is one."""
MOST_ROWS = 5
"""Decisions in the table of a talk slide; all stand in the appendix."""
MOISTURE = "water and moisture"
OTHER, UNNAMED, GONE = "other mechanisms", "no mechanism found", "never came back"
MOST_NAMED = 3
SMALL = 30
"""Below so many the talk says how much a single one counts (a judgement, no source)."""
WIDE = 0.4
"""Width of the limits of a share above which a headline gives them and not the estimate (a judgement, no source)."""


def asked_slide(told: Told) -> Finding | None:
    """The first slide: what is to be decided, with the answers that the season supports."""
    decisions = told.decisions
    if not decisions:
        return None
    shown = decisions[:MOST_ROWS]
    table = decision_columns(shown, "we ask")
    points = []
    if any(d.is_proposed for d in shown):
        points.append("“Proposed” marks what this review's findings support; nobody has decided it.")
    if asks_nothing(told.data):
        points.append("The questions are this review's own: its settings ask none.")
    if len(decisions) > len(shown):
        points.append(f"{count_of(len(decisions) - len(shown), 'more question')} in the appendix.")
    what = f"{_number_word(len(decisions))} {by_number(len(decisions), 'decision', 'decisions')}"
    return told.slide(
        "asked",
        f"We ask for {what} today",
        points=points,
        say=(
            f"We are here for {what}. {_spoken(shown)} The next slides show why; at the end we come back to this table."
        ),
        behind=[d.behind for d in decisions],
        table={heading: cells for heading, cells in table.items() if any(cells)},
        statement=" ".join([*(f"{d.ask} {d.shown_answer}." for d in decisions), *points]),
        facts={"decisions": str(len(decisions))},
        units=None,
        failures=None,
    )


def _spoken(decisions: list[Decision]) -> str:
    first = decisions[0]
    if first.kind is AnswerKind.TYPED:
        return f"The first: {first.ask} The answer on the table is: {first.answer}."
    return f"The first: {first.ask} What the season supports: {first.answer}."


def _number_word(number: int) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
    return words[number] if number < len(words) else str(number)


def sent_slide(told: Told) -> Finding | None:
    """What went out and what came back, place by place."""
    lives = told.data.lives
    ends = told.findings.get("outcome.ends")
    if ends is None or not lives.units or "outcome" not in lives.covariates:
        return None
    outcome = lives.covariates["outcome"].astype(str).to_numpy()
    counts = {name: int(lives.weight[outcome == name].sum()) for name in OUTCOMES}
    units, spells = lives.units_among(), lives.units
    points = []
    if units != spells:
        points.append(
            f"{count_of(units, 'unit')} went out, some more than once: {count_of(spells, 'deployment')}. "
            "All numbers from here on count deployments."
        )
    points += _other_ends(counts)
    aside = int(told.data.log.rows) - int(told.data.log.used)
    if aside:
        points.append(f"{aside} of {told.data.log.rows} rows of the log could not be used.")
        points += coloured_aside(told.data.log)
    headline = _ends_headline(told, counts)
    keep = "Keep the missing in mind: nobody knows what became of them." if counts["missing"] else ""
    return told.slide(
        "sent",
        headline,
        points=points,
        say=f"Each bar is one place, the worst first. {headline}. {keep}".rstrip(),
        behind=["outcome.ends", "outcome.rows", "appendix.set_aside"],
        figure=_places_drawing(told, outcome),
        units=spells,
        failures=counts["failed"],
        facts={
            "counted": str(spells),
            **{name: str(counts[key]) for name, key in SHOWN_COUNTS.items() if counts[key]},
        },
    )


def _ends_headline(told: Told, counts: Mapping[str, int]) -> str:
    """How many failed of those put out, and how many never came back."""
    whole, failed = told.data.lives.units, counts["failed"]
    gone = f", {counts['missing']:,} never came back" if counts["missing"] else ""
    if failed == whole:
        return f"The only {told.data.counted} failed" if whole == 1 else f"All {told.many(whole)} failed"
    if not failed:  # of what never came back nobody knows
        return f"None of {told.many(whole)} {'is known to have ' if gone else ''}failed{gone}"
    return f"Of {told.many(whole)} {failed:,} failed{gone}"


def _other_ends(counts: Mapping[str, int]) -> list[str]:
    """How many worked on or were taken out, where any did."""
    parts = []
    if counts["working"]:
        parts.append(f"{counts['working']:,} still worked at the end")
    if counts["withdrawn"]:
        parts.append(f"{counts['withdrawn']:,} {by_number(counts['withdrawn'], 'was', 'were')} taken out")
    return [f"{join_words(parts)}." if parts else "None came back working."]


def _places_drawing(told: Told, outcome: np.ndarray) -> Drawing:
    lives = told.data.lives
    by = next((c for c in ("site", "environment") if c in lives.covariates and lives.covariates[c].notna().any()), None)
    if by is None:
        names, codes = ["all places"], np.zeros(len(lives), dtype=np.int64)
    else:
        levels, codes = text_levels(lives.covariates[by])
        names = [*(told.data.label(by, v) for v in levels), "place not recorded"]
        codes = np.where(codes < 0, len(levels), codes)
    table = np.array(
        [[lives.weight[(codes == n) & (outcome == o)].sum() for o in OUTCOMES] for n in range(len(names))], dtype=float
    )
    total = table.sum(axis=1)
    order = [n for n in np.lexsort((-table[:, 0], -table[:, 0] / np.maximum(total, 1))) if total[n]]
    kept, rest = (order, []) if len(order) <= MOST_PLACES else (order[: MOST_PLACES - 1], order[MOST_PLACES - 1 :])
    labels, rows = [names[n] for n in kept], [table[n] for n in kept]
    if rest:
        labels.append(f"{len(rest)} other places")
        rows.append(table[rest].sum(axis=0))
    counts = np.array(rows)
    return Drawing(
        result=Stacks(
            columns={
                "label": np.array(labels, dtype=object),
                **{part: counts[:, k] for k, part in enumerate(OUTCOMES) if counts[:, k].any()},
            },
            axis=f"{told.data.counted}s put out",
            words=OUTCOMES,
        ),
        alt=(
            "One bar for each place, the place with the largest share of failures first, each split into failed, never "
            "came back, taken out and still working."
        ),
    )


def where_slide(told: Told) -> Finding | None:
    """A map of the sites; only where positions were asked for and two sites have one."""
    lives = told.data.lives
    places = site_positions(told.data) if told.data.locations else {}
    if len({(round(x, 1), round(y, 1)) for x, y in places.values()}) < 2:
        return None
    sites, east, north = list(places), *np.array(list(places.values())).T
    site = lives.covariates["site"].astype(str).to_numpy()
    units = np.array([int(lives.weight[site == s].sum()) for s in sites])
    failures = np.array([int(lives.weight[(site == s) & lives.failed].sum()) for s in sites])
    worst = int(np.argmax(failures / np.maximum(units, 1)))
    names = [told.data.label("site", s) for s in sites]
    headline = f"The largest share failed at {short_name(names[worst])}: {failures[worst]} of {units[worst]}"
    if not failures[worst]:
        headline = "None is known to have failed at any site"
    kept = "Positions are shown because they were asked for: sites can be vulnerable, so do not pass this slide on."
    return told.slide(
        "where",
        headline,
        points=["Each disc is a site, as large as what stood there; the lower part failed.", kept],
        say=f"This is where they stood. {headline}. Please do not pass this slide on: sites can be vulnerable.",
        behind=["outcome.sites", "outcome.ends"],
        figure=Drawing(
            result=Places(
                columns={
                    "label": np.array(names, dtype=object),
                    "east": east,
                    "north": north,
                    "units": units,
                    "failures": failures,
                }
            ),
            alt="A map of the sites: each a disc as large as what stood there, the share that failed filled.",
        ),
        units=int(units.sum()),
        failures=int(failures.sum()),
    )


def lasted_slide(told: Told) -> Finding | None:
    """How long they lasted: the curve to the mission, the missing ones as a bracket."""
    found = told.findings.get("outcome.lasting")
    if found is None or found.figure is None or found.estimate is None:
        return None
    data = told.data
    headline, first = _lasted_claim(told, found)
    known = failed_by(data.lives, data.mission)[0] > 0
    points, bracket = [first], None
    missing = told.findings.get("outcome.missing")
    if missing is not None and missing.lower is not None and missing.upper is not None and known:
        worst, best = percent_text(missing.lower), percent_text(missing.upper)
        if worst == best:
            points.append("The missing ones could not change this.")
        else:
            bracket = (missing.lower, missing.upper)
            points.append(f"If every missing one failed at once: {worst}; if all worked on: {best}.")
    points = [*_doubt(told), *points, *_in_time(told, found)]
    return told.slide(
        "lasted",
        headline,
        points=points,
        say=(
            f"The line falls when one fails; the shaded band says how unsure it is. {headline}. "
            + ("The bracket shows what the missing ones could change." if bracket else "")
        ).strip(),
        behind=["outcome.lasting", "outcome.missing", "outcome.last_good"],
        figure=Drawing(
            result=found.figure.result,
            alt=f"Falling line of the share still working by day up to {data.mission_text}, with limits as a band.",
            options={"mission": data.mission, "bracket": bracket, "subtitle": ""},
        ),
        estimate=found.estimate,
        lower=found.lower,
        upper=found.upper,
        confidence=found.confidence,
        unit=found.unit,
        facts={"lasted": percent_text(found.estimate)} if known else {},
    )


def _lasted_claim(told: Told, found: Finding) -> tuple[str, str]:
    """Headline, and the sentence with estimate and limits; where limits are wide the headline gives these alone."""
    data = told.data
    known, may_have = failed_by(data.lives, data.mission)
    share, low, high = (math.nan if v is None else v for v in (found.estimate, found.lower, found.upper))
    limits = limits_words(percent_text(low), percent_text(high), data.confidence)
    if may_have and not known:
        headline = f"None is known to have failed by day {data.mission:g}; {may_have} may have"
        return headline, f"Share that lasted {data.mission_text}: {limits}."
    if not known:
        sure = f"Up to {percent_text(1 - low)} could still fail so early ({100 * data.confidence:g} % limit)."
        return f"None of {told.many(data.lives.units)} failed within {data.mission_text}", sure
    headline = f"About {100 * share:.0f} of 100 lasted the {data.mission_text} asked"
    if not high - low <= WIDE:
        headline = f"Between {100 * low:.0f} and {100 * high:.0f} of 100 lasted the {data.mission_text} asked"
    return headline, f"{percent_text(share)} lasted {data.mission_text} ({limits})."


def _doubt(told: Told) -> list[str]:
    """What hangs on the meaning of the last good day, where the log does not say it."""
    doubt = told.data.last_good_doubt
    return [] if doubt is None else [doubt.in_short]


def _in_time(told: Told, found: Finding) -> list[str]:
    """How many failed only after the mission, how much a single one counts, and by when one in ten had failed."""
    data, points = told.data, []
    spells, failures = data.lives.units, int(data.lives.failures)
    known, may_have = failed_by(data.lives, data.mission)
    late = failures - known - may_have
    if known and late:
        open_ones = f", {may_have} more may have" if may_have else ""
        points.append(f"Of {count_of(failures, 'failure')} {late} came later than day {data.mission:g}{open_ones}.")
    if spells < SMALL:
        points.append(f"Only {told.many(spells)}: one more or less moves this by {100 / spells:.0f} of 100.")
    early = found.figure.result.quantile([0.1]).iloc[0] if found.figure is not None else None
    if early is not None and math.isfinite(early["time"]) and early["time"] <= data.mission:
        points.append(f"One in ten had failed by day {early['time']:.0f}.")
    return points


def ended_slide(told: Told) -> Finding | None:
    """What ended them: a few groups, the rest in one."""
    result = told.result_of("ends.mechanisms")
    if result is None:
        return None
    table = result.table
    counts: dict[str, int] = {}
    gone = unnamed = 0
    for end, number, of_failures in zip(table["end"], table["units"], table["share_of_failures"], strict=True):
        if not np.isfinite(of_failures):
            gone += int(number)
        elif end == UNDETERMINED:
            unnamed += int(number)
        else:
            name = MOISTURE if end in MOISTURE_RELATED else shown_name(mechanism_words(end))
            counts[name] = counts.get(name, 0) + int(number)
    failures = int(told.data.lives.failures)
    named = sorted(counts, key=lambda name: (-counts[name], name))
    rows = [(name, counts[name], True) for name in named[:MOST_NAMED]]  # whether they are among the failures
    rest = sum(counts[name] for name in named[MOST_NAMED:])
    rows += [row for row in ((OTHER, rest, True), (UNNAMED, unnamed, True), (GONE, gone, False)) if row[1]]
    if not rows or not failures:
        return None
    those = by_number(failures, "the one", f"the {failures}")
    headline = f"No teardown says what ended {those} that failed"
    if named:
        top = short_name(named[0], 30)
        of_those = "the one" if failures == 1 else f"{counts[named[0]]} of {those}"
        headline = f"{top[:1].upper()}{top[1:]} ended {of_those} that failed"
    points = []
    if unnamed and named:
        points = [f"{unnamed} of {count_of(failures, 'failure')} {by_number(unnamed, 'has', 'have')} no mechanism."]
    if gone:
        points.append(f"{gone} never came back; what ended {by_number(gone, 'it', 'them')} is not known.")
    points.append(
        "Counted from what people wrote down after opening."
        if named
        else "No mechanism was written down after opening for any of them."
    )
    return told.slide(
        "ended",
        headline,
        points=points,
        say=f"{headline}. {points[0]} We group what belongs together and keep the unknown in sight.",
        behind=["ends.mechanisms", "ends.incidence", "mechanism.preventable", "ends.environment"],
        figure=Drawing(
            result=Stacks(
                columns={
                    "label": np.array([name for name, _, _ in rows], dtype=object),
                    "count": np.array([number for _, number, _ in rows], dtype=float),
                    "note": np.array([_share_note(n, failures if among else 0) for _, n, among in rows], dtype=object),
                    "kind": np.array(["open" if name in (UNNAMED, GONE) else "" for name, _, _ in rows], dtype=object),
                },
                axis=f"{told.data.counted}s",
            ),
            alt="One bar for each group of what ended them, the largest named group first, the unknown last.",
        ),
        units=told.data.lives.units,
        failures=failures,
        facts={"failures": str(failures), "missing": str(gone)} if gone else {"failures": str(failures)},
    )


def _share_note(number: int, failures: int) -> str:
    return f"{number}" if not failures else f"{number} ({percent_text(number / failures)} of failures)"
