"""rank: which protection choices go with longer field life, as a table that people who are no statisticians read."""

import argparse
import math
from typing import TYPE_CHECKING, Any

from workbench.commands.counting import add_step, columns_to_keep, counted
from workbench.printing import json_text, say

if TYPE_CHECKING:
    from collections.abc import Iterable

    from workbench.log.season_log import Log
    from workbench.ranking.choices import Ranking, RankingQuestion

HELP = "rank protection choices by the share of the fleet that would last the mission, sites and exposures held equal"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder")
    parser.add_argument("--choices", metavar="A,B", help="choices to rank (all protection columns that can be)")
    parser.add_argument(
        "--adjust", metavar="X,Y", help="exposures to hold equal (the environment, and what differs in sites)"
    )
    parser.add_argument("--cause", metavar="M1,M2", help="only these mechanisms count as failure")
    add_step(parser)
    parser.add_argument("--resamples", metavar="N", type=int, default=1000, help="replicates behind the limits (1000)")


def run(args: argparse.Namespace) -> int:
    """Print the ranking; 1 when rows were set aside and --strict was given."""
    from workbench.checks import check_columns
    from workbench.errors import EstimateError
    from workbench.log.dictionary import column_named
    from workbench.log.season_log import read_log
    from workbench.log.sources import settings_for
    from workbench.ranking.choices import question_of, rank_choices
    from workbench.report.basis import said_of_last_good

    settings, _ = settings_for(args.log, args.settings)
    choices, adjust = ([column_named(n, settings) for n in _names(text)] for text in (args.choices, args.adjust))
    causes = _names(args.cause)
    log: Any = counted(args, columns_to_keep(choices, adjust)) or read_log(args.log, args.settings)
    lives = log.lives()
    mission, mission_note = (args.mission, "as given") if args.mission is not None else log.mission()
    check_columns([*choices, *adjust], lives.covariates.columns, "column")
    question = question_of(log, lives, choices, adjust=adjust)
    if not question.choices:
        raise EstimateError("no protection column has two levels of at least 5 units each, so nothing can be ranked")
    ranking = rank_choices(
        lives,
        question.choices,
        adjust=question.adjust,
        mission=mission,
        cause=causes or None,
        resamples=args.resamples,
        seed=args.seed,
        reference=question.reference,
    )
    said = said_of_last_good(log, mission)
    if args.json:
        found = _as_json(args.log, log, ranking, question=question)
        say(json_text({**found, "notes": [*said, *found["notes"]]}))
    else:
        lines = [line for sentence in said for line in _wrapped(sentence)] + ([""] if said else [])
        say("\n".join(lines + _lines(args.log, log, ranking, question=question, mission_note=mission_note)))
    return 1 if args.strict and log.rows_set_aside else 0


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
        "causes": list(ranking.causes),
        "table": _rows(ranking.columns),
        "sensitivity": _rows(ranking.sensitivity.columns),
        "overlap": _rows(ranking.overlap.columns),
        "advice": list(ranking.overlap.advice),
        "agreement": [a.sentence for a in ranking.agreements],
        "rules": list(ranking.rules),
        "notes": [*said_first(log), *ranking.notes, *question.notes],
    }


def _lines(path: str, log: "Log", ranking: "Ranking", *, question: "RankingQuestion", mission_note: str) -> list[str]:
    from workbench.log.season_log import said_first
    from workbench.wording import count_of

    counted = f"not lost to {' or '.join(ranking.causes)} by then" if ranking.causes else "lasting the mission"
    held = f"; held equal: {', '.join(ranking.adjust)}" if ranking.adjust else ""
    lines = [
        *said_first(log),
        f"{path}: {count_of(ranking.units, 'life', 'lives')}, {count_of(ranking.failures, 'failure')}",
    ]
    lines += _wrapped(
        f"Mission {ranking.mission:g} {ranking.unit} ({mission_note}). Share of the whole fleet {counted}, had every "
        f"unit carried the level{held}, by a smooth curve that also runs through spans in which nobody looked. "
        "'compare' shows the raw shares of the units that carried it, and may differ."
    )
    for choice in dict.fromkeys(ranking.columns["choice"]):
        lines += ["", *_choice_lines(ranking, choice)]
    lines += ["", *_wrapped(ranking.notes[0])]
    lines += [
        "",
        "Grades, in the order in which they are tried:",
        *(x for rule in ranking.rules for x in _wrapped(rule, "  ")),
    ]
    if ranking.overlap.advice:
        lines += ["", "To tell more apart next season:"]
        lines += [x for sentence in ranking.overlap.advice for x in _wrapped(sentence, "  ")]
    lines += ["", "Notes:"]
    sentences = [*ranking.notes[1:], *question.notes, *(a.sentence for a in ranking.agreements), *_flips(ranking)]
    return [*lines, *(x for sentence in sentences for x in _wrapped(sentence, "  "))]


def _choice_lines(ranking: "Ranking", choice: str) -> list[str]:
    from workbench.wording import days_text, p_text, percent_text, points_text

    table = ranking.of(choice)
    p = table.p_adjusted[0]
    tested = f"{p_text(p)} after correction" if math.isfinite(p) else "could not be tested within sites"
    heading = f"{choice}, compared with {table.reference[0]} ({tested})"
    cells = [
        ("level", "units", "failed", "would last", "gain", f"{100 * ranking.confidence:g} % limits", "days", "grade")
    ]
    reasons = []
    for row in table.itertuples():
        base = row.level == row.reference
        limits = "" if base else f"{points_text(row.lower).split(' ')[0]} to {points_text(row.upper)}"
        cells.append(
            (
                row.level,
                str(row.units),
                str(row.failures),
                percent_text(row.mission_survival),
                "" if base else points_text(row.survival_gain),
                limits if base or math.isfinite(row.lower) else "not known",
                "" if base else days_text(row.days_gained, "", signed=True).strip(),
                row.grade,
            )
        )
        if row.grade in ("likely", "cannot be told apart"):
            reasons += _wrapped(f"{row.level}: {row.note}.", "    ")
    widths = [max(len(row[i]) for row in cells) for i in range(len(cells[0]))]
    right = (1, 2, 3, 4, 6)
    lines = [
        "  "
        + "  ".join(c.rjust(w) if i in right else c.ljust(w) for i, (c, w) in enumerate(zip(row, widths, strict=True)))
        for row in cells
    ]
    return [heading, *(line.rstrip() for line in lines), *reasons]


def _flips(ranking: "Ranking") -> "Iterable[str]":
    """What other assumptions would change for the comparisons that say something."""
    table = {(r.choice, r.level): r for r in ranking.table.itertuples() if r.grade in ("clear", "likely")}
    runs = ranking.sensitivity.table
    for (choice, level), row in table.items():
        flips = runs[(runs.choice == choice) & (runs.level == level) & runs.flips].run.tolist()
        if flips:
            yield f"{choice} = {level}: the sign changes {'; '.join(flips)}."
        count = ranking.sensitivity.flip_counts.get((choice, level))
        if count is not None and count.missing:
            yield f"{choice} = {level} {count.sentence(choice, level, row.reference)}."


def _wrapped(sentence: str, indent: str = "") -> list[str]:
    import textwrap

    return textwrap.wrap(sentence, 110, initial_indent=indent, subsequent_indent=indent + ("  " if indent else ""))
