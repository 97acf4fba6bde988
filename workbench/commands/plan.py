"""plan: what next season's builds may lose, a fair trial, the spacing of visits, and the list of who gets what."""

import argparse
from dataclasses import replace
from typing import Any

from workbench.commands.counting import refuse_many_rows
from workbench.commands.permits import add_replace, permit_of
from workbench.printing import json_text, say, say_aside

HELP = "plan the next season: losses and spares of builds, a fair trial, visits, cost"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log of the season behind the plan")
    parser.add_argument(
        "--hazard-ratio", metavar="R", type=float, default=0.5, help="difference a trial must see (0.5)"
    )
    parser.add_argument("--seasons", metavar="N", type=int, default=500, help="simulated seasons a trial size (500)")
    parser.add_argument("--no-trial", action="store_true", help="leave the simulated trial out")
    parser.add_argument("--allocate", metavar="FILE", help="write who gets which level at which site, as a log (csv)")
    parser.add_argument(
        "--choice", metavar="COLUMN", default="lid_seal", help="choice on trial in --allocate (lid_seal)"
    )
    parser.add_argument(
        "--levels", metavar="A,B", help="levels on trial in --allocate; the two most carried if not given"
    )
    parser.add_argument(
        "--units", metavar="N", type=int, help="units of the trial in --allocate; as many as last season"
    )
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Print the plan; write the allocation when asked for."""
    from workbench.filing import check_target
    from workbench.report.findings import planning_findings
    from workbench.report.making import season_data

    if args.allocate:
        check_target(args.allocate, (".csv",), permit_of(args))
    refuse_many_rows(args.log, "a plan")
    data = season_data(args.log, settings=args.settings, mission=args.mission, seed=args.seed)
    trial = None if args.no_trial else {"hazard_ratio": args.hazard_ratio, "seasons": args.seasons}
    findings = planning_findings(data, trial=trial, say=lambda text: say_aside(text))
    written = _allocate(args, data) if args.allocate else None
    if args.json:
        say(
            json_text(
                {"notes": list(data.said_first), "findings": [f.as_json() for f in findings], "allocation": written}
            )
        )
    else:
        if data.said_first:
            say("\n".join([*data.said_first, ""]))
        for finding in findings:
            say(_text(finding))
        if written:
            say(f"Written: {written['file']} ({written['units']} units). {' '.join(written['notes'])}")
    return 1 if args.strict and data.log.rows > data.log.used else 0


def _text(finding: Any) -> str:
    lines = [finding.statement]
    if finding.table:
        import pandas as pd

        table = pd.DataFrame({k: list(v) for k, v in finding.table.items()})
        lines += ["  " + line for line in table.to_string(index=False).splitlines()]
    return "\n".join([*lines, *(f"  ({caveat})" for caveat in finding.caveats), ""])


def _allocate(args: argparse.Namespace, data: Any) -> dict[str, Any]:
    from workbench.checks import check_columns
    from workbench.filing import check_target, write_file
    from workbench.planning import allocate_trial, allocation_log

    permit = replace(permit_of(args), feeds=True)
    target = check_target(args.allocate, (".csv",), permit)
    covariates = data.lives.covariates
    check_columns(args.choice, covariates.columns, "choice")
    carried = covariates[args.choice].dropna().astype(str).value_counts()
    levels = args.levels.split(",") if args.levels else list(carried.index[:2])
    sites = covariates["site"].dropna().astype(str).value_counts().sort_index()
    total = args.units or int(sites.sum())
    shares = sites / sites.sum() * total
    by_site = {str(site): max(1, round(float(n))) for site, n in shares.items()}
    allocation = allocate_trial(args.choice, [level.strip() for level in levels], by_site, seed=args.seed)
    write_file(target, allocation_log(allocation).encode("utf-8"), permit)
    return {"file": str(target), "units": len(allocation.columns["unit_id"]), "notes": list(allocation.notes)}
