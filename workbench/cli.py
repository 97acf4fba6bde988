"""Command line: options to one library call to output; each command is a module in `workbench/commands/`."""

import _thread
import argparse
import gc
import os
import signal
import sys
import threading
from collections.abc import Sequence
from importlib import import_module
from typing import NoReturn

from workbench.checks import did_you_mean
from workbench.errors import UsageError, WorkbenchError
from workbench.printing import say, say_aside, visible
from workbench.threads import SEARCHES

__all__ = ["build_parser", "main"]

COMMANDS = (
    "blank", "adopt", "settings", "check", "records", "compare", "rank", "teardown", "enter", "plan", "review",
    "notebooks", "lab",
)  # fmt: skip
"""In the order in which a season needs them."""

EXIT_DATA_REFUSED = 1
EXIT_WRONG_USAGE = 2
EXIT_INTERRUPTED = 130


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one line."""

    def error(self, message: str) -> NoReturn:
        say_aside(f"error: {visible(message)}; see '{self.prog} --help'")
        self.exit(EXIT_WRONG_USAGE)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    parser = _Parser(
        prog="workbench",
        description="Post-mortem workbench for failed field units: from a messy field log to a project review.",
        epilog="Exit codes: 0 done; 1 the data was refused, or rows were set aside under --strict; 2 wrong usage.",
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for name in COMMANDS:
        module = import_module(f"workbench.commands.{name}")
        command = subparsers.add_parser(name, help=module.HELP, description=module.HELP)
        module.add_arguments(command)
        if getattr(module, "COMMON_OPTIONS", True):
            _add_common_options(command)
        command.set_defaults(run=module.run)
    return parser


def _add_common_options(command: argparse.ArgumentParser) -> None:
    group = command.add_argument_group("common options")
    group.add_argument(
        "--settings",
        metavar="FILE",
        help="season settings (TOML); those beside the log when not given; none for none",
    )
    group.add_argument("--mission", metavar="DAYS", type=int, help="days a unit must last; overrides the settings")
    group.add_argument("--seed", metavar="N", type=int, default=0, help="seed of everything drawn by chance (0)")
    group.add_argument("--json", action="store_true", help="machine-readable result on stdout, nothing else")
    group.add_argument("--all", action="store_true", dest="everything", help="print everything: tables, methods, notes")
    group.add_argument("--strict", action="store_true", help="exit with 1 when rows were set aside")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command."""
    gc.set_threshold(*SEARCHES)
    before, sys.unraisablehook = sys.unraisablehook, _interrupt_again
    try:
        return _run(argv)
    except UsageError as error:
        return _say(error, EXIT_WRONG_USAGE)
    except WorkbenchError as error:
        return _say(error, EXIT_DATA_REFUSED)
    except BrokenPipeError:
        # the reader of our output has gone; keep Python from complaining when it flushes at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        # a disk, a limit or a right that no step named: the person can mend it, the program cannot
        return _say(f"the system refused ({error.strerror or error}); make room or ask for the right, and retry", 1)
    except KeyboardInterrupt:
        say_aside("error: interrupted; nothing that was there before has been changed")
        return EXIT_INTERRUPTED
    finally:
        sys.unraisablehook = before


def _interrupt_again(unraisable: "sys.UnraisableHookArgs") -> None:
    """Interrupt once more where Python was in a place that swallows errors; show other such errors as ever."""
    if issubclass(unraisable.exc_type, KeyboardInterrupt):
        again = threading.Timer(0.01, _interrupt)  # at once it would be swallowed here too
        again.daemon = True
        again.start()
    else:
        sys.__unraisablehook__(unraisable)


def _interrupt() -> None:
    """Interrupt the main thread, out of a wait too where the system can."""
    if hasattr(signal, "pthread_kill"):
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
    else:
        _thread.interrupt_main()


def _run(argv: Sequence[str] | None) -> int:
    parser = build_parser()
    words = sys.argv[1:] if argv is None else list(argv)
    # no option before the command has a value, so the first word that is no option is the command
    named = next((word for word in words if word == "--" or not word.startswith("-")), COMMANDS[0])
    if named not in COMMANDS:
        parser.error(f"unknown command {named!r}{did_you_mean(named, COMMANDS)} (there are: {', '.join(COMMANDS)})")
    args = parser.parse_args(words)
    if args.version:
        from workbench import __version__

        say(__version__)
        return 0
    if args.command is None:
        parser.print_help()
        return EXIT_WRONG_USAGE
    _say_settings(args)
    return int(args.run(args))


def _say_settings(args: argparse.Namespace) -> None:
    """Say which settings are used when none were named."""
    if args.command in ("adopt", "lab") or getattr(args, "settings", "") is not None:
        return
    from workbench.log.sources import settings_beside

    found = settings_beside(getattr(args, "log", None))
    if found is not None:
        say_aside(f"settings: {found} ('--settings none' ignores it)")


def _say(error: Exception | str, code: int) -> int:
    say_aside("error: " + visible(" ".join(str(error).split())), "error")
    return code
