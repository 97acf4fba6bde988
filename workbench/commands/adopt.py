"""adopt: settle the settings of a foreign log by asking; without a terminal write the guesses, marked."""

import argparse
import sys
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.commands.permits import add_replace
from workbench.printing import json_text, say, say_aside, visible_lines
from workbench.wording import count_of

if TYPE_CHECKING:
    from workbench.log.adoption import Adoption, Answer, Query
    from workbench.log.season_log import Log

HELP = "settle the settings of a log with its own headings and words: asks in a terminal, else writes marked guesses"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's own arguments to its parser."""
    parser.add_argument("log", metavar="LOG", help="log file or folder")
    parser.add_argument("--out", metavar="FILE.toml", help="where to write; season.toml beside the log when not given")
    parser.add_argument("--yes", action="store_true", help="ask nothing and write every guess, marked as one")
    add_replace(parser)


def run(args: argparse.Namespace) -> int:
    """Write the settings; what was confirmed in earlier ones is kept."""
    from workbench.errors import UsageError
    from workbench.filing import Permit, check_target, files_read, write_file
    from workbench.log.adoption import adopt_log, default_target, take_proposal

    talks = not (args.yes or args.json) and sys.stdin.isatty() and sys.stdout.isatty()
    target = Path(args.out or default_target(args.log))
    inputs = tuple(path for path in files_read(args.log) if path != target)
    check_target(target, (".toml",), Permit(inputs=inputs, replace=True))
    before = _text_of(args.settings or target)
    if args.settings is not None and not before:
        raise UsageError(f"no settings file at {args.settings}; leave --settings out to begin anew")
    # settings that are read and written again keep all that stands in them
    continued = bool(before) and target.is_file() and (args.settings is None or target.samefile(args.settings))
    permit = Permit(inputs=inputs, replace=args.replace or continued)
    check_target(target, (".toml",), permit)
    if talks:
        say("Enter takes what stands in brackets, a number picks, s skips; Ctrl-C ends and writes nothing.\n")
    adoption = adopt_log(args.log, _ask if talks else take_proposal, before=before)
    if Path(args.log).is_dir() and args.out is None and not args.yes and not (talks and _may_write(target)):
        say(adoption.text.rstrip("\n"))
        say_aside(f"nothing was written among the logs: give --yes for {target}, or --out FILE.toml")
        return 0
    write_file(target, adoption.text.encode("utf-8"), permit)
    _report(args, target, adoption, is_new=not before)
    return 0


def _text_of(path: str | Path) -> str:
    """The settings that were there before, "" where there are none; wrong ones are refused."""
    from workbench.log.dictionary import read_settings

    if not Path(path).is_file():
        return ""
    read_settings(path)
    return Path(path).read_bytes().decode("utf-8-sig")


def _ask(question: "Query") -> "Answer":
    """Ask a person until the line typed is an answer."""
    from workbench.errors import UsageError
    from workbench.log.adoption import answer_to, prompt_text, question_text

    while True:
        say(visible_lines(question_text(question)))
        try:
            typed = input(visible_lines(prompt_text(question)))
        except EOFError:
            say()
            raise UsageError("the answers ended before the questions; nothing was written") from None
        answer = answer_to(question, typed)
        if answer is not None:
            return answer
        say(f"    {typed!r} is none of the choices: give a number, Enter or s")


def _may_write(target: Path) -> bool:
    from workbench.log.adoption import Query

    about = f"Write {target} into the folder of the logs?"
    return _ask(Query(about=about, proposal="yes", options=("yes", "no"))).value == "yes"


def _report(args: argparse.Namespace, target: Path, adoption: "Adoption", *, is_new: bool) -> None:
    """Say what was written and how many rows can be used with it."""
    from workbench.errors import WorkbenchError
    from workbench.log.dictionary import read_settings
    from workbench.log.season_log import read_log

    found: dict[str, Any] = {"file": str(target), "guesses": adoption.guesses, "changes": list(adoption.changes)}
    then = f"Next: workbench check {args.log}"
    try:
        log = read_log(args.log, read_settings(tomllib.loads(adoption.text)))
        found |= {"rows": log.rows, "used": log.used} | _data_files(args.log, log)
        rows = f"{log.used} of {count_of(log.rows, 'row')} can be used"
    except WorkbenchError as error:
        rows = f"the log cannot be read yet: {error}"
        then = f"Then run 'workbench adopt {args.log}' again, which keeps what was answered"
    if args.json:
        say(json_text(found))
        return
    if not is_new:
        say("\n".join(["Changed:" if adoption.changes else "Nothing changed.", *(f"  {c}" for c in adoption.changes)]))
    marked = f", {count_of(adoption.guesses, 'line')} marked as a guess" if adoption.guesses else ""
    if "data_files" in found:
        say(_files_words(found))
    say(f"{target} written{marked}; {rows}. {then}")


def _data_files(path: str, log: "Log") -> dict[str, Any]:
    """By which pattern the data files beside a log are matched to its units, and how many; empty without."""
    from workbench.errors import WorkbenchError
    from workbench.filing import home_of
    from workbench.records import RECORDS_FOLDER, UNIT_PATTERN, find_data_files

    folder = home_of(path) / RECORDS_FOLDER
    if not folder.is_dir():
        return {}
    try:
        files, troubles, number = find_data_files(folder, log.settings, list(dict.fromkeys(log.records["unit_id"])))
    except WorkbenchError:
        return {}
    return {
        "data_files": number,
        "pattern": log.settings.records.get("file_name", UNIT_PATTERN),
        "matched": sum(bool(file.unit) for file in files),
        "by_column": sum(not file.unit for file in files),
        "not_matched": troubles,
    }


def _files_words(found: dict[str, Any]) -> str:
    """What is known of the data files, in lines."""
    by_column = f", {found['by_column']} name their units in a column" if found["by_column"] else ""
    lines = [
        f"Data files in records: by the pattern {found['pattern']!r} (file_name under [records]) {found['matched']} of "
        f"{found['data_files']} are matched to a unit{by_column}."
    ]
    rest = found["not_matched"]
    lines += [f"  {visible_lines(line)}" for line in rest[:_MOST_FILES]]
    lines += [f"  and {len(rest) - _MOST_FILES} more: workbench records" for _ in rest[_MOST_FILES : _MOST_FILES + 1]]
    return "\n".join(lines)


_MOST_FILES = 3
