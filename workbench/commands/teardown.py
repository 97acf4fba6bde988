"""teardown: what the signs found inside suggest, what ended units, and printable sheets for the units still to open."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.commands.counting import add_step, counted, is_counted
from workbench.commands.permits import add_replace, permit_of
from workbench.printing import json_text, progress, say, say_aside, show_answer
from workbench.wording import count_of

if TYPE_CHECKING:
    import numpy as np

    from workbench.log.season_log import Log

HELP = "what the signs found inside suggest, what ended units, and printable sheets for units to open"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder")
    parser.add_argument("--sheets", metavar="OUT.html", help="write printable A4 sheets, one per unit to open")
    parser.add_argument(
        "--form", metavar="OUT.html", help="write one offline page to fill in at the bench; 'enter' takes what it saves"
    )
    parser.add_argument("--field-form", metavar="OUT.html", help="the same for a round of visits")
    parser.add_argument(
        "--units",
        metavar="UNIT",
        nargs="+",
        help="sheets and forms of exactly these units, not of those still to be opened",
    )
    parser.add_argument(
        "--pages", metavar="OUT.html", help="write the evidence of every failed unit, photographs beside"
    )
    parser.add_argument("--evidence", metavar="FILE", help="evidence table of your own: replaces and adds signs")
    parser.add_argument("--evidence-only", action="store_true", help="use the signs of --evidence alone")
    add_step(parser)
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Print the survey; 1 when rows were set aside and --strict was given."""
    from workbench.errors import UsageError
    from workbench.filing import check_target
    from workbench.log.dictionary import read_evidence_table
    from workbench.log.season_log import read_log
    from workbench.report.basis import said_of_last_good
    from workbench.teardown.ends import survey_teardowns

    if args.evidence_only and not args.evidence:
        raise UsageError("--evidence-only needs --evidence FILE")
    if args.units and not (args.sheets or args.form or args.field_form):
        raise UsageError("--units chooses units for sheets and forms; give --sheets OUT.html or --form OUT.html too")
    for target in filter(None, (args.sheets, args.pages, args.form, args.field_form)):
        check_target(target, (".html", ".htm"), permit_of(args))
    table = read_evidence_table(args.evidence, only=args.evidence_only)
    if is_counted(args):
        return _run_counted(args, table)
    with progress("reading the log") as tell:
        log = read_log(args.log, args.settings)
        tell("weighing the signs")
        survey = survey_teardowns(log, table=table, mission=args.mission, seed=args.seed)
        said = said_of_last_good(log, args.mission)
    if args.sheets:
        _write_sheets(args, log, survey.suggestions.teardowns.opened, table=table)
    if args.form or args.field_form:
        _write_forms(args, log, survey.suggestions.teardowns.opened)
    if args.pages:
        from workbench.filing import home_of
        from workbench.teardown.sheets import write_evidence

        place = write_evidence(args.pages, survey.suggestions, home_of(args.log), permit=permit_of(args))
        say_aside(f"evidence written: {place}")
    if args.json:
        found = survey.as_json()
        say(json_text({**found, "notes": [*said, *found["notes"]]}))
    else:
        from workbench.commands.teardown_parts import survey_blocks

        show_answer(survey_blocks(log, survey, said), everything=args.everything)
    return 1 if args.strict and log.rows_set_aside else 0


def _run_counted(args: argparse.Namespace, table: Any) -> int:
    """Print what counts tell of a large log; write sheets and forms of named units, whose rows alone are read."""
    from workbench.commands.teardown_parts import counted_blocks
    from workbench.errors import UsageError
    from workbench.log.season_log import read_log
    from workbench.report.basis import said_of_last_good
    from workbench.teardown.ends import survey_counts
    from workbench.teardown.mechanisms import suggest_mechanism

    if args.pages or ((args.sheets or args.form or args.field_form) and not args.units):
        name = "--pages shows every failed unit" if args.pages else "sheets and forms are of single units"
        remedy = "give some of the sites as a log of their own" if args.pages else "name them with --units"
        raise UsageError(f"{args.log} has too many rows to be kept one by one, and {name}; {remedy}")
    with progress("reading the log") as tell:
        fleet = counted(args, lambda roles: [])
        tell("counting what ended units")
        survey = survey_counts(fleet, mission=args.mission)
        said = said_of_last_good(fleet, args.mission)
        log = read_log(args.log, args.settings, units=args.units) if args.units else None
    if log is not None:
        absent = sorted({*args.units} - {*log.records["unit_id"]})
        if absent:
            raise UsageError(f"there is no unit {absent[0]!r} in {args.log}")
        opened = suggest_mechanism(log, table=table).teardowns.opened
        if args.sheets:
            _write_sheets(args, log, opened, table=table)
        if args.form or args.field_form:
            _write_forms(args, log, opened)
    if args.json:
        found = survey.as_json()
        say(json_text({**found, "notes": [*said, *found["notes"]]}))
    else:
        show_answer(counted_blocks(fleet, survey, said), everything=args.everything)
    return 1 if args.strict and fleet and fleet.rows_set_aside else 0


def _write_sheets(args: argparse.Namespace, log: "Log", opened: "np.ndarray", *, table: Any) -> None:
    from workbench.filing import home_of
    from workbench.teardown.sheets import units_to_open, write_sheets

    chosen = units_to_open(log.records, opened, seed=args.seed, units=args.units)
    if not len(chosen):
        say_aside("every failed unit was opened already; name units with --units for sheets of them")
        return
    place = write_sheets(args.sheets, chosen, table=table, photos=home_of(args.log), permit=permit_of(args))
    say_aside(f"{count_of(len(chosen), 'sheet')} written: {place}")


def _write_forms(args: argparse.Namespace, log: "Log", opened: "np.ndarray") -> None:
    """Write the forms for bench and field; without --units those still to be opened, and those still out."""
    from workbench.filing import write_file
    from workbench.teardown.form import bench_form_html, field_form_html
    from workbench.teardown.sheets import units_to_open

    records = log.records
    chosen = units_to_open(records, opened, seed=args.seed, units=args.units)
    out = chosen if args.units else records[(records["outcome"] == "working").to_numpy()]
    for target, units, page in ((args.form, chosen, bench_form_html), (args.field_form, out, field_form_html)):
        if target and not len(units):
            say_aside(f"{target} was not written: no unit is left for it; name units with --units")
        elif target:
            write_file(Path(target), page(units).encode("utf-8"), permit_of(args))
            say_aside(f"form for {len(units)} units written: {target}")
