"""Why do plain counts mislead, what does the fair comparison say, and what can this season not tell?"""

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from workbench.report.basis import Drawing, Finding, compare_choice, place_gap
from workbench.report.figures import Dots
from workbench.report.findings import RankedRow, comparison_id
from workbench.report.talk.told import Told
from workbench.report.words import MOST_HEADLINE_WORDS, limits_words, shown_name
from workbench.wording import (
    SUPPORTED_GRADES,
    Amount,
    Grade,
    by_number,
    count_of,
    join_words,
    percent_text,
    signed_points,
)

__all__ = ["places_slide", "steps_slide", "untold_slide"]

HARDER = 0.02
"""Difference in the share expected to fail by place alone that is worth a headline (a judgement, no source)."""
MOST_ROWS = 16
"""Levels in one picture; more could not be read from the back of a room."""
LONGEST_NAMED = 80
"""Letters up to which a headline names every level that stands out (a judgement, no source)."""


def _labels(told: Told) -> dict[tuple[str, str], str]:
    labels = {(r.choice, r.level): told.data.label(r.choice, r.level) for r in told.rows}
    return labels | {(r.choice, r.base): told.data.label(r.choice, r.base) for r in told.rows}


def places_slide(told: Told) -> Finding | None:
    """Why plain counts mislead: which level stood where, coloured by the share that failed there."""
    row, ranking = told.main, told.data.ranking
    if row is None or ranking is None:
        return None
    table = ranking.overlap.table
    table = table[table["choice"] == row.choice]
    place = next((p for p in ("environment", "site") if (table["place"] == p).any()), None)
    own = table[table["place"] == place]
    if place is None or own["value"].nunique() < 2 or own["failures"].sum() in (0, own["units"].sum()):
        return None  # without places, or where all or none failed, plain counts are alike everywhere
    expected = {level: _expected(table[table["place"] == place], level) for level in (row.level, row.base)}
    name, base = told.name(row.choice, row.level), told.name(row.choice, row.base)
    gap = expected[row.level] - expected[row.base]
    shift = row.gain - row.raw_gain
    if abs(gap) <= HARDER:
        headline = f"{name} and {base} stood in much the same places"
    elif gap > 0 and shift > 0:
        headline = f"{name} stood in harder places, so plain counts understate it"
    elif gap < 0 and shift < 0:
        headline = f"{name} stood in easier places, so plain counts flatter it"
    else:
        headline = f"Different places for {name} and {base}: plain counts can mislead"
    by_place = (
        f"By place alone {percent_text(expected[row.level])} of those with {name} would fail, "
        f"{percent_text(expected[row.base])} with {base}."
    )
    if abs(gap) > HARDER and gap * shift < 0:
        # shares of places hold what stood there: here they point the other way than the comparison within places
        by_place = _where(table[table["place"] == place], row, name, base=base)
    points = [
        by_place,
        f"Plain counts: {_failed(row.failures, row.units)} failed with {name}, "
        f"{_failed(row.base_failures, row.base_units)} with {base}.",
    ]
    return told.slide(
        "places",
        headline,
        points=points,
        say=(
            f"Each field is one kind of place: how many failed of those put out there. {points[0]} "
            "So the fair question is what happens in the same place."
        ),
        behind=["ranking.overlap", "ranking.raw", "ranking"],
        figure=Drawing(
            result=ranking.overlap,
            alt=(
                f"A grid of {shown_name(row.choice)} by {place}: failed of put out in each field, the darker the "
                "larger the share that failed."
            ),
            options={"choice": row.choice, "place": place, "labels": _labels(told)},
        ),
        units=row.units + row.base_units,
        failures=row.failures + row.base_failures,
    )


def _failed(failures: int, units: int) -> str:
    return f"{failures} of {units}"


def _where(table: pd.DataFrame, row: RankedRow, name: str, *, base: str) -> str:
    """The place in whose share of units two levels differ most."""
    ours, theirs = (table[table["level"] == level].set_index("value")["units"] for level in (row.level, row.base))
    gap = place_gap(ours, theirs)
    if gap is None:
        return f"Places of {name} and {base} differ a little everywhere."
    place = shown_name(gap.place)
    share, other = percent_text(gap.ours), percent_text(gap.theirs)
    return f"{place[:1].upper()}{place[1:]} held {share} of those with {name}, {other} of those with {base}."


