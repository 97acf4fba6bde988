"""rank: which protection choices go with longer field life, as a table that people who are no statisticians read."""

import argparse
import math
from typing import TYPE_CHECKING, Any

from workbench.commands.counting import add_step, check_named, columns_to_keep, counted
from workbench.printing import Grid, Part, Words, json_text, progress, say, show_answer
from workbench.wording import (
    NOT_KNOWN,
    SUPPORTED_GRADES,
    Grade,
    days_text,
    p_text,
    percent_text,
    points_text,
    signed_points,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from workbench.log.season_log import Log
    from workbench.ranking.choices import Ranking, RankingQuestion
    from workbench.report.basis import SeasonData
    from workbench.report.findings import RankedRow

TONES: dict[str, str] = {Grade.CLEAR: "good", Grade.LIKELY: "good", Grade.UNCLEAR: "faint", Grade.NOT_APART: "warning"}
MOST_UNITS_SHOWN = 12
"""Units that are listed without --all."""
MOST_STRONG, MOST_ROWS = 5, 8
"""Headlines and rows that are shown without --all."""

HELP = "rank protection choices by the share of the fleet that would last the mission, sites and exposures held equal"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", nargs="?", help="log file or folder")
    parser.add_argument("--choices", metavar="A,B", help="choices to rank (all protection columns that can be)")
    parser.add_argument(
        "--adjust", metavar="X,Y", help="exposures to hold equal (the environment, and what differs in sites)"
    )
    parser.add_argument("--cause", metavar="M1,M2", help="only these mechanisms count as failure")
    add_step(parser)
    parser.add_argument("--resamples", metavar="N", type=int, default=1000, help="replicates behind the limits (1000)")
    parser.add_argument(
        "--units", action="store_true", help="list the units to look at again first: those that a comparison rests on"
    )
    parser.add_argument("--where", action="store_true", help="show in which kind of place each level helps")
    parser.add_argument("--grades", action="store_true", help="say what the grades mean, and stop")


def run(args: argparse.Namespace) -> int:
    """Print the ranking; 1 when rows were set aside and --strict was given."""
    from workbench.errors import UsageError
    from workbench.ranking.choices import RULES

    if args.grades:
        lines: list[Words] = [[(rule.grade, TONES[rule.grade]), f": {rule.words}"] for rule in RULES]
        rules = {"rules": [rule.sentence for rule in RULES]}
        say(json_text(rules)) if args.json else show_answer([Part(sentences=lines)], everything=True)
        return 0
    if args.log is None:
        raise UsageError("name the log to rank: workbench rank LOG")
    with progress("reading the log") as tell:
        data, ranking, question = _ranked(args, tell)
    said = list(data.last_good_said)
    if args.json:
        found = _as_json(args.log, data.log, ranking, question=question)
        say(json_text({**found, "notes": [*said, *found["notes"]]}))
    elif args.units:
        show_answer(_unit_parts(data, ranking), everything=args.everything)
    elif args.where:
        show_answer(_where_parts(data, ranking, question, named=_names(args.choices)), everything=args.everything)
    else:
        show_answer(_blocks(data, ranking, question), everything=args.everything)
    return 1 if args.strict and data.log.rows_set_aside else 0


def _ranked(args: argparse.Namespace, tell: "Callable[[str], None]") -> "tuple[SeasonData, Ranking, RankingQuestion]":
    """The log read and its choices ranked as asked."""
    from workbench.errors import EstimateError
    from workbench.log.dictionary import column_named
    from workbench.log.season_log import read_log
    from workbench.log.sources import settings_for
    from workbench.ranking.choices import question_of, rank_choices
    from workbench.ranking.model import LEAST_UNITS
    from workbench.report.making import season_data

    settings, _ = settings_for(args.log, args.settings)
    choices, adjust = ([column_named(n, settings) for n in _names(text)] for text in (args.choices, args.adjust))
    log: Any = counted(args, columns_to_keep(choices, adjust)) or read_log(args.log, args.settings)
    data = season_data(log, mission=args.mission, seed=args.seed)
    check_named([*choices, *adjust], data, "column")
    question = question_of(log, data.lives, choices, adjust=adjust)
    if not question.choices:
        raise EstimateError(
            f"no protection column has two levels of at least {LEAST_UNITS} units each, so nothing can be ranked; "
            "read another season with this one, or give rare levels one name: words under [levels] in the settings"
        )
    tell(f"ranking {len(question.choices)} choices, {args.resamples:,} replicates")
    ranking = rank_choices(
        data.lives,
        question.choices,
        adjust=question.adjust,
        mission=data.mission if args.mission is None else args.mission,
        cause=_names(args.cause) or None,
        resamples=args.resamples,
        seed=args.seed,
        reference=question.reference,
        tried=question.tried,
        declared=question.declared,
    )
    return data, ranking, question


def _names(text: str | None) -> list[str]:
    return [part.strip() for part in (text or "").split(",") if part.strip()]


def _plain(value: Any) -> Any:
    """A table cell as JSON holds it: NaN is null."""
    if isinstance(value, str) or value is None:
        return value
    if isinstance(value, bool) or type(value).__name__ == "bool_":
        return bool(value)
    if float(value) == int(value if math.isfinite(value) else 0) and not isinstance(value, float):
        return int(value)
    return float(value) if math.isfinite(value) else None


def _rows(columns: Any) -> list[dict[str, Any]]:
    names = list(columns)
    return [dict(zip(names, map(_plain, row), strict=True)) for row in zip(*columns.values(), strict=True)]


def _as_json(path: str, log: "Log", ranking: "Ranking", *, question: "RankingQuestion") -> dict[str, Any]:
    from workbench.log.season_log import said_first

    return {
        "file": path,
        "rows": log.rows,
        "used": log.used,
        "set_aside": log.rows_set_aside,
        "settings": log.settings.as_dict(),
        "mission": ranking.mission,
        "unit": ranking.unit,
        "confidence": ranking.confidence,
        "resamples": ranking.resamples,
        "seed": ranking.seed,
        "choices": list(ranking.choices),
        "adjust": list(ranking.adjust),
        "tried": list(question.tried),
        "declared": dict(question.declared),
        "causes": list(ranking.causes),
        "table": _rows(ranking.columns),
        "sensitivity": _rows(ranking.sensitivity.columns),
        "overlap": _rows(ranking.overlap.columns),
        "advice": list(ranking.overlap.advice),
        "single_units": _rows(ranking.single_units.columns),
        "agreement": [a.sentence for a in ranking.agreements],
        "rules": list(ranking.rules),
        "notes": [*said_first(log), *ranking.notes, *question.notes],
    }


def _blocks(data: "SeasonData", ranking: "Ranking", question: "RankingQuestion") -> list[Part]:
    """The answer first, then one row per comparison; everything else is a detail."""
    from workbench.log.season_log import said_first
    from workbench.ranking.choices import comparisons_sentence
    from workbench.report.findings import ranked_rows

    rows = ranked_rows(data, ranking)
    strong = [row for row in rows if row.grade in SUPPORTED_GRADES]
    caution = "Longer life goes with a level here; that is an association, not a proof of cause. "
    pointers = "'workbench compare' shows the raw shares, and may differ. Grades: workbench rank --grades"
    return [
        Part(sentences=[[(sentence, "warning")] for sentence in data.last_good_said]),
        Part(sentences=[*said_first(data.log), *_headlines(rows, strong), _counts(data, ranking)]),
        Part(grid=_grid(rows)),
        Part(sentences=[comparisons_sentence(ranking.comparisons), caution + pointers]),
        *_details(data, ranking, question, rows=rows),
    ]


def _headlines(rows: "list[RankedRow]", strong: "list[RankedRow]") -> "list[Words]":
    """One sentence per comparison that says something; without any, that, and the widest gap."""
    if strong:
        return [
            [f"{_capital(_pair(r))}: {points_text(r.gain)} ({r.limits}), ", (r.grade, TONES[r.grade]), "."]
            for r in strong[:MOST_STRONG]
        ]
    lead = "The one comparison could" if len(rows) == 1 else f"None of {len(rows)} comparisons could"
    lead = f"{lead}{' not' if len(rows) == 1 else ''} be told from chance: the season does not show what lasts longer."
    first = next((row for row in rows if math.isfinite(row.gain)), None)  # rows come by p
    if first is None:
        return [lead]
    return [lead, [f"Foremost: {_pair(first)}: {points_text(first.gain)} ({first.limits}), ", *_reason(first), "."]]


def _level(row: "RankedRow") -> str:
    """The level by its label; with the choice's name where the log's own word is the label."""
    from workbench.report.words import shown_name

    return f"{shown_name(row.choice)}: {row.name}" if row.name == shown_name(row.level) else row.name


def _pair(row: "RankedRow") -> str:
    return f"{_level(row)} over {row.base_name}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _reason(row: "RankedRow") -> "list[str | tuple[str, str]]":
    """The grade and the first reason for it, with how many more there are."""
    from workbench.ranking.choices import LIKELY_P

    said = row.reason.parts
    if Grade.NOT_APART in said:  # the reason says the grade itself
        return [(str(part), TONES[row.grade] if part is Grade.NOT_APART else "") for part in said]
    plain = row.grade == Grade.UNCLEAR and row.p_adjusted >= LIKELY_P
    reason, *more = row.reasons
    return [
        (row.grade, TONES[row.grade]),
        ", " if row.grade in SUPPORTED_GRADES else ": ",
        p_text(row.p_adjusted) if plain else reason + (f" (and {len(more)} more)" if more else ""),
    ]


def _counts(data: "SeasonData", ranking: "Ranking") -> str:
    from workbench.report.words import shown_name
    from workbench.wording import count_of, join_words

    held = join_words([shown_name(name) for name in ranking.adjust])
    counted = f"not lost to {' or '.join(shown_name(c) for c in ranking.causes)} by" if ranking.causes else "lasting"
    return " ".join(
        [
            f"Gain: points of the whole fleet {counted} {data.mission_text}, had every unit carried the level"
            + (f" ({held} held equal)." if held else "."),
            f"{count_of(ranking.units, 'life', 'lives')}, {count_of(ranking.failures, 'failure')}.",
        ]
    )


def _grid(rows: "list[RankedRow]") -> Grid:
    return Grid(
        headings=("level over reference", "gain", "grade and reason (p corrected)"),
        rows=[
            (
                _pair(row),
                f"{signed_points(row.gain)} ({row.limits})" if row.limits else NOT_KNOWN,
                _reason(row),
            )
            for row in rows
        ],
        most=MOST_ROWS,
    )


def _details(
    data: "SeasonData", ranking: "Ranking", question: "RankingQuestion", *, rows: "list[RankedRow]"
) -> list[Part]:
    from workbench.ranking.choices import comparisons_sentence
    from workbench.report.findings import flip_sentences, labelled, shift_sentence

    names = ("level over reference", "units / failed", "would last", "days", "time ratio", "raw")
    table = Grid(headings=names, right=(1, 3, 4, 5), rows=[_figures(row) for row in rows])
    mission = f"Mission {ranking.mission:g} {ranking.unit}" + (f", {data.mission_note}." if data.mission_note else ".")
    shifts = [shift_sentence(data, ranking, row) for row in rows if row.grade in SUPPORTED_GRADES]
    said = [n for n in ranking.notes if n != comparisons_sentence(ranking.comparisons)]
    said += [*question.notes, *(a.sentence for a in ranking.agreements)]
    reasons = [f"{_capital(_pair(row))}: {row.grade}, {row.reason}." for row in rows if len(row.reasons) > 1]
    changed, advice, said = (
        [labelled(data, sentence) for sentence in sentences]
        for sentences in (flip_sentences(ranking), ranking.overlap.advice, said)
    )
    return [
        Part(title="Every reason", sentences=reasons, is_detail=True),
        Part(title="Figures", grid=table, is_detail=True),
        Part(title="Raw and adjusted", sentences=[*shifts, *changed], is_detail=True),
        Part(title="To tell more apart next season", sentences=advice, is_detail=True),
        Part(title="Grades", sentences=ranking.rules, is_detail=True),
        Part(title="Notes", sentences=[mission, *said], is_detail=True),
    ]


def _figures(row: "RankedRow") -> tuple[str, ...]:
    return (
        _pair(row),
        f"{row.units} / {row.failures}",
        f"{percent_text(row.survival)} / {percent_text(row.base_survival)}",
        days_text(row.days, "", signed=True).strip(),
        f"{row.ratio:.2g}" if math.isfinite(row.ratio) else NOT_KNOWN,
        signed_points(row.raw_gain) if math.isfinite(row.raw_gain) else NOT_KNOWN,
    )


def _unit_parts(data: "SeasonData", ranking: "Ranking") -> list[Part]:
    """The units whose single lives move a comparison most towards zero, one row per unit."""
    from workbench.report.findings import ranked_rows
    from workbench.wording import join_words

    rows = ranked_rows(data, ranking)
    asked = [row for row in rows if row.grade in SUPPORTED_GRADES] or rows[:1]
    units = ranking.single_units.table
    if units.empty:
        return [Part(sentences=ranking.single_units.notes or ["No unit to show."])]
    pair = {(row.choice, row.level): row for row in asked}
    units = units.assign(rows=[left.rows for left in ranking.single_units.left_out])
    units = units[[left.is_whole for left in ranking.single_units.left_out]]
    units = units[[p in pair for p in zip(units.choice, units.level, strict=True)]]
    units = units.assign(loss=(units.survival_gain - units.gain_without) * (2 * (units.survival_gain > 0) - 1))
    units = units.sort_values(["loss", "unit"], ascending=[False, True], kind="stable").drop_duplicates("unit")
    grid = Grid(
        headings=("unit", "known", "gain of", "with", "without"),
        right=(3, 4),
        most=MOST_UNITS_SHOWN,
        rows=[
            (
                f"{u.unit}, {u.site}" if u.site else u.unit,
                _known(data, u.rows),
                _level(pair[u.choice, u.level]),
                signed_points(u.survival_gain),
                signed_points(u.gain_without),
            )
            for u in units.itertuples()
        ],
    )
    lead = "Look at these units again first: a wrong date or outcome of one of them would move a comparison most."
    names = join_words([f"{_pair(r)} ({r.grade})" for r in asked])
    how = (
        f"Asked of {names}. Gain in points of the whole fleet, with all units and without the one. What is known of a "
        f"unit is in {ranking.unit} since it was put out."
    )
    return [Part(sentences=[lead]), Part(grid=grid), Part(sentences=[how])]


def _known(data: "SeasonData", rows: "Sequence[int]") -> str:
    """What is known of a unit's life, the last of its rows."""
    lives = data.lives
    last = max(sorted(rows), key=lambda row: lives.lower[row])
    lower, upper = lives.lower[last], lives.upper[last]
    if math.isfinite(upper):
        return f"failed {upper:g}" if upper - lower <= lives.day else f"failed {lower:g} to {upper:g}"
    outcome = lives.covariates["outcome"].iloc[last] if "outcome" in lives.covariates.columns else "working"
    return f"missing after {lower:g}" if outcome == "missing" else f"{outcome} at {lower:g}"


def _where_parts(
    data: "SeasonData", ranking: "Ranking", question: "RankingQuestion", *, named: list[str]
) -> list[Part]:
    """What the comparisons named, or those that matter, say in each kind of place."""
    from workbench.ranking.choices import where_it_helps
    from workbench.report.basis import placed_choices
    from workbench.report.findings import ranked_rows

    rows = {(row.choice, row.level): row for row in ranked_rows(data, ranking)}
    where = where_it_helps(
        data.lives,
        question.choices,
        adjust=question.adjust,
        mission=ranking.mission,
        only=named or placed_choices(data, ranking),
        seed=ranking.seed,
        reference=question.reference,
    )
    found = where.table
    labels = {v: data.label(where.place, v) for v in set(found.environment)} if len(found) else {}
    asked = [pair for pair in rows if len(found) and (found.choice == pair[0]).any()]
    shown = [r for pair in asked for r in found.itertuples() if (r.choice, r.level) == pair and math.isfinite(r.lower)]
    grid = Grid(
        headings=("level over reference", where.place, "failed", "reference", "gain", "verdict"),
        most=MOST_UNITS_SHOWN,
        rows=[
            (
                _level(rows[r.choice, r.level]),
                labels[r.environment],
                f"{r.failures} of {r.units}",
                f"{r.reference_failures} of {r.reference_units}",
                f"{signed_points(r.survival_gain)} ({signed_points(r.lower)} to {signed_points(r.upper)})",
                [(r.verdict, TONES[Grade.CLEAR if r.verdict in ("helps", "harms") else Grade.UNCLEAR])],
            )
            for r in shown
        ],
    )
    lead = [f"{_capital(_pair(rows[pair]))}: {where.sentence(*pair, labels)}." for pair in asked]
    return [Part(sentences=lead[:MOST_STRONG]), Part(grid=grid), Part(sentences=where.notes)]
