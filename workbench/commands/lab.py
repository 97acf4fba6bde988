"""lab: make a season folder with the log, its settings and its notebooks, run, and open JupyterLab there."""

import argparse
from pathlib import Path

from workbench.printing import progress, say, say_aside

HELP = "make a season folder (log, settings, notebooks) and open JupyterLab there"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("folder", metavar="DIR", help="season folder; made when it does not exist")
    parser.add_argument("--log", metavar="LOG", help="log to copy into a new season folder")
    parser.add_argument("--no-browser", action="store_true", help="start the server without opening a browser")
    parser.add_argument("--no-server", action="store_true", help="only make the folder")
    parser.add_argument(
        "--no-run", action="store_true", help="leave new notebooks without answers until somebody runs them"
    )
    parser.add_argument("--terminals", action="store_true", help="let pages open a terminal on this machine")
    parser.add_argument("--trust", action="store_true", help="open notebooks that came from elsewhere: programs")
    parser.add_argument(
        "--port", metavar="N", type=int, default=8888, help="port on this machine (8888, or the next free one)"
    )


def run(args: argparse.Namespace) -> int:
    """Make the folder when needed, then serve it on this machine only, with the token kept."""
    from workbench.notebook import make_season_folder, open_notebooks, serve_folder

    folder = Path(args.folder)
    for line in make_season_folder(folder, log=args.log, settings=args.settings):
        say_aside(line)
    if not args.no_run:
        with progress("running the notebooks") as tell:
            runs = open_notebooks(folder, say=tell, trust=args.trust)
        for run in runs:
            if run.problem:
                say_aside(f"{run.name}: {run.problem}", "warning")
    if args.no_server:
        say(f"Open it with: workbench lab {args.folder}")
        return 0
    return serve_folder(folder, port=args.port, browser=not args.no_browser, terminals=args.terminals, trust=args.trust)