def _expected(table: object, level: str) -> float:
    """Share of a level's units that would fail if each place had the one share of all its units."""
    places = table.groupby("value")[["units", "failures"]].sum()  # type: ignore[attr-defined]
    own = table[table["level"] == level].set_index("value")["units"]  # type: ignore[index]
    rate = (places["failures"] / places["units"].where(places["units"] > 0)).fillna(0.0)
    return float((rate * own).sum() / max(own.sum(), 1))


def steps_slide(told: Told) -> Finding | None:
    """The comparison in three steps: plain counts, in the same kind of place, all else equal."""
    row, ranking = told.main, told.data.ranking
    if row is None or ranking is None:
        return None
    data = told.data
    steps = _steps(told, row)
    if not steps:
        return None
    name, base = told.name(row.choice, row.level), told.name(row.choice, row.base)
    limits = limits_words(_of_100(row.lower), _of_100(row.upper), data.confidence)
    points = [f"All else equal: {_of_100(row.gain)} of 100 ({limits})."] if math.isfinite(row.gain) else []
    counts = f"{name}: {_failed(row.failures, row.units)} failed; {base}: {_failed(row.base_failures, row.base_units)}."
    points.append(f"{counts[:1].upper()}{counts[1:]}")
    points.append(f"Grade: {row.grade}. It goes with the choice; that is no proof of cause.")
    headline = _claim(told, row, name, base=base)
    own = [] if data.ranking is None else [comparison_id(data.ranking, row)]
    return told.slide(
        "steps",
        headline,
        points=points,
        say=(
            "First the plain counts, then only units in the same kind of place, then with all other choices held "
            f"equal. {headline}. The grade is {row.grade}."
        ),
        behind=[*own, "ranking", "ranking.raw", "ranking.sensitivity"],
        figure=Drawing(
            result=Dots(
                columns={
                    "label": np.array([s[0] for s in steps], dtype=object),
                    "value": np.array([s[1] for s in steps]),
                    "lower": np.array([s[2] for s in steps]),
                    "upper": np.array([s[3] for s in steps]),
                    "note": np.array([_of_100(s[1]) for s in steps], dtype=object),
                },
                axis=f"more of 100 last {data.mission_text} with {name}",
                percent=True,
                reference=0.0,
            ),
            alt=(
                f"Three dots, with limits where known, for the gap between {name} and {base}: plain counts, in the "
                "same kind of place, all else equal; a line marks no difference."
            ),
        ),
        estimate=row.gain,
        lower=row.lower,
        upper=row.upper,
        confidence=data.confidence,
        unit="share",
        units=row.units + row.base_units,
        failures=row.failures + row.base_failures,
        grade=row.grade,
        facts={f"gain of {name}": _of_100(row.gain)},
    )


def _of_100(share: float) -> Amount:
    """A difference of shares as units of 100, with its sign."""
    return signed_points(share)


def _claim(told: Told, row: RankedRow, name: str, *, base: str) -> str:
    data = told.data
    if row.grade == Grade.NOT_APART or not math.isfinite(row.gain):
        return f"{name} and {base} cannot be told apart this season"
    number = abs(round(100 * row.gain))
    more = "more" if row.gain > 0 else "fewer"
    if row.grade == Grade.UNCLEAR and (row.lower > 0 or row.upper < 0):
        looks = "better" if row.gain > 0 else "worse"
        return f"{name} looks {looks}, yet with {len(told.rows)} comparisons chance could do that"
    if row.grade == Grade.UNCLEAR:
        return f"{name} against {base}: chance alone could explain the difference"
    maybe = "" if row.grade == Grade.CLEAR else "probably "
    return f"With {name}, about {number} {more} of 100 {maybe}last {data.mission_text}"


def _steps(told: Told, row: RankedRow) -> list[tuple[str, float, float, float]]:
    """Label, difference and limits of each step that is known."""
    steps = [("all else equal", row.gain, row.lower, row.upper)]
    asked = row.choice in told.data.choices()
    choice = compare_choice(told.data, row.choice, within=None, with_days=False) if asked else None
    same = choice is not None and choice.reference == row.base and row.level in choice.levels
    if math.isfinite(row.within):
        steps.insert(0, ("in the same kind of place", row.within, row.within_lower, row.within_upper))
    if choice is not None and same:
        steps.insert(0, ("plain counts", *choice.differences[row.level]))
    elif math.isfinite(row.raw_gain):
        steps.insert(0, ("plain counts", row.raw_gain, math.nan, math.nan))
    return [s for s in steps if math.isfinite(s[1]) or all(map(math.isfinite, s[2:]))]


