"""Does every command end in 0, 1 or 2, without a traceback, on any season?

    python -m tests.studies.commands 200     # so many simulated seasons of 8 to 60 units, each command on each of them

`tests/laws/test_commands.py` asks the same of 30 seasons, one command each.
"""

import contextlib
import io
import json
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from workbench import simulate_records, simulate_season
from workbench.cli import main

__all__ = ["COMMANDS", "NOT_TRIED", "SLOW", "run_command", "write_season"]

LEAST, MOST = 8, 60
RECORDED = 3
"""Units whose data files lie beside the log."""
SOME = 20  # replicates
COMMANDS: dict[str, tuple[tuple[str, ...], ...]] = {
    "check": (
        (),
        ("--json",),
        ("--strict", "--settings", "none"),
        ("--marked", "{folder}/marked.xlsx", "--replace"),
        ("--step", "7", "--all"),
    ),
    "records": (
        (),
        ("--json",),
        ("--records", "{folder}/records", "--write", "{folder}/records.csv", "--replace", "--all"),
        ("--records", "{folder}/none", "--strict"),
    ),
    "compare": (
        ("--by", "lid_seal"),
        ("--by", "site", "--within", "environment", "--all"),
        ("--by", "vent", "--json", "--mission", "90"),
        ("--by", "lid_seal", "--figure", "{folder}/curves.png", "--replace"),
        ("--by", "lid_seal", "--step", "14"),
        ("--by", "lid_seel"),
    ),
    "rank": (
        ("--resamples", f"{SOME}", "--seed", "3", "--all"),
        ("--grades",),
        ("--resamples", f"{SOME}", "--units"),
        ("--resamples", f"{SOME}", "--where", "--choices", "lid_seal,vent"),
        ("--resamples", f"{SOME}", "--choices", "lid_seal,vent", "--adjust", "environment", "--json"),
        ("--resamples", f"{SOME}", "--cause", "water_ingress", "--mission", "60"),
        ("--resamples", f"{SOME}", "--choices", "lid_seal", "--step", "30"),
        ("--resamples", f"{SOME}", "--mission", "4000"),
    ),
    "teardown": (
        (),
        ("--all",),
        ("--json",),
        ("--sheets", "{folder}/sheets.html", "--replace", "--units", "{unit}"),
        ("--pages", "{folder}/pages.html"),
        ("--form", "{folder}/form.html", "--field-form", "{folder}/field.html"),
        ("--evidence", "{folder}/none.csv", "--evidence-only"),
        ("--step", "7", "--all"),
        ("--step", "7", "--units", "{unit}", "--form", "{folder}/form.html", "--replace", "--json"),
    ),
    "plan": (
        ("--no-trial", "--all"),
        ("--no-trial", "--json", "--mission", "60"),
        ("--seasons", "100", "--hazard-ratio", "0.4"),
        (
            "--no-trial",
            "--allocate",
            "{folder}/next.csv",
            "--choice",
            "lid_seal",
            "--units",
            "24",
            "--levels",
            "cord,o_ring",
            "--replace",
        ),
        ("--hazard-ratio", "1", "--no-trial", "--step", "14"),
    ),
    "enter": (
        ("{folder}/form.csv", "--replace"),
        ("{folder}/form.csv", "--json"),
        ("{folder}/form.csv", "--all"),
        ("--notes", "--all"),
        ("--notes", "--list", "{folder}/notes.csv", "--replace"),
        ("--undo", "--strict"),
        (),
    ),
    "adopt": (("--out", "{folder}/season.toml", "--replace", "--yes", "--all"),),
    "review": (
        ("--out", "{folder}/review"),
        ("--out", "{folder}/review", "--json", "--locations", "--mission", "90"),
        ("--out", "{folder}/review", "--previous", "{log}", "--strict"),
        ("--out", "{folder}/review", "--step", "14", "--replace"),
    ),
    "lab": (("--no-server", "--no-run", "--log", "{log}", "--terminals", "--trust"),),
    "notebooks": (("--verify",), ("--accept", "--trust")),
    "settings": ((), ("--json",), ("--all",)),
    "blank": ((), ("--teardown", "--replace", "--all")),
}
"""Each command with each option at least once; common options are spread over them."""
SLOW = ("plan", "review")
"""Commands that take ten seconds for sixty units."""
NOT_TRIED = {"--no-browser", "--port"}
"""Options of a server, which does not end."""


def write_season(number: int, folder: Path, most: int = MOST) -> Path:
    """Write the log of a small season of at most so many units, its size and oddities following from its number."""
    rng = np.random.default_rng(number)
    share = {name: float(rng.choice(values)) for name, values in _SHARES.items()}
    log, truth = simulate_season(int(rng.integers(LEAST, most + 1)), seed=number, **share)
    path = folder / "log.csv"
    log.to_csv(path, index=False)
    (folder / "form.csv").write_text(f"unit_id,deployment,tide_line\n{log['unit_id'][0]},1,yes\n", encoding="utf-8")
    (folder / "records").mkdir()
    records, _ = simulate_records(log, truth, seed=number, units=list(log["unit_id"][:RECORDED]), every_hours=12)
    for (unit, deployment), table in records.items():
        table.to_csv(folder / "records" / f"{unit}_{deployment}.csv", index=False)
    return path


_SHARES = {
    "failed_share": (0.1, 0.35, 0.8),
    "missing_share": (0.0, 0.1, 0.4),
    "dead_on_arrival_share": (0.0, 0.1),
    "refit_share": (0.0, 0.3),
    "opened_failed_share": (0.0, 0.8),
}


def run_command(command: str, options: tuple[str, ...], log: Path) -> str:
    """Run a command inside this process and say what is wrong with how it ended; nothing when all is well."""
    folder = log.parent
    unit = log.read_text(encoding="utf-8").splitlines()[1].split(",")[0]
    filled = [option.format(folder=folder, log=log, unit=unit) for option in options]
    place = {"lab": folder / "season", "notebooks": folder, "blank": folder / ("b.html" if options else "b.xlsx")}
    out, err = io.StringIO(), io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = main([command, *([] if command == "settings" else [str(place.get(command, log))]), *filled])
    except SystemExit as stopped:
        code = stopped.code
    except Exception:
        return traceback.format_exc()
    if code not in (0, 1, 2):
        return f"ended in {code}"
    if "Traceback" in err.getvalue():
        return err.getvalue()
    if code and "--strict" not in options and not err.getvalue().strip():
        return f"ended in {code} without a word"
    if "--json" in options and code == 0:
        try:
            json.loads(out.getvalue())
        except json.JSONDecodeError as wrong:
            return f"no JSON on stdout: {wrong}"
    return ""


def _all_of(number: int) -> Iterator[tuple[str, tuple[str, ...]]]:
    # every command, its options in turn
    for command, variants in COMMANDS.items():
        yield command, variants[number % len(variants)]


def study(seasons: int) -> int:
    """Run every command on so many seasons and print what went wrong."""
    wrong, begun = 0, time.monotonic()
    for number in range(seasons):
        with tempfile.TemporaryDirectory() as scratch:
            log = write_season(number, Path(scratch))
            for command, options in _all_of(number):
                if found := run_command(command, options, log):
                    wrong += 1
                    print(f"season {number}: {command} {' '.join(options)}\n{found}", flush=True)
    print(f"{seasons} seasons, {len(COMMANDS)} commands each, {wrong} wrong, {time.monotonic() - begun:.0f} s")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(study(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
