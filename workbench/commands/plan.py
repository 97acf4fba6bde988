"""plan: what next season's builds may lose, a fair trial, the spacing of visits, and the list of who gets what."""

import argparse
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from workbench.commands.counting import add_step, columns_to_keep, counted
from workbench.commands.permits import add_replace, permit_of
from workbench.printing import Grid, Part, Words, json_text, progress, say, show_answer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from workbench.report.basis import Finding, SeasonData

ANSWERS = ("builds", "trial", "refused")
"""Findings whose statements are the answer."""
TITLES = {
    "shown": "proof so far",
    "builds": "losses, spares",
    "worth": "money",
    "by_place": "by place",
    "trial": "fair trial",
    "visits": "visits",
    "before": "before going out",
    "rounds": "rounds",
    "spares": "stock",
    "refused": "not planned",
}

HELP = "plan the next season: losses and spares of builds, a fair trial, visits, cost"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log of the season behind the plan")
    parser.add_argument(
        "--hazard-ratio", metavar="R", type=float, default=0.5, help="difference a trial must see (0.5)"
    )
    parser.add_argument("--seasons", metavar="N", type=int, default=500, help="simulated seasons per trial size (500)")
    parser.add_argument("--no-trial", action="store_true", help="leave the simulated trial out")
    parser.add_argument("--allocate", metavar="FILE", help="write who gets which level at which site, as a log (csv)")
    parser.add_argument(
        "--choice", metavar="COLUMN", help="choice on trial in --allocate; the season's own question if not given"
    )
    parser.add_argument(
        "--levels",
        metavar="A,B",
        help="levels on trial in --allocate; the reference and the level that gains most if not given",
    )
    parser.add_argument(
        "--units", metavar="N", type=int, help="units of the trial in --allocate; as many as last season"
    )
    add_step(parser)
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Print the plan; write the allocation when asked for."""
    from workbench.filing import check_target
    from workbench.report.findings import planning_findings
    from workbench.report.making import season_data

    if args.allocate:
        check_target(args.allocate, (".csv",), permit_of(args))
    with progress("reading the log") as tell:
        log = counted(args, columns_to_keep()) or args.log
        data = season_data(log, settings=args.settings, mission=args.mission, seed=args.seed)
        trial = None if args.no_trial else {"hazard_ratio": args.hazard_ratio, "seasons": args.seasons}
        tell("ranking, and losses of next season's builds")
        findings = planning_findings(data, trial=trial, say=tell)
        written = _allocate(args, data) if args.allocate else None
    if args.json:
        notes, told = list(data.said_first), [finding.as_json() for finding in findings]
        say(json_text({"notes": notes, "findings": told, "allocation": written}))
    else:
        show_answer(_blocks(data, findings, written), everything=args.everything)
    return 1 if args.strict and data.log.rows > data.log.used else 0


def _blocks(data: "SeasonData", findings: "Sequence[Finding]", written: dict[str, Any] | None) -> list[Part]:
    """Losses and the fair trial first, then one row per topic; tables and caveats are details."""
    from workbench.log.season_log import said_first
    from workbench.report.words import first_sentence

    topics = {finding.id.removeprefix("plan."): finding for finding in findings}
    first = [topics[name] for name in ANSWERS if name in topics] or list(findings[:1])
    rest = [(name, finding) for name, finding in topics.items() if finding not in first]
    rows: list[tuple[Words, ...]] = [(TITLES.get(name, name), first_sentence(f.statement)[0]) for name, f in rest]
    allotted = [f"Written: {written['file']} ({written['units']} units).", *written["notes"]] if written else []
    if not findings:
        allotted = ["Nothing can be said of next season: too few units are known to have worked or failed.", *allotted]
    return [
        Part(sentences=[[(sentence, "warning")] for sentence in data.last_good_said]),
        Part(sentences=[*said_first(data.log), *(finding.statement for finding in first), *allotted]),
        Part(grid=Grid(headings=("about", "what the season says of the next one"), rows=rows)),
        *(_in_full(TITLES.get(name, name), finding) for name, finding in topics.items()),
    ]


def _in_full(title: str, finding: "Finding") -> Part:
    from workbench.report.basis import shown_cell

    table = finding.table or {}
    rows = [[shown_cell(cell) for cell in row] for row in zip(*table.values(), strict=True)]
    grid = Grid(headings=list(table), rows=rows, right=range(1, len(table))) if rows else None
    return Part(title=title, sentences=[finding.statement, *finding.caveats], grid=grid, is_detail=True)


def _allocate(args: argparse.Namespace, data: "SeasonData") -> dict[str, Any]:
    from workbench.checks import check_columns
    from workbench.filing import check_target, write_file
    from workbench.planning import allocate_season, allocation_log
    from workbench.report.basis import season_choice, season_levels

    permit = replace(permit_of(args), feeds=True)
    target = check_target(args.allocate, (".csv",), permit)
    choice = args.choice or season_choice(data)
    check_columns(choice, data.lives.covariates.columns, "choice")
    levels = [level.strip() for level in args.levels.split(",")] if args.levels else season_levels(data, choice)
    allocation = allocate_season(data.lives, choice, levels=levels, units=args.units, seed=args.seed)
    write_file(target, allocation_log(allocation).encode("utf-8"), permit)
    return {"file": str(target), "units": len(allocation.columns["unit_id"]), "notes": list(allocation.notes)}
