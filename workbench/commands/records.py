"""records: when did each unit's own data file end, and what does it say of the unit before that?"""

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.commands.counting import refuse_many_rows
from workbench.commands.permits import add_replace, permit_of
from workbench.printing import Grid, Part, json_text, progress, say, say_aside, show_answer
from workbench.wording import count_of

if TYPE_CHECKING:
    from workbench.records import RecordSurvey

HELP = "what the units' own data files say: last reading, gaps, clock, signs, and what that changes in the log"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder")
    parser.add_argument(
        "--records", metavar="DIR", help="folder of the data files, or one table of many units (records beside the log)"
    )
    parser.add_argument(
        "--write", metavar="FILE.csv", help="write what they add; as records.csv beside the log it is read with it"
    )
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Print one line per deployment with a file; 1 when rows were set aside and --strict was given."""
    from workbench.filing import check_target, home_of, write_file
    from workbench.log.writing import beside_csv
    from workbench.records import RECORDS_FOLDER, survey_records

    args.records = args.records or str(home_of(args.log) / RECORDS_FOLDER)
    permit = replace(permit_of(args), feeds=True)
    if args.write:
        permit = replace(permit, inputs=tuple(p for p in permit.inputs if p.name != "records.csv"))
        check_target(args.write, (".csv",), permit)
    refuse_many_rows(args.log, "reading data files")
    with progress("reading the data files"):
        survey = survey_records(args.log, args.records, args.settings)
    if args.write:
        write_file(Path(args.write), beside_csv(survey.additions), permit)
        say_aside(f"table written: {args.write}")
    if args.json:
        say(json_text(survey.as_json()))
    else:
        show_answer(_blocks(survey, args), everything=args.everything)
    return 1 if args.strict and survey.plain.rows_set_aside else 0


def _blocks(survey: "RecordSurvey", args: argparse.Namespace) -> list[Part]:
    """The answer, then one line per deployment with a file, then what could not be used."""
    spells = survey.spells
    failed = int((spells["outcome"] == "failed").sum())
    known = int((spells["days_after"] <= 1).sum())
    spans = spells["days_before"].dropna()
    wide = f", when half lay in spans of {spans.median():.0f} days or more" if len(spans) else ""
    first = f"{count_of(survey.files, 'file')}, {survey.readings:,} readings, {count_of(len(spells), 'deployment')}."
    told = (
        f"{failed} of them failed: {known} failures are known to the day with the files, "
        f"{known - survey.narrowed} without{wide}."
        if failed
        else "None of them failed, so no span of a failure becomes narrower."
    )
    hint = [] if args.write else ["To have it read with the log: --write records.csv, beside the log."]
    rows = [_line(row, sign) for row, sign in zip(spells.to_dict("records"), _signs(survey), strict=True)]
    headings = ["unit", "last reading", "missing", "longest gap", "failed within", "seen in the file"]
    return [
        Part(sentences=[first, told, *hint]),
        Part(grid=Grid(headings=headings, rows=rows, right=(2, 3), most=10)),
        Part(title="Early warning", sentences=survey.warnings.sentences()),
        Part(title="Not used", sentences=[[(line, "warning")] for line in survey.troubles[:_MOST_TROUBLES]]),
        Part(title="All that is not used", sentences=survey.troubles[_MOST_TROUBLES:], is_detail=True),
    ]


_MOST_TROUBLES = 3


def _line(row: dict[Any, Any], signs: str) -> list[str]:
    from workbench.wording import percent_text

    before, after = row["days_before"], row["days_after"]
    width = (
        "" if before != before else (f"{before:.0f} days, now {after:.0f}" if after != before else f"{before:.0f} days")
    )
    number = "" if row["deployment"] == 1 else f" ({row['deployment']})"
    missing = row["missing_percent"]
    return [
        f"{row['unit']}{number}",
        f"{row['last']:%Y-%m-%d %H:%M}",
        "" if missing != missing else percent_text(missing / 100),
        "" if not row["longest_gap_hours"] > 0 else f"{row['longest_gap_hours']:.0f} h",
        width,
        signs,
    ]


def _signs(survey: "RecordSurvey") -> list[str]:
    """The signs that each file shows, in words."""
    from workbench.teardown.mechanisms import mechanism_words

    named = [name for name in survey.additions.columns if name not in _NO_SIGNS]
    rows = survey.additions.to_dict("records")
    return [", ".join(mechanism_words(name) for name in named if row[name] == "yes") for row in rows]


_NO_SIGNS = ("unit_id", "deployment", "last_record_on", "clock_offset_min", "data_file")