def untold_slide(told: Told) -> Finding | None:
    """All other choices on one picture: what this season cannot tell."""
    ranking, main = told.data.ranking, told.main
    if ranking is None or main is None:
        return None
    others = [r for r in told.rows if r is not main]
    if not others:
        return None
    drawn = _drawn(others)
    return told.slide(
        "untold",
        _untold_claim(told, others),
        points=_untold_points(told, others, drawn),
        say=(
            "Every level that stands out has a bar, every other choice one for its widest difference. Where a bar "
            "crosses the line, chance could explain it. That does not show that the choice is useless: this season "
            "was too small to tell."
        ),
        behind=["ranking.unclear", "ranking.apart", "ranking.mix", "ranking.rules", "ranking"],
        figure=_others_drawing(told, drawn),
        units=ranking.units,
        failures=ranking.failures,
    )


def _untold_claim(told: Told, others: Sequence[RankedRow]) -> str:
    """What stands out beside the main comparison, and how many could be chance."""
    strong = [r for r in others if r.grade in SUPPORTED_GRADES]
    chance = sum(r.grade == Grade.UNCLEAR for r in others)
    apart = len(others) - len(strong) - chance
    if not strong:
        if not chance:
            return f"{count_of(apart, 'other comparison')} cannot be told apart from batch or place"
        few = {1: "The one other comparison", 2: "Both other comparisons"}
        return f"{few.get(chance, f'{chance} other comparisons')} could be chance"
    rest = f" {by_number(len(strong), 'stands', 'stand')} out too"
    rest += f"; {count_of(chance, 'comparison')} could be chance" if chance else ""
    named = f"{join_words([told.name(r.choice, r.level) for r in strong])}{rest}"
    fits = len(named.split()) <= MOST_HEADLINE_WORDS and len(named) <= LONGEST_NAMED
    return named if fits else f"{count_of(len(strong), 'other level')}{rest}"


def _untold_points(told: Told, others: Sequence[RankedRow], drawn: Sequence[RankedRow]) -> list[str]:
    """What was compared, what cannot be separated, and how to read the bars."""
    points = [f"{count_of(len(others), 'other comparison')}; one bar per choice, or per level that stands out."]
    if len(drawn) == len(others):
        points = [f"{count_of(len(others), 'other comparison')}, all drawn."]
    apart = sum(r.grade == Grade.NOT_APART for r in others)
    if apart:
        points.append(f"{count_of(apart, 'comparison')} cannot be separated from batch or place at all.")
    unclear = [r for r in drawn if r.grade not in SUPPORTED_GRADES]
    off = sum(r.lower > 0 or r.upper < 0 for r in unclear)
    if off:
        points.append(
            f"{count_of(off, 'unclear bar')} off the line: with {len(told.rows)} comparisons chance does that too."
        )
    if len(unclear) > off:
        points.append("A bar across the line is no proof that there is no difference.")
    return points


def _drawn(others: Sequence[RankedRow]) -> list[RankedRow]:
    """Every level that stands out, then of each other choice the level whose gain is widest, in the ranking's order."""
    strong = [r for r in others if r.grade in SUPPORTED_GRADES]
    widest: dict[str, RankedRow] = {}
    for row in others:
        known = widest.get(row.choice)
        if math.isfinite(row.gain) and (known is None or abs(row.gain) > abs(known.gain)):
            widest[row.choice] = row
    rest = [row for choice, row in widest.items() if choice not in {r.choice for r in strong}]
    return [*strong, *rest][:MOST_ROWS]


def _others_drawing(told: Told, rows: Sequence[RankedRow]) -> Drawing:
    """One dot with limits per level drawn."""
    columns = {
        "label": np.array([told.name(r.choice, r.level) for r in rows], dtype=object),
        "value": np.array([r.gain for r in rows]),
        "lower": np.array([r.lower for r in rows]),
        "upper": np.array([r.upper for r in rows]),
        "note": np.array(
            [f"{_of_100(r.gain)}{f', {r.grade}' if r.grade in SUPPORTED_GRADES else ''}" for r in rows], dtype=object
        ),
        "kind": np.array(["" if r.grade in SUPPORTED_GRADES else "other" for r in rows], dtype=object),
    }
    axis = f"more of 100 last {told.data.mission_text} with it"
    return Drawing(
        result=Dots(columns=columns, axis=axis, percent=True, reference=0.0),
        alt="One line for each level drawn: a dot for its gain and a bar for the limits; a line marks no difference.",
    )
